"""A first look at the frame's star: how wide and how long it is, from its brightest examples."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck import shear
from framecheck.sky.model import Sky
from framecheck.stars.order import quantiles_of_rows
from framecheck.stars.peaks import LonePixels, Peaks
from framecheck.stars.stamps import together, windows_around

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]

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


SHARPEST_STAR: Final = 0.369
"""Sum of the squares of the 3 x 3 squares around a peak over the square of their sum, at most, for a star of 1.0 px
seen through squares of 1 px: centred on one, a Gaussian puts 0.119, 0.761 and 0.119 of its light along an axis. Closed
form; wider stars and other places have less, down to 1/9. That none are narrower is chosen: no camera's optics are."""

AS_SHARP_AS_HITS: Final = 0.2
"""From this sharpness on pilots may be the hits of particles, and count less. Chosen: a star of 1.4 px has it (closed
form), and hits in real frames have 0.22 to 0.9."""

HIT_VOTE: Final = 0.25
"""How much less. Chosen: stars so narrow come by the dozen, or are not to be told from hits."""

NARROW: Final = 0.16
"""Sharpest pilots in squares wider than a pixel. Chosen: a star 1.6 squares wide (closed form); narrower ones are
looked at in narrower squares, and all come out alike here."""

FEWEST: Final = 3
"""Pilots that are believed, at the least. Chosen."""

ALIKE_SIZE: Final = 0.5
ALIKE_FORM: Final = 0.35
ALIKE_SHARPNESS: Final = 0.25
"""Pilots are of one family if they differ by less than this: second moments in the logarithm of their sum and in their
differences over their sum, sharpness in its logarithm. Chosen: a star of two pixels comes out 25 % too wide or too
narrow by where it falls, one of 1.3 px 12 % more or less sharp, and fields are uneven."""

BELONGING: Final = 5
CLEAR_PEAK: Final = 10.0
"""Pilots of a family, and their typical half-maximum over the noise, from which it is sure, if it holds half of those
that are not as sharp as hits. Chosen: noise then moves a half-maximum by a tenth, and makes no tips."""

MOST_PIXELS: Final = 4_000_000
FEWEST_LOOKED_AT: Final = 8
"""Pixels of all cut-outs of one reach, and cut-outs looked at whatever their size. Chosen: wide cells have larger ones
than a frame of few stars is worth."""

UNCLIPPED: Final = 0.6
"""Pilots are no higher than this share of the clipping level, so that they are not all clipped stars. Chosen: a
cell's mean is lower than its brightest pixel."""


STAMP_FWHM: Final = 1.9
"""Half side of a stamp, in FWHM. Chosen: holds 90 % of a Moffat star of beta 3; larger ones cost time and
neighbours."""

LARGEST_HALF: Final = 40
"""Largest half side of a stamp. [px] Chosen: a star of 20 px FWHM, or a trail of 60 px."""

STAMP_REACH: Final = 1.2
OVERLAP_FWHM: Final = 1.6
"""How far another star may be that bends a fit: in half sides of the stamp, or FWHM. Chosen: its wings reach in."""

PIXEL_ADDS_PX2: Final = 0.5
"""What the pixel's own blur, and the pilot's whole pixels, add to a squared FWHM, about. [px²] 8 ln 2 / 12; closed
form."""


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
    sure: bool = False
    """Whether they are so bright, and so many of them alike, that neither noise nor particles made them."""

    def scaled(self, factor: float) -> "Pilot":
        """The same form, wider or narrower."""
        return replace(self, long_px=self.long_px * factor, short_px=self.short_px * factor)

    @property
    def axes_px(self) -> tuple[float, float]:
        """Long and short axis without the pixel's own blur, 1 px at the least. [px]"""
        long_px, short_px = (math.sqrt(max(width**2 - PIXEL_ADDS_PX2, 1.0)) for width in (self.long_px, self.short_px))
        return long_px, short_px

    @property
    def fwhm_px(self) -> float:
        """Geometric mean of these axes. [px]"""
        long_px, short_px = self.axes_px
        return math.sqrt(long_px * short_px)

    @property
    def stamp_half_px(self) -> int:
        """Half side of the stamp that such a star is fitted in. [px]"""
        long_px, short_px = self.axes_px
        return min(max(math.ceil(STAMP_FWHM * self.fwhm_px + (long_px - short_px) / 2), 5), LARGEST_HALF)

    @property
    def reach_px(self) -> float:
        """How far from such a star another may be whose light bends its fit. [px]"""
        return max(STAMP_REACH * self.stamp_half_px, OVERLAP_FWHM * self.fwhm_px)


UNKNOWN_STAR: Final = Pilot(3.5, 3.5, 0.0, 0)
"""What stars are taken for where there are too few to tell. Chosen: a usual width."""


def pilot_star(
    pixels: NDArray[Any],
    sky: Sky,
    peaks: Peaks,
    cell: int,
    clip_adu: float | None,
    lone: LonePixels | None = None,
    finest: int = 1,
    at_least: float = FEWEST,
) -> Pilot | None:
    """Width, length and direction of the region above half of the peak, typical of the brightest peaks that agree.

    The peaks, brightest first, were found in cells of `cell` pixels; squares of `finest` are the smallest that mean
    anything: 2 in a colour mosaic. None if fewer than `at_least` are bright enough and alike; no more is looked at once
    that is clear.
    """
    noise = float(np.median(sky.noise_adu)) / cell
    usable = peaks.height > BRIGHT * noise
    if clip_adu is not None:
        usable &= peaks.height < UNCLIPPED * (clip_adu - float(np.median(sky.level_adu)))
    chosen = _apart(peaks, usable, REACHES[-1] * cell / 2)
    x, y = peaks.x[chosen], peaks.y[chosen]
    sky_level, fine = sky.level_at(x, y), max(finest, cell // 2)

    def regions_of(some: NDArray[np.intp], reach: int) -> F64:
        stamps = _stamps(pixels, x[some], y[some], reach * cell, lone)
        level = np.fmax(sky_level[some], _level_around(stamps))
        return _half_maximum_regions(stamps, level, cell, fine, clip_adu, noise * cell)

    regions = _regions_within_reach(regions_of, len(chosen), cell, at_least)
    if regions is None:
        return None
    if finest > 1:
        regions[np.isfinite(regions[:, 4]), 4:] = 1 / 9, 0.0  # colours side by side tell nothing of it
    with np.errstate(invalid="ignore"):
        regions = regions[regions[:, 4] < (SHARPEST_STAR if cell <= 2 else NARROW) * (1 + regions[:, 5])]
    n_blunt = np.count_nonzero(regions[:, 4] < AS_SHARP_AS_HITS)
    regions, votes = _family(regions)
    if votes < FEWEST or len(regions) < at_least:
        return None
    return _typical_pilot(regions, sure=len(regions) >= max(BELONGING, n_blunt / 2))


def _typical_pilot(regions: F64, *, sure: bool) -> Pilot:
    """The pilot that regions agree on; `sure` says whether they are so many that they can't be anything but stars."""
    xx, yy, xy = _typical(regions[:, :3])
    mean, spread = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    # A uniform ellipse of semi-axis a has variance a²/4 along it: the full width is 4 sqrt(variance).
    return Pilot(
        long_px=float(4 * np.sqrt(mean + spread)),
        short_px=float(4 * np.sqrt(max(mean - spread, 0.05))),
        pa_deg=float(shear.pa_deg(complex(xx - yy, 2 * xy))),
        n=len(regions),
        sure=sure
        and bool(np.median(regions[:, 3]) >= CLEAR_PEAK)
        and bool(np.median(regions[:, 4]) < AS_SHARP_AS_HITS),
    )


def _regions_within_reach(
    regions_of: Callable[[NDArray[np.intp], int], F64], n: int, cell: int, at_least: float
) -> F64 | None:
    """Regions of so many pilots, looked for further out where one does not end; None once too few can be had."""
    regions, left = np.full((n, 6), np.nan), np.arange(n)
    for reach in REACHES:
        left = left[: max(FEWEST_LOOKED_AT, MOST_PIXELS // (2 * reach * cell) ** 2)]
        if np.count_nonzero(np.isfinite(regions[:, 0])) + len(left) < at_least:
            return None
        for part in together(len(left), (2 * reach * cell) ** 2):
            regions[left[part]] = regions_of(left[part], reach)
        left = np.flatnonzero(np.isinf(regions[:, 0]))
    return regions


def _level_around(stamps: F32) -> F32:
    """Median level along the rims of cut-outs: what a star on bright ground stands on."""
    sides = stamps[:, :2], stamps[:, -2:], stamps[:, 2:-2, :2], stamps[:, 2:-2, -2:]
    (level,) = quantiles_of_rows(np.concatenate([side.reshape(len(stamps), -1) for side in sides], axis=1), 0.5)
    return level


def _family(regions: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """The most regions that are alike, and how many, those as sharp as hits counted less.

    Stars have one width and form, while tracks, knots and filaments have any.
    """
    if not len(regions):
        return regions, 0.0
    xx, yy, xy, _, sharp, doubt = regions.T
    total = xx + yy
    size, along, across, log_sharp = np.log(total), (xx - yy) / total, 2 * xy / total, np.log(np.maximum(sharp, 0.01))
    alike = np.abs(size[:, None] - size) < ALIKE_SIZE
    alike &= np.hypot(along[:, None] - along, across[:, None] - across) < ALIKE_FORM
    alike &= np.abs(log_sharp[:, None] - log_sharp) < ALIKE_SHARPNESS + np.maximum(doubt[:, None], doubt)
    votes = alike @ np.where(sharp > AS_SHARP_AS_HITS, HIT_VOTE, 1.0)
    best = votes.argmax()
    return regions[alike[best]], float(votes[best])


def _apart(peaks: Peaks, usable: NDArray[np.bool_], distance: float) -> list[int]:
    """Up to PILOTS of the brightest usable peaks, none beside a brighter one."""
    chosen: list[int] = []
    left = np.flatnonzero(usable)[: 20 * PILOTS]
    while len(left) and len(chosen) < PILOTS:
        first = left[0]
        chosen.append(int(first))
        near = (np.abs(peaks.x[left] - peaks.x[first]) < distance) & (np.abs(peaks.y[left] - peaks.y[first]) < distance)
        left = left[~near]
    return chosen


def _stamps(pixels: NDArray[Any], x: F32, y: F32, half: int, lone: LonePixels | None) -> F32:
    """Cut-outs around peaks, shape (n, 2 half + 1, 2 half + 1), with the pixels that stand alone brought down.

    Beyond the image's edge its last pixels go on: a star that it cuts reaches the cut-out's edge, and is no pilot.
    """
    column, row = np.rint(x).astype(np.intp), np.rint(y).astype(np.intp)
    raw, _ = windows_around(pixels, column, row, half)
    stamps: F32 = raw.reshape(len(raw), 2 * half + 1, 2 * half + 1).astype(np.float32)
    if lone is not None:
        down, right = lone.row - row[:, None] + half, lone.column - column[:, None] + half
        stamp, which = np.nonzero((down >= 0) & (down <= 2 * half) & (right >= 0) & (right <= 2 * half))
        np.subtract.at(stamps, (stamp, down[stamp, which], right[stamp, which]), lone.excess[which])
    return stamps


def _half_maximum_regions(
    stamps: F32, level: F32, cell: int, fine: int, clip_adu: float | None, noise: float
) -> NDArray[Any]:
    """Second moments [px²] of the regions around peaks that lie above half of them, in squares of `fine` pixels.

    Noise is that of a pixel.

    Shape (n, 6): along x, along y, mixed; half the maximum over the noise of a square; sharpness, and two of its
    standard errors over it. NaN where it is no star's; the first is infinite where it does not lie within the stamp.
    """
    from scipy.ndimage import label

    n, half = len(stamps), stamps.shape[1] // 2
    clipped = np.zeros(n, bool)
    if clip_adu is not None:
        clipped = stamps[:, half - cell : half + cell + 1, half - cell : half + cell + 1].max(axis=(1, 2)) >= clip_adu
    side, middle, star = 2 * half // fine, half // fine, np.arange(n)
    image = _mean_squares(stamps[:, : side * fine, : side * fine], fine) - level[:, None, None]
    near = image[:, middle - 2 : middle + 3, middle - 2 : middle + 3].reshape(n, 25)
    second, peak = np.sort(near, axis=1)[:, -2:].T
    half_maximum = 0.5 * np.minimum(peak, 1.15 * second)
    # What fails: an undefined pixel, one hot pixel, one that noise could make.
    usable = ~clipped & np.isfinite(peak) & (second >= 0.25 * peak) & (half_maximum >= CLEAR_SIGMA * noise / fine)
    in_plane = np.zeros((3, 3, 3), bool)
    in_plane[1, 1], in_plane[1, :, 1] = True, True
    regions, _ = label(image > half_maximum[:, None, None], in_plane)
    down, right = np.divmod(near.argmax(axis=1), 5)
    own = (regions == regions[star, middle - 2 + down, middle - 2 + right][:, None, None]).astype(np.float32)
    along_x, along_y = own.sum(axis=1), own.sum(axis=2)
    ends = along_x[:, 0] + along_x[:, -1] + along_y[:, 0] + along_y[:, -1]
    grid = (np.arange(side) - middle).astype(np.float32)
    area = np.maximum(along_x.sum(axis=1), 1)
    mean_x, mean_y = along_x @ grid / area, along_y @ grid / area
    # Each cell is itself a square of variance fine²/12.
    out = np.stack(
        [
            (along_x @ grid**2 / area - mean_x**2) * fine**2 + fine**2 / 12,
            (along_y @ grid**2 / area - mean_y**2) * fine**2 + fine**2 / 12,
            ((own @ grid) @ grid / area - mean_x * mean_y) * fine**2,
            half_maximum * fine / noise,
            *_sharpness(image, middle - 2 + down, middle - 2 + right, noise / fine),
        ],
        axis=1,
    )
    out[~usable | (ends > 0) | (area < 3)] = np.nan
    out[usable & (ends > 0), 0] = np.inf
    return out


def _mean_squares(stamps: F32, fine: int) -> F32:
    """Means over squares of so many pixels a side."""
    rows = sum(stamps[:, i::fine] for i in range(1, fine)) + stamps[:, ::fine]
    return (sum(rows[:, :, i::fine] for i in range(1, fine)) + rows[:, :, ::fine]) * np.float32(1 / fine**2)


def _sharpness(
    image: F32, row: NDArray[np.intp], column: NDArray[np.intp], noise: float
) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    """In how few squares around their brightest images have their light; see SHARPEST_STAR.

    The tracks of particles have edges that no optics have smeared (after P. G. van Dokkum, Publ. Astron. Soc. Pac.
    113, 1420 (2001), from memory, who looks for them with a Laplacian).
    """
    rows, columns = (at[:, None] + np.arange(-1, 2) for at in (row, column))
    light = image[np.arange(len(image))[:, None, None], rows[:, :, None], columns[:, None, :]]
    squares, total = (light**2).sum(axis=(1, 2)) - 9 * noise**2, np.maximum(np.abs(light.sum(axis=(1, 2))), noise)
    return np.maximum(squares, 0) / total**2, 12 * noise / total


def _typical(moments: NDArray[np.float64]) -> tuple[float, float, float]:
    """Median size and median direction-with-strength of the regions, put together again."""
    xx, yy, xy = moments.T
    size = np.median(xx + yy)
    along = np.median((xx - yy) / (xx + yy))
    diagonal = np.median(2 * xy / (xx + yy))
    return size * (1 + along) / 2, size * (1 - along) / 2, size * diagonal / 2
