"""The sky in electrons."""

import numpy as np
import pytest

from framecheck.night.sky_rate import gain_from_sky, sky_e_per_s
from framecheck.read.rig import Rig


@pytest.fixture
def frame(sky_field, draw, frame_of):
    table = draw(sky_field(np.random.default_rng(0), 60))
    return lambda **facts: frame_of(table, **facts)


def test_noise_tells_electrons(frame) -> None:
    # closed form: 2 e/s for 60 s are 120 e; with 3 e of read noise the variance is 129 e²; 0.5 e per ADU
    result = frame(noise_adu=np.sqrt(129) / 0.5, gain_e_per_adu=0.5, read_noise_e=3.0)
    assert sky_e_per_s(result, Rig()) == pytest.approx(2.0)
    assert sky_e_per_s(frame(noise_adu=np.sqrt(129) / 0.5), Rig(gain_e_per_adu=0.5, read_noise_e=3.0)) == (
        pytest.approx(2.0)
    )


def test_level_tells_electrons_where_the_pedestal_is_known(frame) -> None:
    result = frame(level_adu=900.0, gain_e_per_adu=0.5, pedestal_adu=660.0)
    assert sky_e_per_s(result, Rig()) == pytest.approx((900 - 660) * 0.5 / 60)


def test_neither_gain_nor_zero_point_is_guessed(frame) -> None:
    assert sky_e_per_s(frame(), Rig()) is None
    assert sky_e_per_s(frame(read_noise_e=3.0, pedestal_adu=100.0), Rig()) is None
    assert sky_e_per_s(frame(exposure_s=None, gain_e_per_adu=0.5, read_noise_e=3.0), Rig()) is None
    assert sky_e_per_s(frame(noise_adu=1.0, gain_e_per_adu=0.5, read_noise_e=3.0), Rig()) is None


def test_noise_beyond_any_reading_is_the_skys_where_only_the_gain_is_known(frame) -> None:
    # 10 e/s for 60 s are 600 e, and sensors read with 1 to 10 e (common practice, no source): 1 to 100 e² of it
    noise = {read: float(np.sqrt(600 + read**2)) / 0.5 for read in (1.0, 10.0)}
    for read, adu in noise.items():
        told = sky_e_per_s(frame(level_adu=3000.0, noise_adu=adu, gain_e_per_adu=0.5), Rig())
        assert told == pytest.approx(10.0, rel=0.17), read
    assert sky_e_per_s(frame(noise_adu=8.0 / 0.5, gain_e_per_adu=0.5), Rig()) is None
    # a gain by which the level would hold less light than the noise tells is that of another setting
    assert sky_e_per_s(frame(level_adu=900.0, noise_adu=noise[1.0], gain_e_per_adu=0.5), Rig()) is None


def test_a_changing_sky_tells_the_gain() -> None:
    # NOI-04: variance 16000 ADU² at a mean of 4000 ADU is 0.25 e per ADU
    level = np.linspace(2000, 6000, 30) + 500
    noise = np.sqrt((level - 500) / 0.25 + 12.0**2)
    gain, error = gain_from_sky(level, noise)
    assert gain == pytest.approx(0.25, rel=1e-3)
    assert error < 0.01
    pulls = []
    rng = np.random.default_rng(1)
    for _ in range(200):
        gain, error = gain_from_sky(level, noise * (1 + rng.normal(0, 0.01, 30)))
        pulls.append((gain - 0.25) / error)
    assert 0.8 < np.std(pulls) < 1.15


def test_a_steady_sky_does_not() -> None:
    rng = np.random.default_rng(2)
    level = 3000 + rng.normal(0, 20, 30)
    assert gain_from_sky(level, np.sqrt(level / 0.25) * (1 + rng.normal(0, 0.01, 30))) is None
    assert gain_from_sky(np.full(30, 3000.0), np.full(30, 100.0)) is None


def test_light_within_its_errors_is_unknown(frame) -> None:
    # a read noise of 10 e known to 5 % makes 10 e² of error: 20 e of sky do not stand out from twice that
    assert sky_e_per_s(frame(noise_adu=np.sqrt(120), gain_e_per_adu=1.0, read_noise_e=10.0), Rig()) is None
    faint = frame(level_adu=502.0, noise_adu=10.0, gain_e_per_adu=1.0, pedestal_adu=500.0)
    assert sky_e_per_s(faint, Rig()) is None


def test_a_pedestal_that_was_seen_comes_before_the_noise(frame) -> None:
    facts = {"level_adu": 900.0, "noise_adu": 30.0, "gain_e_per_adu": 0.5, "read_noise_e": 3.0, "pedestal_adu": 660.0}
    seen = frame(**facts, provenance={"pedestal_adu": "overscan"})
    assert sky_e_per_s(seen, Rig()) == pytest.approx((900 - 660) * 0.5 / 60)
    claimed = frame(**facts, provenance={"pedestal_adu": "PEDESTAL"})
    assert sky_e_per_s(claimed, Rig()) == pytest.approx((15.0**2 - 3.0**2) / 60)
