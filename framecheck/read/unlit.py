"""Pixels that saw no light: bias and dark frames, and the overscan of any frame, in a few numbers."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import PIXEL_VARIANCE_PX2, SURE_SIGMA
from framecheck.read.exposure import Frame

SAMPLE_SIDE: Final = 64
"""Rows and columns at whose crossings pixels are kept. Chosen: the noise of a pair of frames comes out to 1.1 %
(closed form, 1 / sqrt(2 n)), in 8 kB."""
_ROWS: Final = 256
"""Rows looked at, about. Chosen: whole rows are quickly read."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Unlit:
    """A frame that saw no light."""

    level_adu: float
    """Of the typical pixel. [ADU]"""
    noise_adu: float
    """Of one pixel against those two beside it, differences that stay from frame to frame included. [ADU]"""
    sample: NDArray[np.float32]
    """Pixels at fixed places, to compare with another frame. [ADU]"""


def measure_unlit(frame: Frame) -> Unlit:
    """Measure a bias or dark frame."""
    down, along = (max(1, n // SAMPLE_SIDE) for n in frame.pixels.shape)
    level, noise = level_and_noise(frame.pixels)
    sample = frame.pixels[down // 2 :: down, along // 2 :: along].astype(np.float32)
    return Unlit(level_adu=level, noise_adu=noise, sample=sample)


def level_and_noise(pixels: NDArray[Any]) -> tuple[float, float]:
    """Level of the typical pixel of an unlit area, and noise of one; NaN where none is defined. [ADU]

    Pixels are compared with those two beside them, which are of the same colour in a mosaic and of the same column of
    an amplifier in none; slopes and steps of the level do not count.
    """
    lines = pixels[:: max(1, len(pixels) // _ROWS)].astype(np.float32)
    values = np.sort(lines[np.isfinite(lines)])
    if not values.size:
        return np.nan, np.nan
    middle = values[values.size // 4 : values.size - values.size // 4]  # its mean is finer than whole numbers
    return float(middle.mean(dtype=float)), noise_of_differences(lines[:, 2:] - lines[:, :-2], pixels.dtype)


def noise_of_pair(one: Unlit, other: Unlit) -> float | None:
    """Noise of reading one pixel, from what two frames do not have in common; None if they do not fit. [ADU]"""
    if one.sample.shape != other.sample.shape:
        return None
    whole = np.dtype(np.uint16) if (one.sample % 1 == 0).all() else one.sample.dtype
    noise = noise_of_differences(one.sample - other.sample, whole)
    return noise if np.isfinite(noise) else None


def noise_of_differences(differences: NDArray[np.float32], stored: np.dtype[Any]) -> float:
    """Noise of one pixel from differences of two, that of rounding to whole numbers taken out. [ADU]"""
    values = differences[np.isfinite(differences)].astype(float)
    if values.size < 2:
        return np.nan
    limit = np.inf
    for _ in range(5):
        kept = values[np.abs(values) <= limit]
        limit = SURE_SIGMA * max(float(kept.std()), 0.5)
    rounding = PIXEL_VARIANCE_PX2 if np.issubdtype(stored, np.integer) else 0.0
    return float(np.sqrt(max(kept.var() / 2 - rounding, 0.0)))
