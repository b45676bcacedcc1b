"""Peaks of light: local maxima of the frame, added up into cells about as wide as half a star."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.read.cells import ROWS_TOGETHER, sum_cells, sum_type
from framecheck.sky.model import Sky
from framecheck.stars.order import brightest_first
from framecheck.stars.stamps import together, windows_at

F32 = NDArray[np.float32]


PEAK_SIGMA: Final = 4.0
"""A cell this far above the sky is looked at. [sigma of a cell] Chosen: a star of SNR 10 passes at every width."""


@dataclass(frozen=True, slots=True)
class Peaks:
    """Local maxima, brightest first."""

    x: F32
    y: F32
    """Top of a parabola through the brightest cell and those beside it, shape (n,). [px]"""
    height: F32
    """Mean level of that cell above the sky. [ADU]"""

    def __len__(self) -> int:
        return len(self.x)

    def in_view(self, sky: Sky) -> "Peaks":
        """Those that no ground hides: what shines on it is lamps and windows."""
        if sky.ground is None:
            return self
        clear = ~sky.ground.cover.at(self.x, self.y)
        return Peaks(self.x[clear], self.y[clear], self.height[clear])


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


def find_peaks(pixels: NDArray[Any], sky: Sky, cell: int, lone: LonePixels | None = None) -> Peaks:
    """Find cells that stand out of the sky and above their eight neighbours.

    Pixels that stand alone count only as much as those around them.
    """
    height, width = pixels.shape
    n_y, n_x = height // cell, width // cell
    threshold = float(PEAK_SIGMA * np.median(sky.noise_adu) / cell)
    places, sums, offsets = [], [], []
    # A border lower than any cell spares asking whether a neighbour exists.
    border = np.iinfo(np.int32).min if pixels.dtype == np.uint16 else -np.inf
    band = np.full((ROWS_TOGETHER + 2, n_x + 2), border, sum_type(pixels.dtype))
    bounds = [(max(top - 1, 0), min(top + ROWS_TOGETHER + 1, n_y)) for top in range(0, n_y, ROWS_TOGETHER)]
    # The band's lowest sky picks the cells worth a look; each is then held against the sky at its own place.
    lowest = _lowest_sky(sky, np.array(bounds) * cell, n_x, cell) + np.float32(threshold)
    least = np.pad(lowest * np.float32(cell**2), ((0, 0), (1, 1))).astype(band.dtype)
    for number, (first, last) in enumerate(bounds):
        top = number * ROWS_TOGETHER
        inner = band[first - top + 1 : last - top + 1, 1:-1]
        sum_cells(pixels[first * cell : last * cell, : n_x * cell], cell, inner)
        band[last - top + 1 :] = border
        if lone is not None:
            row, column = lone.row // cell - first, lone.column // cell
            here = (row >= 0) & (row < len(inner)) & (column < n_x)
            np.subtract.at(inner, (row[here], column[here]), lone.excess[here].astype(inner.dtype))
        place = _maxima(band, least[number])
        sums.append(band.ravel()[place])
        places.append(place + top * (n_x + 2))
        offsets.append([_within_cell(band.ravel(), place, beside, border) for beside in (1, n_x + 2)])
    row, column = np.divmod(np.concatenate(places), n_x + 2)
    x, y = (
        (at.astype(np.float32) - 1 + offset) * cell + np.float32((cell - 1) / 2)
        for at, offset in zip((column, row), np.concatenate(offsets, axis=1), strict=True)
    )
    value = np.concatenate(sums).astype(np.float32) * np.float32(1 / cell**2) - sky.level_at(x, y)
    order = np.flatnonzero(value > threshold)
    order = order[brightest_first(value[order])]
    return Peaks(x[order], y[order], value[order])


def _within_cell(flat: NDArray[Any], place: NDArray[np.intp], beside: int, border: float) -> F32:
    """Where a parabola through a maximum and its neighbours on either side is highest. [cells from the middle one]"""
    before, here, after = (flat[place + step].astype(np.float32) for step in (-beside, 0, beside))
    bend = 2 * here - before - after
    inner = (before != border) & (after != border) & (bend > 0)
    return np.where(inner, (after - before) / np.where(inner, 2 * bend, 1), np.float32(0)).astype(np.float32)


def _lowest_sky(sky: Sky, bounds: NDArray[np.intp], n_x: int, cell: int) -> F32:
    """A level that the sky between image rows nowhere falls below, for each column of cells.

    It is linear between the centres of meshes, so that it is lowest at one of them, or at an end. Shape (n_bands, n_x),
    for bounds of shape (n_bands, 2).
    """
    x = np.arange(n_x) * cell + (cell - 1) / 2
    rows = np.unique(np.concatenate([bounds.ravel(), sky.y_centres]))
    columns = np.unique(np.concatenate([x[[0, -1]], sky.x_centres]))
    level = sky.crossings(rows, columns)
    first, last = np.searchsorted(rows, bounds).T
    lowest = [np.interp(x, columns, level[i : j + 1].min(axis=0)) for i, j in zip(first, last, strict=True)]
    return np.array(lowest, np.float32)


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
    level, noise = sky.level_and_noise_at(peaks.x, peaks.y)
    lone, at, excess = np.zeros(len(peaks), bool), np.zeros(len(peaks), np.intp), np.zeros(len(peaks), np.float32)
    for part in together(len(peaks), side**2, 256):
        light = windows_at(pixels, left[part], top[part], side).astype(np.float32)
        light -= level[part, None]
        total, highest = light @ np.ones(side * side, np.float32), light.max(axis=1)
        # Even a star of 1.3 px FWHM has as much again beside its brightest pixels; two standard errors for the doubt.
        doubt = 2 * np.sqrt(side * side - 2) * noise[part]
        asked = np.flatnonzero(total - 2 * highest + doubt < 0.4 * highest)  # the second is no higher than the first
        second = np.maximum(np.sort(light[asked], axis=1)[:, -2], 0)
        others = total[asked] - highest[asked] - second
        alone = others + doubt[asked] < 0.4 * highest[asked]
        single, others = asked[alone], others[alone]
        lone[part.start + single], at[part.start + single] = True, light[single].argmax(axis=1)
        excess[part.start + single] = highest[single] - others / (side * side - 2)
    pixels_alone = LonePixels((top + at // side)[lone], (left + at % side)[lone], excess[lone])
    return Peaks(peaks.x[~lone], peaks.y[~lone], peaks.height[~lone]), pixels_alone


def _maxima(band: NDArray[Any], least: NDArray[Any]) -> NDArray[np.intp]:
    """Places in the flat band, but for its border, above a threshold for each column and above their neighbours.

    Of equal neighbours the first counts.
    """
    flat, wide = band.ravel(), band.shape[1]
    place = wide + np.flatnonzero(band[1:-1] > least)
    value = flat[place]
    for beside in (-1, 1, -wide, wide, -wide - 1, -wide + 1, wide - 1, wide + 1):
        around = flat[place + beside]
        above = np.flatnonzero(value > around if beside < 0 else value >= around)
        place, value = place[above], value[above]
    return place
