"""All the stars of a frame: peaks, looked at in full resolution and told from hot pixels and particle tracks."""

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.read.exposure import Frame
from framecheck.sky.model import Sky
from framecheck.stars.crossing import in_crossing_lines
from framecheck.stars.peaks import LonePixels, Peaks, find_peaks, mean_cells, without_lone_pixels
from framecheck.stars.pilot import UNKNOWN_STAR, Pilot, pilot_star
from framecheck.stars.stamps import colour_levels
from framecheck.stars.vetting import signal_to_noise, vet_peaks

PEAK_SIGMA: Final = 4.0
"""A cell this far above the sky is looked at. [sigma of a cell] Chosen: a star of SNR 10 passes at every width."""

TRAILED: Final = 1.8
TRAILED_LONG_PX: Final = 6.0
"""From this elongation and length on, stars are looked for as trails. Chosen: below it one peak a star is the rule."""

NARROWER: Final = (1.0, 0.75, 0.55, 0.4)
"""Widths tried on a mosaic, as parts of what its cells show. Chosen: a star of 1.5 px in cells of 2 px seems 4 px
wide."""

TRIED_PEAKS: Final = 200
"""Brightest peaks on which they are tried. Chosen."""

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

MOST_VETTED: Final = 60_000
"""Peaks looked at, brightest first. Chosen: more stars than the crowded fields that a night's grading needs."""

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
    """Pairs of stars within `Pilot.reach_px` of each other, shape (n_pairs, 2)."""
    n_crossing: int = 0
    """Lines across the frame whose detections were left out."""

    def __len__(self) -> int:
        return len(self.x)


def find_stars(frame: Frame, sky: Sky, clip_adu: float | None) -> Found:
    """Find every star of a frame once.

    Peaks are sought in cells of 2 x 2 pixels, or wider ones where the brightest stars turn out to be wide; trails by
    their own shape. Each is then measured in full resolution with a filter of the typical star's shape over a free
    background, and kept if it is bright enough and its light is spread as optics spread it.

    Parameters
    ----------
    frame : Frame
    sky : Sky
        Of the same frame.
    clip_adu : float or None
        Level at which the camera clips. [ADU]

    Returns
    -------
    Found
        Empty if there is no star.
    """
    cell_frame, cell_sky, scale = _detection_plane(frame, sky)
    cell = 2 // scale
    peaks, lone = find_peaks(cell_frame, cell_sky, cell, PEAK_SIGMA), None
    if scale == 1:  # a cell of a mosaic may hold a whole star
        peaks, lone = without_lone_pixels(cell_frame, cell_sky, peaks, cell)
        if len(lone) > MANY_LONE * frame.pixels.size:
            peaks, lone = _between_lone_pixels(cell_frame, cell_sky, lone, cell)
    pilot = pilot_star(cell_frame, cell_sky, peaks, cell, clip_adu, lone)
    if pilot is None or pilot.short_px > 5 or pilot.n < FEW_PILOTS:
        peaks, pilot = _wider(cell_frame, cell_sky, peaks, pilot, cell, clip_adu, lone)
    if pilot is not None and pilot.long_px > max(TRAILED * pilot.short_px, TRAILED_LONG_PX):
        from framecheck.stars.trails import find_trail_peaks

        peaks = find_trail_peaks(cell_frame, cell_sky, pilot)
    levels = None
    if scale > 1:
        peaks, pilot = _to_full_grid(peaks, pilot, scale)
        levels = colour_levels(frame)
        pilot = _narrowed(frame, sky, peaks, pilot, levels)
    return _vetted(frame, sky, peaks, pilot, clip_adu, levels)


def _detection_plane(frame: Frame, sky: Sky) -> tuple[NDArray[Any], Sky, int]:
    """Pixels to look for peaks in: the frame itself, or the 2 x 2 cells of a mosaic, all colours in each."""
    if frame.mosaic is None:
        return frame.pixels, sky, 1
    from framecheck.sky.measure import measure_sky

    cells = mean_cells(frame.pixels, 2)
    plane = Frame(exposure=replace(frame.exposure, mosaic_pattern=None), pixels=cells)
    return cells, measure_sky(plane), 2


def _to_full_grid(peaks: Peaks, pilot: Pilot | None, scale: int) -> tuple[Peaks, Pilot | None]:
    offset = np.float32((scale - 1) / 2)
    if pilot is not None:
        pilot = Pilot(pilot.long_px * scale, pilot.short_px * scale, pilot.pa_deg, pilot.n)
    return Peaks(peaks.x * scale + offset, peaks.y * scale + offset, peaks.height), pilot


def _narrowed(
    frame: Frame, sky: Sky, peaks: Peaks, pilot: Pilot | None, levels: NDArray[np.float32] | None
) -> Pilot | None:
    """The pilot of a mosaic at the width that suits its brightest peaks: cells are too coarse for narrow stars."""
    if pilot is None or not len(peaks):
        return pilot
    most = min(len(peaks), TRIED_PEAKS)
    best, best_snr = pilot, 0.0
    for factor in NARROWER:
        shape = Pilot(max(pilot.long_px * factor, 1.6), max(pilot.short_px * factor, 1.6), pilot.pa_deg, pilot.n)
        tried = signal_to_noise(frame, sky, peaks.x[:most], peaks.y[:most], shape, levels)
        snr = float(np.clip(tried, 0, 1e4).sum())
        if snr > best_snr:
            best, best_snr = shape, snr
    return best


def _between_lone_pixels(pixels: NDArray[Any], sky: Sky, lone: LonePixels, cell: int) -> tuple[Peaks, LonePixels]:
    """Peaks where lone pixels are many: sought again without them, and without those that now come to light."""
    for _ in range(2):
        peaks, more = without_lone_pixels(pixels, sky, find_peaks(pixels, sky, cell, PEAK_SIGMA, lone), cell)
        lone = lone.and_more(more)
    return peaks, lone


def _wider(
    pixels: NDArray[Any],
    sky: Sky,
    peaks: Peaks,
    pilot: Pilot | None,
    cell: int,
    clip_adu: float | None,
    lone: LonePixels | None,
) -> tuple[Peaks, Pilot | None]:
    """Look again in wider cells, until a star is two to four cells wide."""
    for wider in (4, 8, 16):
        if wider <= cell or min(pixels.shape) < 8 * wider:
            continue
        again, _ = without_lone_pixels(pixels, sky, find_peaks(pixels, sky, wider, PEAK_SIGMA, lone), wider)
        second = pilot_star(pixels, sky, again, wider, clip_adu, lone)
        if second is None or (pilot is not None and pilot.short_px <= 5 and second.n < MANY_MORE * pilot.n):
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
    levels: NDArray[np.float32] | None,
) -> Found:
    """Peaks that are stars, each once."""
    shape = pilot or UNKNOWN_STAR
    if not len(peaks):
        empty = np.zeros(0, np.float32)
        return Found(empty, empty, empty, np.zeros(0, bool), pilot, np.zeros((0, 2), np.intp))
    some = slice(MOST_VETTED)
    x, y, flux, saturated, real, unlike = vet_peaks(frame, sky, peaks.x[some], peaks.y[some], shape, clip_adu, levels)
    # a bright, even line makes peaks that are no stars: they tell where it runs
    seen = np.flatnonzero(real | unlike)
    marked, n_lines = in_crossing_lines(x[seen], y[seen], frame.pixels.shape, shape.long_px)
    real[seen[marked]] = False
    keep = np.flatnonzero(real)
    keep = keep[np.argsort(-flux[keep], kind="stable")]
    x, y, flux, saturated = x[keep], y[keep], flux[keep], saturated[keep]
    own, beside = _each_once(x, y, saturated, shape)
    return Found(x[own], y[own], flux[own], saturated[own], pilot, beside, n_lines)


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
    for star, beside in zip(clipped, around, strict=True):
        fainter = np.array([i for i in beside if i > star], np.intp)
        own[fainter[apart(star, fainter) < NO_OTHER]] = False
    return own, (np.cumsum(own) - 1)[pairs[own[pairs].all(axis=1)]]
