"""Short lines with both ends in the frame: pieces of the way of a slow satellite, meteors.

They are too short for rows of detections to stand out, but a ridge of light leaves several peaks side by side that are
no stars. The pixels decide: such a line must be as narrow as the frame's stars, even, straight, with sharp ends and
nothing beyond them. Galaxies from their edge and knots of nebulae may pass; only other frames tell (`night.trails`).
"""

from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.read.exposure import Frame
from framecheck.sky import Sky
from framecheck.stars.line import Line, Look
from framecheck.stars.line_light import (
    F64,
    Limits,
    LineCourse,
    LineStrip,
    Section,
    cut_strip,
    ends_of,
    section_of,
    stretches_of,
)
from framecheck.stars.line_looks import line_record, on_line
from framecheck.stars.pilot import Pilot

LINKED_FWHM: Final = 8.0
"""Peaks on a ridge lie no farther from each other. [FWHM] Chosen: most of those on a line look like stars."""

FEWEST_PEAKS: Final = 2
"""Chosen: they tell a direction; drawn pieces of 70 px have two to eight."""

MOST_RIDGES: Final = 8
"""Groups of peaks in a frame from which on none is looked at. Chosen: nebulae and clusters have dozens."""

SHORTEST_FWHM: Final = 10.0
"""Length of a line over the width of a star, at least. Chosen: moved or doubled stars are five times as long."""

LONGEST: Final = 0.15
"""And over the frame's diagonal, at most. Chosen: longer ones are found in rows of detections."""

AROUND_FWHM: Final = 2 * LINKED_FWHM + 4
"""How far beyond twice the peaks' reach the light is looked at. [FWHM] Chosen: a line goes on no farther than where it
would leave the next peak, and as much beyond it must be dark."""

LIT: Final = 0.3
"""Light that three quarters of the cuts between the peaks exceed, over the usual one. Chosen: a line is lit all along,
the sky between two peaks that stand there by chance is not."""

LEAST_CUTS: Final = 5
"""Cuts across a ridge through which a line is laid, at least. Chosen."""

PIECES: Final = 8
"""Stretches that a line is cut into, to see whether they are alike. Chosen: of 5 px or more."""

WIDTHS: Final = (0.8, 1.25)
"""Width over that of a star. Chosen: noise moves the width of a line of 6 sigma by a tenth; tracks of particles have a
pixel and a half at the most, galaxies and filaments twice the width of a star."""

NARROWEST_STAR_PX: Final = 2.2
"""Stars narrower than that, the pixel's blur included, are not told from the tracks of particles. [px] Chosen."""

LIMITS: Final = Limits(unlike=0.2, wander_fwhm=0.15, stands_out=8.0, leans=0.12, uneven=0.3)
"""As in `line_looks`, of stretches that are short and hence noisier. Chosen: drawn pieces have half of it, and those of
12 sigma stand out by 20 to 30, filaments, whose surroundings are rough, by 6 and less."""

LEAST_STRETCH: Final = 0.5
"""Height of the faintest stretch but the outermost over the usual one. Chosen: galaxies fade towards their ends."""

MOST_UNLIKE: Final = 1
"""Lines of a frame that are too wide or uneven, beyond which no short one is believed. Chosen: nebulae have more."""

BEYOND: Final = 0.15
"""Light beyond either end, from two FWHM to half of the length, over the line's height, at most. Chosen: the light of
spikes and filaments goes on."""


def short_lines(
    frame: Frame,
    sky: Sky,
    x: NDArray[Any],
    y: NDArray[Any],
    ridges: NDArray[np.bool_],
    clipped: NDArray[np.bool_],
    star: Pilot,
    known: tuple[Line, ...],
) -> tuple[Line, ...]:
    """Find short lines that end within the frame: those that look like trails, and others as narrow that do not.

    Of a colour mosaic the sky is that of its cells. Of the peaks it is given which lie on a bright line and are no
    stars, and which are clipped.
    """
    if star.short_px < NARROWEST_STAR_PX or star.long_px > 2 * star.short_px:
        return ()
    place = np.stack([np.asarray(x, float)[ridges], np.asarray(y, float)[ridges]])
    for line in known:
        place = place[:, ~line.covers(place[0], place[1], star.long_px)]
    groups = _groups(place, LINKED_FWHM * star.long_px)
    if not 0 < len(groups) <= MOST_RIDGES:
        return ()
    bright = np.stack([np.asarray(x, float)[clipped], np.asarray(y, float)[clipped]])
    looked_at = (_short_line(frame, sky, place[:, group], star, bright) for group in groups)
    lines = tuple(line for line in looked_at if line is not None)
    if sum(line.look in ("extended", "uneven") for line in (*known, *lines)) > MOST_UNLIKE:
        lines = tuple(replace(line, look="uneven") if line.flown else line for line in lines)
    return lines


def _groups(place: F64, reach_px: float) -> list[NDArray[np.intp]]:
    """Points that hang together, in groups of some."""
    if place.shape[1] < FEWEST_PEAKS:
        return []
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    tree = cKDTree(place.T)
    n, group = connected_components(tree.sparse_distance_matrix(tree, reach_px), directed=False)
    return [np.flatnonzero(group == i) for i in range(n) if np.count_nonzero(group == i) >= FEWEST_PEAKS]


def _short_line(frame: Frame, sky: Sky, points: F64, star: Pilot, bright: F64) -> Line | None:
    """Look at the pixels along some peaks; None if these make no line, or one that is not short."""
    for _ in range(2):  # a star beside the line may have left a peak as well
        course = LineCourse.through(points)
        along, across = course.along_and_across(points)
        on = np.abs(across) <= star.long_px
        points, along = points[:, on], along[on]
        if points.shape[1] < FEWEST_PEAKS:
            return None
    reach = float(np.abs(along).max()) + star.long_px
    longest = LONGEST * float(np.hypot(*frame.pixels.shape))
    if reach > longest or _ends_soon(frame, sky, course, reach, star):
        return None
    around = 2 * reach + AROUND_FWHM * star.long_px
    strip = cut_strip(frame, sky, course, star, reach)
    quarter, half = np.percentile(strip.ridge, (25, 50))
    if not quarter > LIT * half > 0:
        return None
    begin, end = -reach, reach
    for _ in range(2):
        if np.count_nonzero((strip.along >= begin) & (strip.along <= end)) < LEAST_CUTS:
            return None
        strip = cut_strip(frame, sky, _through_ridge(strip, begin, end), star, around)
        begin, end = _ends(strip, begin, end)
        if end - begin < SHORTEST_FWHM * star.long_px / 2:  # two stars side by side
            return None
    if not SHORTEST_FWHM * star.long_px <= end - begin <= longest:
        return None
    edge = strip.across[-1]
    if begin < strip.along[0] + edge or end > strip.along[-1] - edge:
        return None
    within = np.flatnonzero((strip.along > begin + star.long_px / 2) & (strip.along < end - star.long_px / 2))
    stretches = stretches_of(strip, within, max(len(within) // PIECES, 1))
    section = section_of(strip, stretches)
    if section is None or not section.fwhm_px <= 2 * WIDTHS[1] * strip.star_px:
        return None
    return line_record(strip, section, _look(strip, section, bright, (begin, end)), (begin, end), 2)


def _ends_soon(frame: Frame, sky: Sky, course: LineCourse, reach_px: float, star: Pilot) -> bool:
    """Whether it is dark on both sides of the peaks, so near that what is lit is too short: two stars side by side."""
    away = SHORTEST_FWHM * star.long_px / 2
    if reach_px > away - star.long_px:
        return False
    along = np.array([-away, 0.0, away])[:, None] + np.linspace(-1, 1, 5) * star.long_px / 2
    x, y = course.x + course.c * along, course.y + course.s * along
    height, width = frame.pixels.shape
    row, column = (np.clip(np.rint(at), 0, n - 1).astype(np.intp) for at, n in ((y, height), (x, width)))
    light = frame.pixels[row, column].astype(float).mean(axis=1) - sky.level_and_noise_at(x[:, 2], y[:, 2])[0]
    return bool(max(light[0], light[2]) < LIT * light[1])


def _through_ridge(strip: LineStrip, begin: float, end: float) -> LineCourse:
    """The line laid through the light of a part of a strip."""
    near = np.flatnonzero((strip.along >= begin) & (strip.along <= end))
    light = strip.light[near] - np.median(strip.light[near][:, strip.sides], axis=1, keepdims=True)
    weight = np.clip(light, 0, None) ** 2 * np.exp(-((strip.across / strip.star_px) ** 2))
    total = np.maximum(weight.sum(axis=1), 1e-9)
    centre = (weight @ strip.across) / total
    slope, offset = np.polyfit(strip.along[near], centre, 1, w=np.sqrt(np.minimum(total, 4 * np.median(total))))
    return strip.course.tilted(slope, offset)


def _ends(strip: LineStrip, begin: float, end: float) -> tuple[float, float]:
    """Where the light of a lit part begins and ends along the line: the likeliest places of two steps."""
    light, lit = strip.ridge, (strip.along >= begin) & (strip.along <= end)
    if not lit.any():  # the ridge ran out of the image
        return begin, begin
    height = max(float(np.median(light[lit])), 1e-9)
    middle = int(np.argmin(np.abs(strip.along - (begin + end) / 2)))
    first, last = ends_of(light, middle, middle, height)
    return float(strip.along[first]), float(strip.along[last])


def _look(strip: LineStrip, section: Section, bright: F64, ends: tuple[float, float]) -> Look:
    """What may have drawn a short line."""
    begin, end = ends
    length = end - begin
    if min(abs(strip.course.c), abs(strip.course.s)) * length < 1.5:
        return "detector"
    if len(on_line(strip, bright, (begin - 2 * length, end + 2 * length))):
        return "spike"
    if section.fwhm_px > WIDTHS[1] * strip.star_px:
        return "extended"
    height, light = float(np.median(section.height)), strip.ridge
    far = 2 * strip.star_px
    before = light[(strip.along > begin - length / 2 - far) & (strip.along < begin - far)]
    after = light[(strip.along > end + far) & (strip.along < end + length / 2 + far)]
    dark = all(len(some) > 0 and float(np.median(some)) < BEYOND * height for some in (before, after))
    like_a_trail = (
        dark
        and section.fwhm_px > WIDTHS[0] * strip.star_px
        and LIMITS.allow(section, strip.star_px)
        and float(section.height[1:-1].min()) > LEAST_STRETCH * height
    )
    return "trail" if like_a_trail else "uneven"
