"""Peaks of light: local maxima of the frame, added up into cells about as wide as half a star."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.sky.model import Sky

F32 = NDArray[np.float32]

BAND_CELLS: Final = 64
"""Rows of cells looked at together: they stay in the processor's cache. Chosen by timing."""


@dataclass(frozen=True, slots=True)
class Peaks:
    """Local maxima, brightest first."""

    x: F32
    y: F32
    """Centre of the brightest cell, shape (n,). [px]"""
    height: F32
    """Mean level of that cell above the sky. [ADU]"""

    def __len__(self) -> int:
        return len(self.x)


@dataclass(frozen=True, slots=True)
class LonePixels:
    """Pixels that stand alone, hot ones or hit by a particle, shape (n,) each."""

    row: NDArray[np.intp]
    column: NDArray[np.intp]
    excess: F32
    """Height above the pixels around. [ADU]"""

    def __len__(self) -> int:
        return len(self.row)

    def and_more(self, other: "LonePixels") -> "LonePixels":
        """Both together."""
        return LonePixels(
            np.concatenate([self.row, other.row]),
            np.concatenate([self.column, other.column]),
            np.concatenate([self.excess, other.excess]),
        )


def find_peaks(pixels: NDArray[Any], sky: Sky, cell: int, sigmas: float, lone: LonePixels | None = None) -> Peaks:
    """Find cells that stand out of the sky and above their eight neighbours.

    Parameters
    ----------
    pixels : ndarray, shape (height, width)
        The frame, uint16 or float32.
    sky : Sky
    cell : int
        Side of a cell. [px]
    sigmas : float
        How far a cell must stand above the sky, in units of the noise of a cell's mean.
    lone : LonePixels, optional
        Pixels that count only as much as those around them.

    Returns
    -------
    Peaks
    """
    height, width = pixels.shape
    n_y, n_x = height // cell, width // cell
    threshold = float(sigmas * np.median(sky.noise_adu) / cell)
    centre = (cell - 1) / 2
    rows, columns, heights = [], [], []
    for top in range(0, n_y, BAND_CELLS):
        first, last = max(top - 1, 0), min(top + BAND_CELLS + 1, n_y)
        band = mean_cells(pixels[first * cell : last * cell, : n_x * cell], cell)
        if lone is not None:
            here = (lone.row // cell >= first) & (lone.row // cell < last) & (lone.column // cell < n_x)
            place = lone.row[here] // cell - first, lone.column[here] // cell
            np.subtract.at(band, place, lone.excess[here] / np.float32(cell**2))
        # The band's lowest sky picks the cells worth a look; each is then held against the sky at its own place.
        ends = np.array([first, (first + last - 1) / 2, last - 1]) * cell + centre
        row, column, value = _maxima(band, sky.rows(ends, n_x, cell).min(axis=0) + threshold)
        value = value - sky.level_at(column * cell + centre, (row + first) * cell + centre)
        own = (row + first >= top) & (row + first < top + BAND_CELLS) & (value > threshold)
        rows.append(row[own] + first)
        columns.append(column[own])
        heights.append(value[own])
    value = np.concatenate(heights)
    order = np.argsort(-value, kind="stable")
    return Peaks(
        x=(np.concatenate(columns)[order] * cell + centre).astype(np.float32),
        y=(np.concatenate(rows)[order] * cell + centre).astype(np.float32),
        height=value[order],
    )


def without_lone_pixels(pixels: NDArray[Any], sky: Sky, peaks: Peaks, cell: int) -> tuple[Peaks, LonePixels]:
    """Peaks less those whose light is, beyond doubt, in one pixel, and these pixels: a quick look.

    Of the pixels around, the brightest is not asked: it may be another such pixel.
    """
    side = 2 * cell
    height, width = pixels.shape
    nothing = LonePixels(np.zeros(0, np.intp), np.zeros(0, np.intp), np.zeros(0, np.float32))
    if not len(peaks) or min(height, width) < side:
        return peaks, nothing
    left = np.clip(np.floor(peaks.x - cell / 2).astype(np.intp), 0, width - side)
    top = np.clip(np.floor(peaks.y - cell / 2).astype(np.intp), 0, height - side)
    windows = np.lib.stride_tricks.sliding_window_view(pixels, (side, side))
    level, noise = sky.level_at(peaks.x, peaks.y), sky.noise_at(peaks.x, peaks.y)
    lone, at, excess = np.zeros(len(peaks), bool), np.zeros(len(peaks), np.intp), np.zeros(len(peaks), np.float32)
    size = max(256, 300_000 // side**2)
    for i in range(0, len(peaks), size):
        part = slice(i, i + size)
        light = windows[top[part], left[part]].reshape(-1, side * side).astype(np.float32) - level[part, None]
        at[part] = light.argmax(axis=1)
        second, highest = np.partition(light, -2, axis=1)[:, -2:].T
        others = light.sum(axis=1) - highest - np.maximum(second, 0)
        # Even a star of 1.3 px FWHM has as much again beside its brightest pixels; two standard errors for the doubt.
        lone[part] = others + 2 * np.sqrt(side * side - 2) * noise[part] < 0.4 * highest
        excess[part] = highest - others / (side * side - 2)
    pixels_alone = LonePixels((top + at // side)[lone], (left + at % side)[lone], excess[lone])
    return Peaks(peaks.x[~lone], peaks.y[~lone], peaks.height[~lone]), pixels_alone


def mean_cells(pixels: NDArray[Any], cell: int) -> F32:
    """Mean over cells of `cell` x `cell` pixels; undefined pixels count as the lowest of their cell's row."""
    if cell == 1:
        return pixels.astype(np.float32)
    if pixels.dtype == np.uint16 and cell == 2 and pixels.strides[1] == 2 and pixels.shape[1] % 2 == 0:
        return _mean_of_four(pixels)
    n_y, n_x = pixels.shape[0] // cell, pixels.shape[1] // cell
    wide = np.uint32 if pixels.dtype == np.uint16 else np.float32
    total = np.zeros((n_y, n_x * cell), dtype=wide)
    for offset in range(cell):
        total += pixels[offset : n_y * cell : cell, : n_x * cell]
    out = np.zeros((n_y, n_x), dtype=np.float32)
    for offset in range(cell):
        out += total[:, offset::cell]
    out *= np.float32(1 / cell**2)
    return out


def _mean_of_four(pixels: NDArray[np.uint16]) -> F32:
    """Mean over 2 x 2 cells: neighbours in a row are read as one 32-bit word and split by shifts."""
    words = pixels.view(np.uint32)
    upper, lower = words[0::2], words[1 : 2 * (len(words) // 2) : 2]
    total = upper & np.uint32(0xFFFF)
    total += upper >> np.uint32(16)
    total += lower & np.uint32(0xFFFF)
    total += lower >> np.uint32(16)
    out = total.astype(np.float32)
    out *= np.float32(0.25)
    return out


def _maxima(band: F32, threshold: F32) -> tuple[NDArray[np.intp], NDArray[np.intp], F32]:
    """Cells above their column's threshold and above their neighbours; of equal neighbours the first counts."""
    n_y, n_x = band.shape
    flat = band.ravel()
    bright = np.flatnonzero(band > threshold)
    row, column = bright // n_x, bright % n_x
    value = flat[bright]
    for down, right in ((0, -1), (-1, 0), (0, 1), (1, 0), (-1, -1), (-1, 1), (1, -1), (1, 1)):
        beside_row = np.clip(row + down, 0, n_y - 1)
        beside_column = np.clip(column + right, 0, n_x - 1)
        around = flat[beside_row * n_x + beside_column]
        beyond = (beside_row != row + down) | (beside_column != column + right)
        earlier = down < 0 or (down == 0 and right < 0)
        keep = beyond | ((value > around) if earlier else (value >= around))
        row, column, value = row[keep], column[keep], value[keep]
    return row, column, value
