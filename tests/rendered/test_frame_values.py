"""Frame values against fields drawn by GalSim: 300 stars at SNR 50."""

import numpy as np
import pytest
from rendered_stars import PROFILES, Scene

MOFFATS = ["moffat 2.5", "moffat 3", "moffat 4.765", "gaussian"]


def angle_between(a_deg: float, b_deg: float) -> float:
    return abs((a_deg - b_deg + 90) % 180 - 90)


@pytest.mark.parametrize("fwhm_px", [2.0, 3.0, 4.0, 6.0, 8.0])
@pytest.mark.parametrize("profile", MOFFATS)
def test_fwhm_is_right_to_one_percent(measured, profile: str, fwhm_px: float) -> None:
    result, truth = measured(Scene(profile=profile, fwhm_px=fwhm_px))
    assert result.shape.fwhm_px == pytest.approx(truth.fwhm_px, rel=0.01)
    assert result.shape.elongation == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("fwhm_px", [2.0, 3.0, 4.0, 8.0])
def test_fwhm_of_turbulent_air_is_right_to_two_percent(measured, fwhm_px: float) -> None:
    result, truth = measured(Scene(profile="kolmogorov", fwhm_px=fwhm_px))
    assert result.shape.fwhm_px == pytest.approx(truth.fwhm_px, rel=0.02)


@pytest.mark.parametrize("profile", MOFFATS)
def test_fwhm_of_undersampled_stars_is_right_to_two_percent(measured, profile: str) -> None:
    result, truth = measured(Scene(profile=profile, fwhm_px=1.5))
    assert result.shape.fwhm_px == pytest.approx(truth.fwhm_px, rel=0.02)


@pytest.mark.parametrize(("fwhm_px", "n_stars"), [(1.3, 300), (12.0, 120)])
def test_the_narrowest_and_the_widest_stars_are_measured(measured, fwhm_px: float, n_stars: int) -> None:
    result, truth = measured(Scene(fwhm_px=fwhm_px, n_stars=n_stars))
    assert result.shape.fwhm_px == pytest.approx(truth.fwhm_px, rel=0.03)
    assert result.stars.n_found == pytest.approx(n_stars, rel=0.01)


@pytest.mark.parametrize("profile", ["moffat 3", "gaussian", "kolmogorov"])
@pytest.mark.parametrize("elongation", [1.1, 1.25, 1.5])
@pytest.mark.parametrize("fwhm_px", [2.5, 4.0])
def test_elongation_is_right_to_a_hundredth(measured, profile: str, elongation: float, fwhm_px: float) -> None:
    result, truth = measured(Scene(profile=profile, fwhm_px=fwhm_px, elongation=elongation))
    assert result.shape.elongation == pytest.approx(truth.elongation, abs=0.01)
    assert angle_between(result.shape.elongation_pa_deg, truth.pa_deg) < 1 if elongation > 1.1 else 2


@pytest.mark.parametrize("elongation", [2.0, 2.5])
def test_a_long_ellipse_is_right_to_two_percent(measured, elongation: float) -> None:
    result, truth = measured(Scene(fwhm_px=4.0, elongation=elongation))
    assert result.shape.elongation == pytest.approx(truth.elongation, rel=0.02)
    assert result.shape.fwhm_px == pytest.approx(truth.fwhm_px, rel=0.02)


@pytest.mark.parametrize("profile", list(PROFILES))
@pytest.mark.parametrize("trail_px", [2.0, 4.0, 8.0])
def test_trailed_stars_have_the_widths_of_moved_stars(measured, profile: str, trail_px: float) -> None:
    result, truth = measured(Scene(profile=profile, fwhm_px=3.0, trail_px=trail_px))
    assert result.shape.fwhm_px == pytest.approx(truth.fwhm_px, rel=0.02)
    tolerance = 0.01 if truth.elongation <= 1.5 else 0.02 * truth.elongation
    assert result.shape.elongation == pytest.approx(truth.elongation, abs=tolerance)
    assert angle_between(result.shape.elongation_pa_deg, truth.pa_deg) < 1


@pytest.mark.parametrize("trail_px", [8.0, 20.0, 40.0])
@pytest.mark.parametrize("pa_deg", [0.0, 100.0])
def test_long_trails_are_found_once_with_length_and_direction(measured, trail_px: float, pa_deg: float) -> None:
    scene = Scene(fwhm_px=3.0, trail_px=trail_px, pa_deg=pa_deg, n_stars=120)
    result, _ = measured(scene)
    assert result.stars.n_found == pytest.approx(120, abs=1)
    assert result.shape.trail_length_px == pytest.approx(trail_px, rel=0.02)
    assert angle_between(result.shape.elongation_pa_deg, pa_deg) < 1


@pytest.mark.parametrize("elongation", [1.0, 1.3])
def test_the_errors_of_frame_values_are_honest(measured, elongation: float) -> None:
    pulls = []
    for seed in range(2, 10):
        result, truth = measured(Scene(fwhm_px=3.0, elongation=elongation, n_stars=100, size=(800, 600), seed=seed))
        pulls.append((result.shape.fwhm_px - truth.fwhm_px) / result.shape.fwhm_px_error)
    assert np.abs(pulls).max() < 3.5
    assert 0.2 < np.std(pulls) < 1.7
