"""The sky's level within a tenth of its noise, and its noise within one per cent."""

from pathlib import Path

import numpy as np
import pytest
from star_field import power_law, star_field

from framecheck.read import Exposure, Frame
from framecheck.sky import measure_sky

CROWD = {"min_separation_px": 0.0, "size": (1000, 1000)}
SCENES = {
    "plain": {},
    "few photons": {"sky_adu": 100.0, "gain": 1.0, "read_noise_e": 1.5},
    "many photons": {"gain": 60.0, "read_noise_e": 5.0},
    "quiet": {"gain": 400.0, "read_noise_e": 100.0},
    "14 bits shifted up": {"step_adu": 4},
    "12 bits shifted up": {"step_adu": 16},
    "gradient": {"gradient_adu": 600.0},
    "steep": {"gradient_adu": 1500.0},
    "faint nebula": {"nebulosity_adu": 80.0},
    "nebula": {"nebulosity_adu": 300.0},
    "bright nebula": {"nebulosity_adu": 1000.0},
    "2000 equal stars": {"n_stars": 2000, "snr": 30.0, **CROWD},
    "5000 equal stars": {"n_stars": 5000, "snr": 20.0, **CROWD},
    "5000 stars": {"n_stars": 5000, "snr": power_law(5000, 5.0, 5000.0), **CROWD},
    "wide wings": {"fwhm_px": 8.0, "beta": 2.5},
    "bright stars": {"beta": 2.5, "snr": power_law(300, 20.0, 20_000.0), "min_separation_px": 0.0},
    "trails": {"trail_px": 20.0, "n_stars": 150},
    "hot pixels": {"hot_pixels": 2400, "cosmic_rays": 20},
}


@pytest.mark.parametrize("name", SCENES)
def test_level(drawn, name: str) -> None:
    result, truth = drawn(**SCENES[name])
    assert abs(result.sky.level_adu - truth.sky_adu) < 0.1 * truth.noise_adu


@pytest.mark.parametrize("name", SCENES)
def test_noise(drawn, name: str) -> None:
    result, truth = drawn(**SCENES[name])
    assert result.sky.noise_adu == pytest.approx(truth.noise_adu, rel=0.01)


@pytest.mark.parametrize("name", ["gradient", "steep"])
def test_gradient(drawn, name: str) -> None:
    # a plane 0.6 of the rise wide and 0.4 high: its 5th and 95th percentiles over the image
    result, truth = drawn(**SCENES[name])
    low, high = np.percentile(truth.sky_map_adu, [5, 95])
    gradient = result.sky.above(0.0).gradient_percent
    assert gradient == pytest.approx(100 * (high - low) / truth.sky_adu, rel=0.05)
    assert np.isnan(result.sky.gradient_percent)  # nothing tells how much of the level the camera adds


@pytest.mark.parametrize("name", ["plain", "gradient", "steep", "faint nebula", "nebula"])
def test_the_level_is_right_all_over_the_image(tmp_path: Path, name: str) -> None:
    image, truth = star_field(**SCENES[name])
    height, width = image.shape
    exposure = Exposure(file=tmp_path / "frame.fits", kind="light", width_px=width, height_px=height)
    sky = measure_sky(Frame(exposure=exposure, pixels=image))
    v, u = (grid.ravel() for grid in np.mgrid[8:height:16, 8:width:16])
    off = (sky.level_at(u, v) - truth.sky_map_adu[v, u]) / truth.noise_adu
    assert np.sqrt(np.mean(off**2)) < 0.1
