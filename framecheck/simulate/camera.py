"""Camera: light becomes numbers, with the noise and the flaws of a sensor."""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.simulate.chance import generator
from framecheck.simulate.scenario import Scenario

_COLOUR_SHARE: Final = {"R": 0.55, "G": 1.0, "B": 0.65}
"""[dimensionless] Chosen: light that passes the filter of each colour, over that of green."""
_HOT_E_PER_S: Final = 4.0
"""[e/s] Chosen: median dark current of a hot pixel; they spread by a factor of e."""
_TRACK_E: Final = 1500.0
"""[e] Chosen: electrons that a particle leaves in one pixel."""
_LONGEST_TRACK_PX: Final = 8


def read_out(scenario: Scenario, light_e: NDArray[np.float32], exposure_s: float, frame: int) -> NDArray[np.uint16]:
    """One exposure as the camera stores it; shape (height, width). [ADU]

    From the electrons expected before any colour filter. Noise differs from one frame to the next, hot pixels do not.
    """
    camera = scenario.camera
    chance = generator(scenario, "camera", frame)
    expected = np.maximum(light_e, 0) * _colours(scenario) if camera.mosaic else np.maximum(light_e, 0)
    expected = expected + np.float32(camera.dark_e_per_s * exposure_s)
    _add_hot_pixels(scenario, expected, exposure_s)
    electrons = chance.poisson(expected).astype(np.float32)
    _add_particle_tracks(scenario, electrons, exposure_s, chance)
    np.minimum(electrons, np.float32(camera.full_well_e), out=electrons)
    electrons += np.float32(camera.read_noise_e) * chance.standard_normal(electrons.shape, dtype=np.float32)
    values = np.rint(electrons / np.float32(camera.gain_e_per_adu) + np.float32(camera.pedestal_adu))
    return np.clip(values, 0, 2**camera.bits - 1).astype(np.uint16)


def _colours(scenario: Scenario) -> NDArray[np.float32]:
    """Share of the light that each pixel's filter passes."""
    camera = scenario.camera
    tile = np.array([_COLOUR_SHARE[colour] for colour in camera.mosaic], dtype=np.float32).reshape(2, 2)
    return np.tile(tile, (camera.height // 2 + 1, camera.width // 2 + 1))[: camera.height, : camera.width]


def _add_hot_pixels(scenario: Scenario, expected: NDArray[np.float32], exposure_s: float) -> None:
    chance = generator(scenario, "hot pixels")
    places = chance.integers(0, expected.size, scenario.camera.hot_pixels)
    rates = _HOT_E_PER_S * np.exp(chance.standard_normal(len(places)))
    expected.ravel()[places] += (rates * exposure_s).astype(np.float32)


def _add_particle_tracks(
    scenario: Scenario, electrons: NDArray[np.float32], exposure_s: float, chance: np.random.Generator
) -> None:
    height, width = electrons.shape
    for _ in range(chance.poisson(scenario.camera.cosmic_rays_per_min * exposure_s / 60)):
        x, y, angle = chance.uniform(0, width), chance.uniform(0, height), chance.uniform(0, 2 * np.pi)
        steps: NDArray[Any] = np.arange(chance.integers(1, _LONGEST_TRACK_PX + 1))
        columns, rows = (x + steps * np.cos(angle)).astype(int), (y + steps * np.sin(angle)).astype(int)
        inside = (columns >= 0) & (columns < width) & (rows >= 0) & (rows < height)
        electrons[rows[inside], columns[inside]] += np.float32(_TRACK_E * chance.uniform(0.4, 2.5))
