"""Stars are found, and nothing else is; the sky under them is right."""

import numpy as np
import pytest
from rendered_stars import Scene, render

from framecheck.read import Exposure, Frame
from framecheck.sky import measure_sky
from framecheck.stars.find import find_stars


def as_frame(image: np.ndarray, tmp_path) -> Frame:
    height, width = image.shape
    return Frame(exposure=Exposure(file=tmp_path / "x", kind="light", width_px=width, height_px=height), pixels=image)


@pytest.mark.parametrize("fwhm_px", [1.5, 2.0, 3.0, 6.0, 8.0])
def test_stars_are_found_and_hot_pixels_and_tracks_are_not(fwhm_px: float, tmp_path) -> None:
    n = 300
    image, truth = render(Scene(fwhm_px=fwhm_px, snr=20.0, n_stars=n, hot_pixels=240, tracks=6, seed=6))
    frame = as_frame(image, tmp_path)
    found = find_stars(frame, measure_sky(frame), 65535.0)
    distance = np.hypot(found.x[:, None] - truth.x, found.y[:, None] - truth.y)
    reach = max(2.0, 0.5 * fwhm_px)
    assert (distance.min(axis=0) < reach).mean() >= 0.99
    assert (distance.min(axis=1) > reach).mean() <= 0.01


@pytest.mark.parametrize(
    "scene",
    [
        Scene(),
        Scene(n_stars=2000, snr=30.0, size=(1500, 1500)),
        Scene(slope_adu=600.0),
        Scene(nebula_adu=80.0),
        Scene(fwhm_px=8.0, profile="moffat 2.5"),
        Scene(noise_adu=4.0, hot_pixels=1000),
    ],
    ids=["plain", "crowded", "slope", "nebula", "wide wings", "hot pixels"],
)
def test_sky_level_and_noise(measured, scene: Scene) -> None:
    result, truth = measured(scene)
    assert result.sky.level_adu == pytest.approx(truth.sky_adu, abs=0.1 * truth.noise_adu)
    assert result.sky.noise_adu == pytest.approx(truth.noise_adu, rel=0.01)


def test_twenty_stars_are_enough(measured) -> None:
    result, truth = measured(Scene(n_stars=20, size=(600, 500), snr=60.0))
    assert result.stars.n_found == 20
    assert result.shape.fwhm_px == pytest.approx(truth.fwhm_px, rel=0.03)


def test_a_crowded_field_keeps_its_size(measured) -> None:
    result, truth = measured(Scene(n_stars=2000, snr=30.0, size=(1500, 1500)))
    assert result.stars.n_found == pytest.approx(2000, rel=0.02)
    assert result.shape.fwhm_px == pytest.approx(truth.fwhm_px, rel=0.01)


def test_laws_of_turning_and_flipping(tmp_path) -> None:
    from framecheck.field import frame_shape
    from framecheck.stars import measure_stars

    image, _ = render(Scene(elongation=1.3, pa_deg=25.0, n_stars=200))

    def shape_of(pixels: np.ndarray):
        frame = as_frame(np.ascontiguousarray(pixels), tmp_path)
        return frame_shape(measure_stars(frame, measure_sky(frame), 65535.0))

    upright, turned, flipped = shape_of(image), shape_of(np.rot90(image)), shape_of(image[::-1])
    brighter = shape_of(image.astype(np.float32) * np.float32(1.7) + np.float32(300))
    for other in (turned, flipped, brighter):
        assert other.fwhm_px == pytest.approx(upright.fwhm_px, abs=upright.fwhm_px_error)
        assert other.elongation == pytest.approx(upright.elongation, abs=upright.elongation_error)
    # numpy's rot90 turns rows upwards: with y along the rows' index the angle turns by -90 degrees, which is +90.
    assert turned.elongation_pa_deg == pytest.approx((upright.elongation_pa_deg + 90) % 180, abs=0.3)
    assert flipped.elongation_pa_deg == pytest.approx(180 - upright.elongation_pa_deg, abs=0.3)
