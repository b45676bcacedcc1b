"""Sky light: glow, moon, cloud and dew, and what crosses the field."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.simulate.chance import generator
from framecheck.simulate.scenario import Cloud, Scenario

_CLOUD_GLOW: Final = 0.4
"""[dimensionless] Chosen: near a town, a cloud that takes all starlight raises the sky level by this share."""
_MOST_DEW: Final = 0.6
"""[dimensionless] Chosen: with more of the light scattered, nobody would go on."""
_CROSSING_E_PER_PX: Final = 900.0
"""[e/px] Chosen: a satellite leaves this much along each pixel of its way."""
_CROSSING_SIGMA_PX: Final = 1.1
_RISE_SLOPE: Final = 0.3
"""[dimensionless] Chosen: moonlight and twilight change by this share of themselves over the sensor."""


def sky_light(scenario: Scenario, frame: int, airmass: float) -> NDArray[np.float32]:
    """Sky in each pixel, shape (height, width). [e/s]"""
    sky, camera = scenario.sky, scenario.camera
    level = sky.brightness_e_per_s * airmass**0.5 * (1 + _CLOUD_GLOW * cloud_share(scenario, frame))
    level *= 1 - dew_share(scenario, frame) / 2  # what dew scatters is lost to the stars but in part still sky
    rise = _rise(scenario, frame)
    angle = np.radians(sky.gradient_deg)
    x = np.linspace(-0.5, 0.5, camera.width, dtype=np.float32)[None, :]
    y = np.linspace(-0.5, 0.5, camera.height, dtype=np.float32)[:, None]
    ramp = x * np.float32(np.cos(angle)) + y * np.float32(np.sin(angle))
    slope = level * sky.gradient_percent / 100 + _RISE_SLOPE * rise
    return np.float32(level + rise) + np.float32(slope) * ramp


def _rise(scenario: Scenario, frame: int) -> float:
    """What moon and twilight add to the sky level. [e/s]"""
    sky, cadence = scenario.sky, scenario.plan.cadence_s
    rise = 0.0
    if 0 <= sky.moon_rise_frame <= frame:
        rise += sky.moon_e_per_s_per_hour * (frame - sky.moon_rise_frame) * cadence / 3600
    if 0 <= sky.twilight_frame <= frame:
        minutes = (frame - sky.twilight_frame) * cadence / 60
        rise += sky.brightness_e_per_s * (2 ** (minutes / sky.twilight_doubling_min) - 1)
    return rise


def transparency(scenario: Scenario, frame: int, airmass: float) -> float:
    """Share of the starlight that arrives."""
    clear = 10 ** (-0.4 * scenario.sky.extinction_mag * airmass)
    return float(clear * (1 - cloud_share(scenario, frame)) * (1 - dew_share(scenario, frame) / 2))


def cloud_share(scenario: Scenario, frame: int) -> float:
    """Share of the starlight that clouds take away."""
    passing = 1.0
    for number, cloud in enumerate(scenario.sky.clouds):
        passing *= 1 - _depth(scenario, cloud, number, frame)
    return 1 - passing


def dew_share(scenario: Scenario, frame: int) -> float:
    """Share of the light that dew scatters."""
    first = scenario.optics.dew_from_frame
    if first < 0 or frame < first:
        return 0.0
    return min(_MOST_DEW, scenario.optics.dew_per_hour * (frame - first) * scenario.plan.cadence_s / 3600)


def crossing_light(scenario: Scenario, frame: int) -> NDArray[np.float32] | np.float32:
    """The straight line of a satellite, shape (height, width); 0 if there is none. [e]"""
    if frame not in scenario.sky.satellite_frames:
        return np.float32(0)
    camera = scenario.camera
    chance = generator(scenario, "satellite", frame)
    angle = chance.uniform(0, np.pi)
    middle_x, middle_y = camera.width * chance.uniform(0.3, 0.7), camera.height * chance.uniform(0.3, 0.7)
    x = np.arange(camera.width, dtype=np.float32)[None, :] - np.float32(middle_x)
    y = np.arange(camera.height, dtype=np.float32)[:, None] - np.float32(middle_y)
    distance = (x * np.float32(np.sin(angle)) - y * np.float32(np.cos(angle))) / np.float32(_CROSSING_SIGMA_PX)
    peak = _CROSSING_E_PER_PX / (_CROSSING_SIGMA_PX * np.sqrt(2 * np.pi))
    line: NDArray[np.float32] = np.float32(peak) * np.exp(-(distance**2) / 2)
    return line


def _depth(scenario: Scenario, cloud: Cloud, number: int, frame: int) -> float:
    if not cloud.first <= frame <= cloud.last:
        return 0.0
    return float(cloud.depth * generator(scenario, "cloud", number, frame).uniform(0.8, 1.0))
