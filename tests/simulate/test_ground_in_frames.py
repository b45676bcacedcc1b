"""Ground in view stays with the Earth: on a tripod it stands, on a tracker it moves as the sky would."""

from dataclasses import replace

import numpy as np
import pytest

from framecheck.simulate.ground import behind_ground
from framecheck.simulate.mount import attitude
from framecheck.simulate.scenario import (
    Camera,
    Mount,
    Scenario,
    SceneGround,
    SceneOptics,
    ScenePlan,
    SceneSky,
    Site,
    Target,
)

WIDE = Scenario(
    site=Site(pressure_hpa=0),
    target=Target(dec_deg=10.0, stars=1),
    optics=SceneOptics(focal_length_mm=50.0, aperture_mm=18.0),
    camera=Camera(width=360, height=240, pixel_um=4.3),
    mount=Mount(kind="fixed"),
    sky=SceneSky(brightness_e_per_s=40.0),
    ground=SceneGround(height=0.4, roughness=0.08, lamps=0),
    plan=ScenePlan(exposure_s=2.0, cadence_s=20.0, frames=3),
)


def line_px(scenario: Scenario, frame: int) -> np.ndarray:
    """Height of the ground's line in each column: rows darker than half the sky's light."""
    times = frame * scenario.plan.cadence_s + np.linspace(0, scenario.plan.exposure_s, 16)
    light = np.full((scenario.camera.height, scenario.camera.width), 80.0, np.float32)
    share = behind_ground(scenario, light, attitude(scenario, times, frame=frame, dither_arcsec=(0.0, 0.0)))
    dark = light < 0.75 * 80
    assert share == pytest.approx(dark.mean(), abs=0.02)
    return dark.sum(axis=0)


def test_ground_stands_under_a_tripod() -> None:
    first, last = line_px(WIDE, 0), line_px(WIDE, 2)
    assert first.mean() == pytest.approx(0.4 * 240, abs=25)
    np.testing.assert_array_equal(first, last)
    assert line_px(replace(WIDE, ground=SceneGround(height=0.0)), 0).sum() == 0


def test_ground_moves_under_a_tracker_as_fast_as_the_sky() -> None:
    # omega cos(dec) t, closed form: 40 s from the first frame to the third
    tracker = replace(WIDE, mount=Mount(kind="equatorial"))
    first, last = line_px(tracker, 0), line_px(tracker, 2)
    expected = 15.041067 * np.cos(np.radians(10)) * 40 / tracker.scale_arcsec
    shifts = np.arange(-60, 61)
    misfit = [
        np.std((last - np.roll(first, shift))[60:-60]) for shift in shifts
    ]  # its height changes too, by the turning of the field
    assert abs(shifts[int(np.argmin(misfit))]) == pytest.approx(expected, abs=2)
