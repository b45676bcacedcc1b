"""Level and noise of pixels that saw no light, against what they were drawn with."""

from pathlib import Path

import numpy as np
import pytest

from framecheck.read.exposure import Exposure, Frame
from framecheck.read.unlit import level_and_noise, measure_unlit, noise_of_pair

NOISE = 3.2


def a_bias(seed: int, level: float = 512.3, pattern: float = 2.0, shape: tuple[int, int] = (400, 500)) -> np.ndarray:
    """Readout noise over a pattern that stays from frame to frame, with hot pixels."""
    fixed = np.random.default_rng(0).normal(0, pattern, shape)
    hot = np.random.default_rng(1).random(shape) < 0.003
    rng = np.random.default_rng(seed)
    return np.rint(level + fixed + 4000 * hot + rng.normal(0, NOISE, shape)).astype(np.uint16)


def unlit(pixels: np.ndarray):
    exposure = Exposure(file=Path("bias.fits"), kind="bias", width_px=pixels.shape[1], height_px=pixels.shape[0])
    return measure_unlit(Frame(exposure=exposure, pixels=pixels))


def test_the_level_is_finer_than_whole_numbers() -> None:
    assert unlit(a_bias(2)).level_adu == pytest.approx(512.3, abs=0.05)


def test_pairs_tell_the_noise_of_reading_alone() -> None:
    # closed form: the difference of two frames has twice the variance of one, and no fixed pattern (textbook)
    one, two = unlit(a_bias(2)), unlit(a_bias(3))
    assert noise_of_pair(one, two) == pytest.approx(NOISE, rel=0.04)
    assert one.noise_adu == pytest.approx(np.hypot(NOISE, 2.0), rel=0.02)


def test_frames_of_other_sizes_are_no_pair() -> None:
    assert noise_of_pair(unlit(a_bias(2)), unlit(a_bias(3, shape=(300, 500)))) is None


def test_quiet_cameras_are_not_lost_in_rounding() -> None:
    rng = np.random.default_rng(4)
    level, noise = level_and_noise(np.rint(rng.normal(100, 0.8, (300, 300))).astype(np.uint16))
    assert level == pytest.approx(100, abs=0.05)
    assert noise == pytest.approx(0.8, rel=0.03)


def test_undefined_pixels_tell_nothing() -> None:
    assert np.isnan(level_and_noise(np.full((20, 20), np.nan, np.float32))).all()
