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


def test_few_frames_have_no_swing() -> None:
    assert swing_of(motion(np.zeros((4, 2)), minutes=MINUTES[:4])) is None
