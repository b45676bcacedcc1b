"""All the stars of a frame: peaks, looked at in full resolution and told from hot pixels and particle tracks."""

from dataclasses import dataclass, replace
from typing import Any, Final, TypeGuard

import numpy as np
from numpy.typing import NDArray

from framecheck.read.exposure import Frame
from framecheck.sky import Colours, Sky, measure_cells, measure_colours, measure_finely
from framecheck.stars.crossing import lines_across
from framecheck.stars.line import Line
from framecheck.stars.order import brightest_first
from framecheck.stars.peaks import LonePixels, Peaks, find_peaks, without_lone_pixels
from framecheck.stars.pilot import FEWEST, UNKNOWN_STAR, Pilot, pilot_star
from framecheck.stars.uneven_sky import lost_on_uneven_sky
from framecheck.stars.vetting import best_width, vet_peaks

TRAILED: Final = 1.8
TRAILED_LONG_PX: Final = 6.0
"""From this elongation and length on, stars are looked for as trails. Chosen: below it one peak a star is the rule."""

MOSAIC_CELL: Final = 2
"""Side of the smallest square that holds all colours of a mosaic. [px]"""

NARROWEST_PX: Final = 1.6
"""Least width tried on a mosaic. [px] Chosen: stars are no narrower, their pixels' blur included."""

TRIED_PEAKS: Final = 200
"""Brightest peaks on which they are tried. Chosen."""

NARROW_PX: Final = 5.0
"""Stars no wider are looked for in cells of 2 x 2. [px] Chosen: two to four cells make a star."""

FEW_PILOTS: Final = 32
"""With fewer pilots than this they may be particle tracks, or the tips that noise puts on wide stars: wider cells are
tried. Chosen: half of those looked at."""

MANY_MORE: Final = 1.5
"""And believed if they have so many times as many pilots. Chosen: narrow stars have fewer there."""

SAME_STAR: Final = 0.6
"""Peaks no farther apart are one star. [FWHM] Chosen: stars so near have one maximum."""

NO_OTHER: Final = 3.0
"""Within this of a clipped star nothing fainter is believed. [FWHM] Chosen: spikes and bleeding have peaks of their
own."""

BLEEDS_PX: Final = 3
"""A star's overflow stays so near to its column. [px] Chosen: it is a few pixels wide."""

BLED_SHARE: Final = 0.9
"""Share of the pixels between two clipped places of a column that must be clipped too, to be one star. Chosen."""

MOST_VETTED: Final = 60_000
"""Peaks looked at, brightest first. Chosen: more stars than the crowded fields that a night's grading needs."""

UNEVEN_SHARE: Final = 0.02
"""Share of uneven meshes from which the sky is measured again on a finer mesh. Chosen: some dozen pixels wide light."""

FINE_MESH_FWHM: Final = 5.0
FINEST_MESH_PX: Final = 16.0
COARSEST_MESH_PX: Final = 40.0
"""Its side, in FWHM, and between which sides it is worth it. [px] Chosen: a star covers a twentieth of it."""

MANY_LONE: Final = 1e-3
"""Share of the pixels that stand alone from which peaks are sought again without them. Chosen: below, they lie on a
star in a hundred."""


@dataclass(frozen=True, slots=True)
class Found:
    """Stars found, brightest first, shape (n,) each."""

    x: NDArray[np.float32]
    y: NDArray[np.float32]
    """Rough centre. [px]"""
    flux_adu: NDArray[np.float32]
    saturated: NDArray[np.bool_]
    pilot: Pilot | None
    """The frame's typical star; None if there are too few to tell."""
    beside: NDArray[np.intp]
    """Pairs of stars within `Pilot.reach_px` of each other, or SAME_STAR of the long axis if that is more; shape
    (n_pairs, 2)."""
    lines: tuple[Line, ...] = ()
    """Lines of light across the frame; detections on those that look like trails are left out."""
    sky: Sky | None = None
    """The sky under them where that is uneven, on a finer mesh."""

    def __len__(self) -> int:
        return len(self.x)


def find_stars(frame: Frame, sky: Sky, clip_adu: float | None) -> Found:
    """Find every star of a frame once.

    Peaks are sought in cells of 2 x 2 pixels, or wider ones where the brightest stars turn out to be wide; trails by
    their own shape. Each is then measured in full resolution with a filter of the typical star's shape over a free
    background, and kept if it is bright enough and its light is spread as optics spread it.
    """
    finest, sky_of_cells = (1, sky) if frame.mosaic is None else (MOSAIC_CELL, measure_cells(frame, sky.ground))
    cells = _Cells(frame.pixels, sky_of_cells, finest, clip_adu)
    peaks, pilot = _peaks_and_pilot(cells)
    mesh_px = max(FINE_MESH_FWHM * (pilot or UNKNOWN_STAR).long_px, FINEST_MESH_PX)
    uneven = sky.uneven_share > UNEVEN_SHARE and mesh_px < COARSEST_MESH_PX
    if uneven:
        sky = sky_of_cells = measure_finely(frame, sky, round(mesh_px))
        if frame.mosaic is not None:
            sky_of_cells = measure_cells(frame, sky.ground, round(mesh_px / MOSAIC_CELL))
        cells = replace(cells, sky=sky_of_cells)
        peaks, pilot = _peaks_and_pilot(cells, narrow=pilot is not None and pilot.short_px <= NARROW_PX)
    if _is_trailed(pilot):
        pilot = _off_bright_lines(frame, cells, peaks, pilot)
    if _is_trailed(pilot):
        from framecheck.stars.trails import find_trail_peaks

        peaks = find_trail_peaks(frame.pixels, sky_of_cells, pilot, finest).in_view(sky)
    colours = measure_colours(frame)
    if colours is not None:
        pilot = _narrowed(frame, sky, peaks, pilot, colours)
    found = _vetted(frame, sky, peaks, pilot, clip_adu, colours, sky_of_cells)
    return replace(found, sky=sky) if uneven else found


@dataclass(frozen=True, slots=True)
class _Cells:
    """Pixels to look for peaks in, and the sky of cells of them."""

    pixels: NDArray[Any]
    sky: Sky
    finest: int
    """Side of the smallest cells that mean anything: those of a mosaic hold all its colours. [px]"""
    clip_adu: float | None

    @property
    def mixed(self) -> bool:
        """Whether pixels beside each other see different colours."""
        return self.finest > 1

    def peaks(self, cell: int, lone: LonePixels | None = None) -> Peaks:
        """Peaks in cells of a side."""
        return find_peaks(self.pixels, self.sky, cell, lone).in_view(self.sky)

    def without_lone_pixels(self, peaks: Peaks, cell: int) -> tuple[Peaks, LonePixels | None]:
        """Peaks less single pixels; in a mosaic a single pixel may be a narrow star."""
        return (peaks, None) if self.mixed else without_lone_pixels(self.pixels, self.sky, peaks, cell)

    def pilot(self, peaks: Peaks, cell: int, lone: LonePixels | None, at_least: float = FEWEST) -> Pilot | None:
        """The typical star among peaks in cells of a side."""
        return pilot_star(self.pixels, self.sky, peaks, cell, self.clip_adu, lone, self.finest, at_least)


def _peaks_and_pilot(cells: _Cells, *, narrow: bool = False) -> tuple[Peaks, Pilot | None]:
    """Peaks in cells of 2 x 2 pixels, or in wider ones where the typical star may be wide, and that star."""
    cell = 2
    peaks, lone = cells.without_lone_pixels(cells.peaks(cell), cell)
    if lone is not None and len(lone) > MANY_LONE * cells.pixels.size:
        peaks, lone = _between_lone_pixels(cells, lone, cell)
    pilot = cells.pilot(peaks, cell, lone)
    if pilot is not None and pilot.short_px <= NARROW_PX and (narrow or pilot.sure or pilot.n >= FEW_PILOTS):
        return peaks, pilot
    return _wider(cells, peaks, pilot, cell, lone)


def _is_trailed(pilot: Pilot | None) -> TypeGuard[Pilot]:
    """Whether the typical star is a line."""
    return pilot is not None and pilot.long_px > max(TRAILED * pilot.short_px, TRAILED_LONG_PX)


def _off_bright_lines(frame: Frame, cells: _Cells, peaks: Peaks, pilot: Pilot) -> Pilot:
    """The typical star beside bright lines that fly across, if it is none drawn out: else the one that was thought."""
    thin = replace(pilot, long_px=pilot.short_px)
    every, none = np.ones(len(peaks), bool), np.zeros(len(peaks), bool)
    off = every.copy()
    for line in lines_across(frame, cells.sky, peaks.x, peaks.y, every, none, none, thin):
        off &= ~(line.flown & line.covers(peaks.x, peaks.y, pilot.short_px))
    if off.all():
        return pilot
    beside = cells.pilot(Peaks(peaks.x[off], peaks.y[off], peaks.height[off]), 2, None)
    return pilot if beside is None or _is_trailed(beside) else beside


def _narrowed(frame: Frame, sky: Sky, peaks: Peaks, pilot: Pilot | None, colours: Colours) -> Pilot | None:
    """The pilot of a mosaic at the width that suits its brightest peaks: cells are too coarse for narrow stars."""
    if pilot is None or not len(peaks):
        return pilot
    some = slice(TRIED_PEAKS)
    return best_width(frame, sky, peaks.x[some], peaks.y[some], pilot, NARROWEST_PX, colours)


def _between_lone_pixels(cells: _Cells, lone: LonePixels, cell: int) -> tuple[Peaks, LonePixels]:
    """Peaks where lone pixels are many: sought again without them, and without those that now come to light."""
    for _ in range(2):
        peaks, more = cells.without_lone_pixels(cells.peaks(cell, lone), cell)
        lone = lone if more is None else lone.and_more(more)
    return peaks, lone


def _wider(
    cells: _Cells, peaks: Peaks, pilot: Pilot | None, cell: int, lone: LonePixels | None
) -> tuple[Peaks, Pilot | None]:
    """Look again in wider cells, until a star is two to four cells wide."""
    for wider in (4, 8, 16):
        at_least = max(FEWEST, MANY_MORE * pilot.n) if pilot is not None and pilot.short_px <= NARROW_PX else FEWEST
        if wider <= cell or min(cells.pixels.shape) < 8 * wider:
            continue
        again, _ = cells.without_lone_pixels(cells.peaks(wider, lone), wider)
        second = cells.pilot(again, wider, lone, at_least)
        if second is None:
            continue
        peaks, pilot = again, second
        if second.short_px <= 3 * wider:
            break
    return peaks, pilot


def _vetted(
    frame: Frame,
    sky: Sky,
    peaks: Peaks,
    pilot: Pilot | None,
    clip_adu: float | None,
    colours: Colours | None,
    sky_of_cells: Sky,
) -> Found:
    """Peaks that are stars, each once."""
    shape = pilot or UNKNOWN_STAR
    if not len(peaks):
        empty = np.zeros(0, np.float32)
        return Found(empty, empty, empty, np.zeros(0, bool), pilot, np.zeros((0, 2), np.intp))
    some = slice(MOST_VETTED)
    vetted = vet_peaks(frame, sky, peaks.x[some], peaks.y[some], shape, clip_adu, colours)
    x, y, flux, saturated, real, unlike = vetted
    real &= ~lost_on_uneven_sky(frame, sky, vetted, shape, colours)
    lines = lines_across(frame, sky_of_cells, x, y, real, unlike, saturated, shape)
    for line in lines:
        if line.flown:
            real &= ~line.covers(x, y)
    keep = np.flatnonzero(real)
    keep = keep[brightest_first(flux[keep])]
    x, y, flux, saturated = x[keep], y[keep], flux[keep], saturated[keep]
    once = ~_bled(frame, x, y, saturated, clip_adu)
    x, y, flux, saturated = x[once], y[once], flux[once], saturated[once]
    own, beside = _each_once(x, y, saturated, shape)
    return Found(x[own], y[own], flux[own], saturated[own], pilot, beside, lines)


def _bled(frame: Frame, x: Any, y: Any, saturated: NDArray[np.bool_], clip_adu: float | None) -> NDArray[np.bool_]:
    """Which clipped detections are what a brighter star bled along its column; inputs are brightest first."""
    bled = np.zeros(len(x), bool)
    if clip_adu is None:
        return bled
    clipped = np.flatnonzero(saturated)
    column, row = np.rint(x[clipped]).astype(np.intp), np.rint(y[clipped]).astype(np.intp)
    for star in range(len(clipped)):
        if bled[clipped[star]]:
            continue
        below = np.flatnonzero(np.abs(column[star + 1 :] - column[star]) <= BLEEDS_PX) + star + 1
        for other in below:
            low, high = sorted((row[star], row[other]))
            left, right = sorted((column[star], column[other]))
            way = frame.pixels[low : high + 1, max(left - 1, 0) : right + 2].max(axis=1)
            bled[clipped[other]] |= bool((way >= clip_adu).mean() > BLED_SHARE)
    return bled


def _each_once(x: Any, y: Any, saturated: Any, shape: Pilot) -> tuple[NDArray[np.bool_], NDArray[np.intp]]:
    """Which stars are not the same as a brighter one, and the pairs of those; inputs are brightest first."""
    from scipy.spatial import cKDTree

    own = np.ones(len(x), bool)
    if len(x) < 2:
        return own, np.zeros((0, 2), np.intp)
    tree = cKDTree(np.column_stack([x, y]), balanced_tree=False, compact_nodes=False)
    pairs = np.sort(tree.query_pairs(max(shape.reach_px, SAME_STAR * shape.long_px), output_type="ndarray"), axis=1)

    def apart(one: Any, other: Any) -> NDArray[np.floating]:
        dx, dy = x[one] - x[other], y[one] - y[other]
        c, s = np.cos(np.radians(shape.pa_deg)), np.sin(np.radians(shape.pa_deg))
        return np.hypot((c * dx + s * dy) / shape.long_px, (c * dy - s * dx) / shape.short_px)

    own[pairs[apart(*pairs.T) < SAME_STAR, 1]] = False
    clipped = np.flatnonzero(saturated)
    around = tree.query_ball_point(np.column_stack([x[clipped], y[clipped]]), NO_OTHER * shape.long_px)
    star = np.repeat(clipped, [len(beside) for beside in around])
    other = np.array([i for beside in around for i in beside], np.intp)
    own[other[(other > star) & (apart(star, other) < NO_OTHER)]] = False
    return own, (np.cumsum(own) - 1)[pairs[own[pairs].all(axis=1)]]
