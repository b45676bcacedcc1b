"""Ground: hills along the lower edge of the first frame, with lamps on them, which stay with the Earth.

A camera on a tripod sees them stand; one that is carried along with the sky sees them move and draws them out.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.simulate.chance import generator
from framecheck.simulate.mount import Attitude, attitude
from framecheck.simulate.scenario import Scenario
from framecheck.simulate.sky_path import Floats

_WAVES: Final = 40
_FALL: Final = 1.5
"""Waves of the hills' line, and the power of their number by which they grow lower. Chosen: as hills look."""
_STEP_PX: Final = 2.0
"""[px] Chosen: ground is drawn so often while it moves over the sensor."""
_MOST_STEPS: Final = 48
_ROUGH: Final = 0.35
"""Unevenness of the ground's light over its mean. Chosen."""
_LAMP_PX: Final = 3.0
"""[px] Standard deviation of a lamp's light on the sensor. Chosen: bloomed, in haze."""
_LAMP_E_PER_S: Final = 3000.0
"""[e/s] In a lamp's brightest pixel. Chosen: a hundred times a bright sky."""


def behind_ground(scenario: Scenario, light: NDArray[np.float32], stance: Attitude) -> float:
    """Hide the light of the sky behind ground, in place, and add the ground's own; the share of the sensor hidden."""
    if not scenario.ground.height:
        return 0.0
    first = attitude(scenario, np.zeros(1), frame=0, dither_arcsec=(0.0, 0.0))
    focal_px = scenario.optics.focal_length_mm * 1e3 / scenario.camera.pixel_um
    seen_e = scenario.ground.light * scenario.sky.brightness_e_per_s * scenario.plan.exposure_s
    hidden = np.zeros(light.shape, np.float32)
    own = np.zeros(light.shape, np.float32)
    moments = _moments(stance, focal_px)
    for moment in moments:
        x, y = _in_first_frame(light.shape, stance, moment, first, focal_px)
        here = y < np.interp(x, *_line_px(scenario))
        hidden += here
        own += here * (seen_e * _unevenness(x, y))
        _add_lamps(scenario, own, stance, moment, first, focal_px)
    hidden /= len(moments)
    light *= 1 - hidden
    light += own / np.float32(len(moments))
    return float(hidden.mean())


def _moments(stance: Attitude, focal_px: float) -> list[int]:
    """Moments of the exposure at which ground is drawn: more of them the further it moves."""
    n = len(stance.towards)
    moved_px = focal_px * float(np.linalg.norm(stance.towards[-1] - stance.towards[0]))
    count = min(_MOST_STEPS, n, 1 + int(moved_px / _STEP_PX))
    return [round(at) for at in (np.arange(count) + 0.5) / count * (n - 1)]


def _in_first_frame(
    shape: tuple[int, ...], stance: Attitude, moment: int, first: Attitude, focal_px: float
) -> tuple[Floats, Floats]:
    """Where the first frame saw what each pixel sees now: both see planes, so it is a ratio of linear forms."""
    height, width = shape
    across, up = np.arange(width) - (width - 1) / 2, np.arange(height)[:, None] - (height - 1) / 2
    towards, x_axis, y_axis = (at[moment] for at in (stance.towards, stance.x_axis, stance.y_axis))

    def along(axis: Floats) -> Floats:
        out: Floats = focal_px * (towards @ axis) + across * (x_axis @ axis) + up * (y_axis @ axis)
        return out

    depth = np.maximum(along(first.towards[0]), 1e-3 * focal_px)
    x = (width - 1) / 2 + focal_px * along(first.x_axis[0]) / depth
    y = (height - 1) / 2 + focal_px * along(first.y_axis[0]) / depth
    return x, y


def _line_px(scenario: Scenario) -> tuple[Floats, Floats]:
    """The hills' line in the first frame and far beyond its sides: x and y."""
    camera, ground = scenario.camera, scenario.ground
    waves = np.arange(1, _WAVES + 1)
    strength = waves**-_FALL
    phases = generator(scenario, "ground").uniform(0, 2 * np.pi, _WAVES)
    x = np.arange(-3 * camera.width, 4 * camera.width + 1, 2.0)
    line = np.cos(2 * np.pi * np.outer(x / (2 * camera.width), waves) + phases) @ strength
    return x, camera.height * (ground.height + ground.roughness * line / np.sqrt((strength**2).sum() / 2))


def _unevenness(x: Floats, y: Floats) -> Floats:
    """The ground's light over its mean: fields and woods of three sizes."""
    waves = sum(np.sin(x / size + 1.3 * y / size) * np.cos(1.7 * y / size - x / (2 * size)) for size in (5, 17, 60))
    out: Floats = np.maximum(1 + _ROUGH * waves, 0)
    return out


def _add_lamps(
    scenario: Scenario, own: NDArray[np.float32], stance: Attitude, moment: int, first: Attitude, focal_px: float
) -> None:
    """Add what lamps send at a moment, all exposure long."""
    height, width = own.shape
    rng = generator(scenario, "lamps")
    line_x, line_y = _line_px(scenario)
    half = round(4 * _LAMP_PX)
    for _ in range(scenario.ground.lamps):
        across = rng.uniform(0, width)
        up = np.interp(across, line_x, line_y) * rng.uniform(0.3, 0.9)
        place = (
            focal_px * first.towards[0]
            + (across - (width - 1) / 2) * first.x_axis[0]
            + (up - (height - 1) / 2) * first.y_axis[0]
        )
        depth = place @ stance.towards[moment]
        x = (width - 1) / 2 + focal_px * (place @ stance.x_axis[moment]) / depth
        y = (height - 1) / 2 + focal_px * (place @ stance.y_axis[moment]) / depth
        if depth <= 0 or not (half < x < width - half and half < y < height - half):
            continue
        column, row = round(x), round(y)
        rows, columns = (np.arange(at - half, at + half + 1) for at in (row, column))
        spread = np.exp(-((rows[:, None] - y) ** 2 + (columns - x) ** 2) / (2 * _LAMP_PX**2))
        peak_e = _LAMP_E_PER_S * scenario.plan.exposure_s
        own[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1] += peak_e * spread
