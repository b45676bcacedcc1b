"""Where the sky is lit by more than stars is told from the spread of its pixels, and noise alone does not tell so."""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from framecheck.read.exposure import Exposure, Frame
from framecheck.sky import measure_finely, measure_sky


def frame_of(light: NDArray[np.floating], seed: int = 1) -> Frame:
    """Light with noise of 20 ADU, as stored."""
    noisy = light + np.random.default_rng(seed).normal(0, 20, light.shape)
    exposure = Exposure(file=Path("frame.fits"), kind="light", width_px=light.shape[1], height_px=light.shape[0])
    return Frame(exposure=exposure, pixels=np.rint(noisy).astype(np.uint16))


def test_noise_on_a_slope_is_even() -> None:
    assert measure_sky(frame_of(1000 + np.arange(2600) / 10 + np.zeros((2600, 1)))).uneven_share < 0.005


def test_a_patch_of_waves_is_uneven_and_followed_by_a_finer_mesh() -> None:
    y, x = np.mgrid[:640, :640]
    waves = 80 * np.sin(2 * np.pi * x / 120) * ((x > 200) & (x < 420) & (y > 200) & (y < 420))
    frame = frame_of(1000 + waves)
    sky = measure_sky(frame)
    assert sky.uneven_at(np.array([310.0, 60.0]), np.array([310.0, 60.0])).tolist() == [True, False]
    fine = measure_finely(frame, sky, 16)
    assert np.abs(sky.level_and_noise_at(np.array([310.0]), np.array([310.0]))[1] / 20 - 1) < 0.05
    crests = np.array([270.0, 390.0])
    assert (fine.level_at(crests, np.full(2, 310.0)) - sky.level_at(crests, np.full(2, 310.0)) > 25).all()
