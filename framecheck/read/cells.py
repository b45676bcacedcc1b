"""Pixels added up into square cells."""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]

ROWS_TOGETHER: Final = 64
"""Rows of cells added up together: they stay in the processor's cache. Chosen by timing."""


_ROWS_OF_WORDS: Final = 8
"""And where each is looked at several times on the way. Chosen by timing."""


def mean_cells(pixels: NDArray[Any], cell: int) -> F32:
    """Mean over cells of `cell` x `cell` pixels; undefined pixels count as the lowest of their cell's row."""
    if cell == 1:
        return pixels.astype(np.float32)
    n_y, n_x = pixels.shape[0] // cell, pixels.shape[1] // cell
    out = np.empty((n_y, n_x), np.float32)
    sums = np.empty((ROWS_TOGETHER, n_x), sum_type(pixels.dtype))
    for top in range(0, n_y, ROWS_TOGETHER):
        band = out[top : top + ROWS_TOGETHER]
        sum_cells(pixels[top * cell : (top + len(band)) * cell, : n_x * cell], cell, sums[: len(band)])
        np.multiply(sums[: len(band)], np.float32(1 / cell**2), out=band, casting="same_kind")
    return out


def sum_type(stored: np.dtype[Any]) -> type[np.int32] | type[np.float32]:
    """Type that holds such sums."""
    return np.int32 if stored == np.uint16 else np.float32


def sum_cells(pixels: NDArray[Any], cell: int, out: NDArray[Any]) -> None:
    """Pixels added up over cells of `cell` x `cell`, which divide them evenly."""
    if pixels.dtype == np.uint16 and cell == 2 and pixels.strides[1] == 2 and pixels.strides[0] % 4 == 0:
        # Neighbours in a row are read as one 32-bit word; a word less 65535 times its upper half is the sum of both
        # halves, and what goes over 32 bits on the way comes back.
        words = pixels.view(np.uint32)
        for top in range(0, len(out), _ROWS_OF_WORDS):
            total = out[top : top + _ROWS_OF_WORDS].view(np.uint32)
            upper, lower = (words[2 * top + below :: 2][: len(total)] for below in (0, 1))
            halves = np.right_shift(upper, np.uint32(16))
            halves += np.right_shift(lower, np.uint32(16))
            halves *= np.uint32(65535)
            np.add(upper, lower, out=total)
            total -= halves
        return
    total = pixels[0::cell].astype(out.dtype)
    for offset in range(1, cell):
        total += pixels[offset::cell]
    out[...] = total[:, 0::cell]
    for offset in range(1, cell):
        out += total[:, offset::cell]
