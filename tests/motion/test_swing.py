"""Swings beside a slow path: those of a gear have a direction and an order, those of air and dithers have none."""

import numpy as np
import pytest
from test_drift import motion

from framecheck.motion.swing import swing_of

MINUTES = np.arange(24) * 1.5
CHANCE = np.random.default_rng(3)


def swinging(along: np.ndarray, direction_deg: float = 35.0, noise_px: float = 0.05) -> np.ndarray:
    turn = np.radians(direction_deg)
    place = np.outer(along, [np.cos(turn), np.sin(turn)])
    return place + noise_px * CHANCE.standard_normal(place.shape)


def test_a_gear_s_swing_has_the_gear_s_direction_and_an_order() -> None:
    found = swing_of(motion(swinging(3 * np.sin(2 * np.pi * MINUTES / 15)), minutes=MINUTES))
    assert found is not None
    assert np.degrees(found.angle_rad) % 180 == pytest.approx(35, abs=3)
    assert found.along_px == pytest.approx(3 / np.sqrt(2), rel=0.15)  # rms of a sine
    assert found.straight > 10
    assert found.smooth_sigma > 2.5


def test_air_alone_has_neither() -> None:
    found = swing_of(motion(0.3 * CHANCE.standard_normal((24, 2)), minutes=MINUTES))
    assert found is not None
    assert found.straight < 3
    assert found.smooth_sigma < 2.5


def test_the_path_of_an_axis_beside_the_pole_bends_and_is_no_swing() -> None:
    # stars circle the wrong pole: P (sin dec sin h, cos h) against the sky (closed form); half a degree
    hour = np.radians(20 + MINUTES / 4)
    circle = 1500.0 * np.column_stack([np.sin(np.radians(35)) * np.sin(hour), np.cos(hour)])
    found = swing_of(motion(circle + 0.05 * CHANCE.standard_normal((24, 2)), minutes=MINUTES))
    assert found is not None
    assert found.along_px < 0.1


def test_frames_that_were_knocked_aside_are_no_gear_s_swing() -> None:
    # two of a dozen, along the drift, on the path of an axis two degrees off; the axes are known by no plate solution
    minutes = MINUTES[:12]
    hour = np.radians(20 + minutes / 4)
    place = 800.0 * np.column_stack([np.sin(np.radians(12)) * np.sin(hour), np.cos(hour)])
    place += 0.005 * CHANCE.standard_normal(place.shape)
    along = (place[-1] - place[0]) / np.hypot(*(place[-1] - place[0]))
    place[3] -= 0.2 * along
    place[8] += 0.7 * along
    found = swing_of(motion(place, minutes=minutes))
    assert found is not None
    assert found.along_px < 0.02


def test_a_short_swing_stays_one() -> None:
    minutes = MINUTES[:12]
    found = swing_of(motion(swinging(0.8 * np.sin(2 * np.pi * minutes / 8), noise_px=0.02), minutes=minutes))
    assert found is not None
    assert np.degrees(found.angle_rad) % 180 == pytest.approx(35, abs=3)
    assert found.straight > 10


def test_few_frames_have_no_swing() -> None:
    assert swing_of(motion(np.zeros((4, 2)), minutes=MINUTES[:4])) is None
