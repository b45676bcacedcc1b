"""The level at which the camera clips."""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.read.exposure import Frame

CONVERTER_TOPS: Final = tuple(
    top for bits in (8, 10, 12, 14, 16) for top in {2**bits - 1, (2**bits - 1) * 2 ** (16 - bits)}
)
"""Highest counts of converters of so many bits, as they are and shifted up to 16. [ADU] Closed form; that cameras
shift is common practice, no source."""

HEAP: Final = 0.01
"""Height of the heap of full wells below the top, over the top. [dimensionless] Chosen: some ten read noises."""

LEAST_HEAP: Final = 30
"""Pixels that make such a heap. Chosen: the cores of a few stars; unclipped ones put two or three there."""

MOST_HEAP: Final = 0.02
"""Share of the pixels above which it is no heap of stars but the sky itself. Chosen."""

PILED_UP: Final = 4
"""Pixels at the very top of the frame that make it a ceiling. Chosen: noise does not make four equal maxima."""


def clip_level(frame: Frame, given_adu: float | None) -> float | None:
    """Level at and above which a pixel is clipped; None if nothing says that any is. [ADU]

    A level that the rig file or the header gives wins, unless the pixels pile up below it.
    """
    pixels = frame.pixels
    whole = pixels.dtype == np.uint16
    by_row = pixels.max(axis=1) if whole else np.fmax.reduce(pixels, axis=1)
    top = float(np.nanmax(by_row))
    rows = pixels[by_row >= (1 - 3 * HEAP) * top]
    high = rows[rows >= _in_units_of(pixels, (1 - 3 * HEAP) * top)]
    full = _full_wells(high, top, pixels.size)
    if full is not None:
        ceiling: float | None = full
    elif not whole:
        known = 1.0 if top <= 1.0 else None
        piled = bool(np.count_nonzero(high == np.float32(top)) >= PILED_UP)
        ceiling = known if known is not None and top == 1.0 else top if piled else None
    else:
        piled = top in CONVERTER_TOPS or bool(np.count_nonzero(high == top) >= PILED_UP)
        ceiling = top if piled else None
    if given_adu is None or given_adu <= 0:
        return ceiling
    return given_adu if ceiling is None else min(given_adu, ceiling)


def _in_units_of(pixels: NDArray[Any], level: float) -> Any:
    """A level rounded up to a number of the pixels' own kind, which is quicker to compare them with."""
    return np.uint16(np.ceil(level)) if pixels.dtype == np.uint16 else np.float32(level)


def _full_wells(high: NDArray[Any], top: float, n_pixels: int) -> float | None:
    """Lower end of a heap of pixels close below the top: wells that are full before the converter is, read with noise.

    Cores of bright stars thin out towards the top; a ceiling that read noise blurs heaps them up.
    """
    heap = high[high >= (1 - HEAP) * top]
    below = len(high) - len(heap)
    if len(heap) < LEAST_HEAP or len(heap) < 4 * max(below, 1) or len(heap) > MOST_HEAP * n_pixels:
        return None
    return float(np.percentile(heap, 1))
