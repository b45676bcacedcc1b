"""The camera's noise and flaws."""

from dataclasses import replace

import numpy as np
import pytest

from framecheck.simulate.camera import read_out
from framecheck.simulate.scenario import Camera, Scenario

CLEAN = Camera(
    width=600, height=400, gain_e_per_adu=0.5, read_noise_e=3.0, dark_e_per_s=0.0, hot_pixels=0, cosmic_rays_per_min=0.0
)


def flat(level_e: float, camera: Camera = CLEAN) -> np.ndarray:
    return np.full((camera.height, camera.width), level_e, dtype=np.float32)


def test_sky_noise_is_that_of_photons_and_readout() -> None:
    pixels = read_out(Scenario(camera=CLEAN), flat(400.0), 60.0, 0)
    n = pixels.size
    variance = 400 / 0.5**2 + 3**2 / 0.5**2 + 1 / 12  # Poisson, readout, rounding; closed form [ADU²]
    assert pixels.mean() == pytest.approx(500 + 400 / 0.5, abs=4 * np.sqrt(variance / n))
    assert pixels.std() == pytest.approx(np.sqrt(variance), rel=4 / np.sqrt(2 * n))


def test_bright_light_is_clipped_at_the_full_well_or_the_converter() -> None:
    shallow = replace(CLEAN, full_well_e=10_000.0, read_noise_e=0.0)
    assert np.all(read_out(Scenario(camera=shallow), flat(50_000.0), 60.0, 0) == 500 + 10_000 / 0.5)
    coarse = replace(CLEAN, bits=12)
    assert np.all(read_out(Scenario(camera=coarse), flat(50_000.0), 60.0, 0) == 4095)


def test_hot_pixels_stay_and_noise_changes() -> None:
    scenario = Scenario(camera=replace(CLEAN, hot_pixels=50))
    first, second = (read_out(scenario, flat(0.0), 300.0, frame).astype(int) for frame in (0, 1))
    hot = first > 500 + 100 * 3 / 0.5
    assert 30 <= hot.sum() <= 50
    assert np.all(second[hot] > 500 + 50 * 3 / 0.5)
    assert np.mean(first == second) < 0.2


def test_a_mosaic_passes_most_green() -> None:
    scenario = Scenario(camera=replace(CLEAN, mosaic="RGGB"))
    pixels = read_out(scenario, flat(1000.0), 60.0, 0)
    red, green, blue = (pixels[row::2, column::2].mean() for row, column in ((0, 0), (0, 1), (1, 1)))
    assert green == pytest.approx(pixels[1::2, 0::2].mean(), rel=1e-3)
    assert red < blue < green
