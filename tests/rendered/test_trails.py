"""Stars drawn out to lines by a moving mount: widths, length, direction, and each found once."""

import numpy as np
import pytest
from against_truth import angle_between, match
from star_field import star_field

from framecheck.sky import Sky
from framecheck.stars import trails
from framecheck.stars.pilot import Pilot
from framecheck.stars.trails import find_trail_peaks

SHORT = [
    *((profile, 0.0, fwhm_px) for profile in ("gaussian", "kolmogorov") for fwhm_px in (2.0, 3.0)),
    *(("moffat", beta, fwhm_px) for beta, fwhm_px in ((3.0, 2.0), (3.0, 3.0), (3.0, 5.0), (2.5, 3.0))),
]
LONG = [
    ("moffat", 3.0, 2.0, 10.0, 0.0),
    ("moffat", 3.0, 3.0, 15.0, 90.0),
    ("moffat", 2.5, 3.0, 20.0, 135.0),
    ("moffat", 2.5, 2.0, 40.0, 20.0),
    ("moffat", 3.0, 3.0, 40.0, 45.0),
    ("kolmogorov", 0.0, 3.0, 20.0, 100.0),
    ("kolmogorov", 0.0, 5.0, 30.0, 160.0),
    ("gaussian", 0.0, 3.0, 30.0, 60.0),
]


@pytest.mark.parametrize("trail_px", [1.5, 3.0, 8.0])
@pytest.mark.parametrize(("profile", "beta", "fwhm_px"), SHORT)
def test_a_trailed_star_has_the_widths_of_a_moved_one(
    drawn, profile: str, beta: float, fwhm_px: float, trail_px: float
) -> None:
    pa_deg = (29.0 * trail_px + 53.0 * fwhm_px) % 180
    size = (900, 720) if fwhm_px < 5 else (1200, 1000)
    result, truth = drawn(profile=profile, beta=beta, fwhm_px=fwhm_px, trail_px=trail_px, pa_deg=pa_deg, size=size)
    assert result.shape.fwhm_px == pytest.approx(truth.fwhm_px, rel=0.02)
    tolerance = 0.01 if truth.elongation <= 1.5 else 0.02 * truth.elongation
    assert result.shape.elongation == pytest.approx(truth.elongation, abs=tolerance)
    if truth.elongation > 1.12:
        assert angle_between(result.shape.elongation_pa_deg, pa_deg) < 1


def found_once_each(result, truth, trail_px: float) -> bool:
    """Whether all but one star in a hundred were found, and no more than that found twice or made up."""
    table = result.stars.table
    pairs = match(table["x"], table["y"], truth.x, truth.y, within_px=max(3.0, trail_px / 4))
    return (
        pairs.share_found >= 0.99
        and pairs.share_false <= 0.01
        and abs(result.stars.n_found / truth.n_stars - 1) < 0.015
    )


@pytest.mark.parametrize(("profile", "beta", "fwhm_px", "trail_px", "pa_deg"), LONG)
def test_a_long_trail_is_found_once_with_its_length_and_direction(
    drawn, profile: str, beta: float, fwhm_px: float, trail_px: float, pa_deg: float
) -> None:
    result, truth = drawn(profile=profile, beta=beta, fwhm_px=fwhm_px, trail_px=trail_px, pa_deg=pa_deg, n_stars=100)
    assert found_once_each(result, truth, trail_px)
    assert result.shape.n_measured > 0.9 * truth.n_stars
    assert result.shape.trail_length_px == pytest.approx(trail_px, rel=0.02)
    assert angle_between(result.shape.elongation_pa_deg, pa_deg) < 1
    assert result.shape.fwhm_px == pytest.approx(truth.fwhm_px, rel=0.02)
    assert result.shape.elongation == pytest.approx(truth.elongation, rel=0.02)


@pytest.mark.parametrize("trail_px", [10.0, 25.0, 40.0])
def test_hot_pixels_and_particles_are_not_taken_for_trails(drawn, trail_px: float) -> None:
    result, truth = drawn(trail_px=trail_px, pa_deg=70.0, n_stars=100, hot_pixels=240, cosmic_rays=8)
    assert found_once_each(result, truth, trail_px)
    assert result.shape.trail_length_px == pytest.approx(trail_px, rel=0.02)
    assert angle_between(result.shape.elongation_pa_deg, 70.0) < 1


def test_trails_of_all_brightnesses(drawn) -> None:
    snr = tuple(np.geomspace(30, 1000, 100))
    result, truth = drawn(trail_px=15.0, pa_deg=120.0, n_stars=100, snr=snr)
    assert found_once_each(result, truth, 15.0)
    assert result.shape.trail_length_px == pytest.approx(15.0, rel=0.02)


@pytest.mark.parametrize("trail_px", [0.0, 1.0])
def test_stars_hardly_moved_are_not_called_trails(drawn, trail_px: float) -> None:
    result, _ = drawn(trail_px=trail_px, size=(900, 720))
    length = result.shape.trail_length_px
    assert length is None or length == pytest.approx(trail_px, abs=0.3)


@pytest.mark.parametrize("band_cells", [40, 97])
def test_trails_do_not_depend_on_the_bands_in_which_they_are_sought(
    monkeypatch: pytest.MonkeyPatch, band_cells: int
) -> None:
    image, _ = star_field(trail_px=25.0, fwhm_px=2.6, snr=100.0, n_stars=150, gradient_adu=300.0)
    level = np.full((2, 2), 1200.0, np.float32)
    sky = Sky(
        level_adu=level,
        noise_adu=np.full((2, 2), 20.0, np.float32),
        x_centres=np.array([300.0, 900.0], np.float32),
        y_centres=np.array([250.0, 750.0], np.float32),
        shape=image.shape,
    )
    pilot = Pilot(27.0, 3.0, 35.0, 64)
    whole = find_trail_peaks(image, sky, pilot)
    monkeypatch.setattr(trails, "BAND_CELLS", band_cells)
    banded = find_trail_peaks(image, sky, pilot)
    assert len(whole) > 100
    for name in ("x", "y"):
        np.testing.assert_array_equal(getattr(banded, name), getattr(whole, name))
    np.testing.assert_allclose(banded.height, whole.height, rtol=1e-3)
