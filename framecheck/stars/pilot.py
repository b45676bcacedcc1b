"""A first look at the frame's star: how wide and how long it is, from its brightest examples."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.sky.model import Sky
from framecheck.stars.peaks import LonePixels, Peaks, mean_cells

PILOTS: Final = 64
"""Bright peaks looked at. Chosen: enough for a median that a few odd ones do not move."""

REACHES: Final = (8, 24)
"""Half sides of the cut-outs around a pilot, the wider if the narrower does not hold it. [cells] Chosen: the wider
holds a star drawn out to 40 px in cells of 2 px."""

CLEAR_SIGMA: Final = 2.5
"""Least half-maximum of a pilot, over the noise of a pixel of its cut-out. Chosen: below it the region is noise, or
a hot pixel with noise beside."""

BRIGHT: Final = 8.0
"""Least height of a pilot, in units of the noise of a cell. Chosen: its half-maximum stands clear of the sky."""


UNCLIPPED: Final = 0.6
"""Pilots are no higher than this share of the clipping level, so that they are not all clipped stars. Chosen: a
cell's mean is lower than its brightest pixel."""


@dataclass(frozen=True, slots=True)
class Pilot:
    """The frame's typical star before any fit."""

    long_px: float
    """FWHM along the long axis, the pixel's own blur included. [px]"""
    short_px: float
    """FWHM along the short axis. [px]"""
    pa_deg: float
    """Direction of the long axis, counter-clockwise from +x. [deg]"""
    n: int
    """Pilots that it rests on."""


def pilot_star(
    pixels: NDArray[Any],
    sky: Sky,
    peaks: Peaks,
    cell: int,
    clip_adu: float | None,
    lone: LonePixels | None = None,
) -> Pilot | None:
    """Width, length and direction of the region above half of the peak, typical of the brightest peaks.

    Parameters
    ----------
    pixels : ndarray
        The frame.
    sky : Sky
    peaks : Peaks
        Brightest first, found in cells of `cell` pixels.
    cell : int
        Side of a cell; the regions are measured in cells. [px]
    clip_adu : float or None
        Pilots that reach this level are left out. [ADU]
    lone : LonePixels, optional
        Pixels that count only as much as those around them.

    Returns
    -------
    Pilot or None
        None if fewer than three peaks are bright enough.
    """
    noise = float(np.median(sky.noise_adu)) / cell
    usable = peaks.height > BRIGHT * noise
    if clip_adu is not None:
        usable &= peaks.height < UNCLIPPED * (clip_adu - float(np.median(sky.level_adu)))
    chosen = _apart(peaks, usable, REACHES[-1] * cell / 2)
    regions = []
    levels = sky.level_at(peaks.x[chosen], peaks.y[chosen])
    for x, y, level in zip(peaks.x[chosen], peaks.y[chosen], levels, strict=True):
        within = (
            _half_maximum_region(pixels, float(level), float(x), float(y), cell, clip_adu, noise * cell, reach, lone)
            for reach in REACHES
        )
        region = next((region for region in within if region is not None), None)
        if region is not None:
            regions.append(region)
    if len(regions) < 3:
        return None
    xx, yy, xy = _typical(np.array(regions))
    mean, spread = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    # A uniform ellipse of semi-axis a has variance a²/4 along it: the full width is 4 sqrt(variance).
    return Pilot(
        long_px=float(4 * np.sqrt(mean + spread)),
        short_px=float(4 * np.sqrt(max(mean - spread, 0.05))),
        pa_deg=float(np.degrees(np.arctan2(2 * xy, xx - yy)) / 2 % 180),
        n=len(regions),
    )


def _apart(peaks: Peaks, usable: NDArray[np.bool_], distance: float) -> list[int]:
    """Up to PILOTS of the brightest usable peaks, none beside a brighter one."""
    chosen: list[int] = []
    for i in np.flatnonzero(usable)[: 20 * PILOTS]:
        near = (np.abs(peaks.x[chosen] - peaks.x[i]) < distance) & (np.abs(peaks.y[chosen] - peaks.y[i]) < distance)
        if not near.any():
            chosen.append(int(i))
        if len(chosen) == PILOTS:
            break
    return chosen


def _half_maximum_region(
    pixels: NDArray[Any],
    level: float,
    x: float,
    y: float,
    cell: int,
    clip_adu: float | None,
    noise: float,
    reach: int,
    lone: LonePixels | None,
) -> tuple[float, float, float] | None:
    """Second moments [px²] of the region around a peak that lies above half of it; noise is that of a pixel.

    None if it is no star's, or does not lie within reach. [cells]
    """
    from scipy.ndimage import label

    half = reach * cell
    top, left = max(round(y) - half, 0), max(round(x) - half, 0)
    raw = pixels[top : round(y) + half, left : round(x) + half]
    fine = 1 if cell <= 2 else cell // 2
    rows, columns = raw.shape[0] // fine, raw.shape[1] // fine
    if rows < 5 or columns < 5 or (clip_adu is not None and _core(raw, x - left, y - top, cell).max() >= clip_adu):
        return None
    if lone is not None:
        raw = _levelled(raw, lone, top, left)
    image = mean_cells(raw[: rows * fine, : columns * fine], fine)
    image -= np.float32(level)
    row, column = min(int((y - top) / fine), rows - 1), min(int((x - left) / fine), columns - 1)
    near = image[max(row - 2, 0) : row + 3, max(column - 2, 0) : column + 3]
    brightest = int(near.argmax())
    second, peak = np.sort(near, axis=None)[-2:]
    if not np.isfinite(peak) or second < 0.25 * peak:
        return None  # an undefined pixel, or one hot pixel
    half_maximum = 0.5 * min(peak, 1.15 * second)
    if half_maximum < CLEAR_SIGMA * noise / fine:
        return None
    above = image > half_maximum
    regions, _ = label(above)
    down, right = divmod(brightest, near.shape[1])
    v, u = np.nonzero(regions == regions[max(row - 2, 0) + down, max(column - 2, 0) + right])
    if u.min() == 0 or v.min() == 0 or u.max() == columns - 1 or v.max() == rows - 1 or len(u) < 3:
        return None
    # Each cell is itself a square of variance fine²/12.
    n, own_width, mean_u, mean_v = len(u), fine**2 / 12, u.sum() / len(u), v.sum() / len(v)
    return (
        float((u @ u / n - mean_u**2) * fine**2 + own_width),
        float((v @ v / n - mean_v**2) * fine**2 + own_width),
        float((u @ v / n - mean_u * mean_v) * fine**2),
    )


def _levelled(raw: NDArray[Any], lone: LonePixels, top: int, left: int) -> NDArray[np.float32]:
    """A cut-out with the pixels that stand alone brought down to those around."""
    row, column = lone.row - top, lone.column - left
    here = (row >= 0) & (row < raw.shape[0]) & (column >= 0) & (column < raw.shape[1])
    level = raw.astype(np.float32)
    level[row[here], column[here]] -= lone.excess[here]
    return level


def _core(raw: NDArray[Any], x: float, y: float, cell: int) -> NDArray[Any]:
    return raw[max(int(y) - cell, 0) : int(y) + cell + 1, max(int(x) - cell, 0) : int(x) + cell + 1]


def _typical(moments: NDArray[np.float64]) -> tuple[float, float, float]:
    """Median size and median direction-with-strength of the regions, put together again."""
    xx, yy, xy = moments.T
    size = np.median(xx + yy)
    along = np.median((xx - yy) / (xx + yy))
    diagonal = np.median(2 * xy / (xx + yy))
    return size * (1 + along) / 2, size * (1 - along) / 2, size * diagonal / 2
