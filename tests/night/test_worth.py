"""Effective exposure: the seconds of an ideal frame that would add as much."""

import numpy as np
import pytest

from framecheck.field.result import FrameResult
from framecheck.night.transparency import Transparency
from framecheck.night.worth import Ideal, effective_exposure_s, ideal_of

CLEAR = Transparency(value=1.0, error=0.01, n_stars=100)
IDEAL = Ideal(fwhm_px=3.0, noise_adu=20.0)


@pytest.fixture
def plain(sky_field, draw, frame_of):
    table = draw(sky_field(np.random.default_rng(0), 100))

    def make(**facts) -> FrameResult:
        return frame_of(table, **facts)

    return make


def test_an_ideal_frame_is_worth_its_exposure(plain) -> None:
    assert effective_exposure_s(plain(), CLEAR, IDEAL) == pytest.approx(60.0)


@pytest.mark.parametrize(
    ("facts", "light", "share"),
    [
        ({}, 0.5, 0.25),  # half of the light, a quarter of the squared SNR
        ({}, 10 ** (-0.4 * 0.3), 0.5754),  # 0.30 mag of cloud leave 0.7586 of the light (NOI-14), squared
        ({"noise_adu": 20 * np.sqrt(2)}, 1.0, 0.5),  # twice the photons from the sky
        ({"fwhm_px": 3.3}, 1.0, 1 / 1.21),  # 10 % wider stars cost 21 % more time (closed form: 1.1² - 1)
        ({"fwhm_px": 6.0, "noise_adu": 40.0}, 0.5, 1 / 64),
    ],
)
def test_worth_falls_with_cloud_sky_and_blur(plain, facts, light, share) -> None:
    seen = Transparency(value=light, error=0.01, n_stars=50)
    assert effective_exposure_s(plain(**facts), seen, IDEAL) == pytest.approx(60 * share, rel=1e-3)


def test_it_is_the_time_to_equal_snr(plain) -> None:
    # an independent route: a star of known profile drawn and measured many times under the noise of a known sky
    rng = np.random.default_rng(1)
    grid = np.arange(-12, 13)
    r2 = grid[:, None] ** 2 + grid[None] ** 2

    def snr2_per_second(fwhm: float, light: float, sky: float) -> float:
        star = np.exp(-4 * np.log(2) * r2 / fwhm**2)
        star /= star.sum()
        images = 300 * light * star + np.sqrt(sky) * rng.standard_normal((4000, *star.shape))
        flux = (images * star).sum(axis=(1, 2)) / (star**2).sum()
        return (flux.mean() / flux.std()) ** 2  # to 3 % each

    best, worse = snr2_per_second(3.0, 1.0, 400.0), snr2_per_second(4.5, 0.8, 800.0)
    seen = Transparency(value=0.8, error=0.01, n_stars=50)
    worth = effective_exposure_s(plain(fwhm_px=4.5, noise_adu=20 * np.sqrt(2)), seen, IDEAL)
    assert worth / 60 == pytest.approx(worse / best, rel=0.1)


def test_no_frame_is_worth_more_than_its_exposure(plain) -> None:
    assert effective_exposure_s(plain(fwhm_px=2.5), CLEAR, IDEAL) == 60.0


def test_unknown_stays_unknown(plain) -> None:
    assert effective_exposure_s(plain(), None, IDEAL) is None
    assert effective_exposure_s(plain(), CLEAR, None) is None
    assert effective_exposure_s(plain(exposure_s=None), CLEAR, IDEAL) is None
    assert effective_exposure_s(plain(shape=False), CLEAR, IDEAL) is None


def test_the_ideal_is_what_one_in_twenty_reaches(plain) -> None:
    results = [plain(fwhm_px=3 + 0.1 * i, noise_adu=20 + i) for i in range(40)]
    assert ideal_of(results, [CLEAR] * 40) == Ideal(fwhm_px=pytest.approx(3.1), noise_adu=21)
    covered = plain(fwhm_px=1.0, noise_adu=2.0)
    assert ideal_of([*results[:5], covered], [CLEAR] * 5 + [None]) == Ideal(fwhm_px=3.0, noise_adu=20)
    assert ideal_of([covered], [None]) is None
