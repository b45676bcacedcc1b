"""What drew a line of light, judged by the pixels along it."""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.read.exposure import Frame
from framecheck.sky import Sky
from framecheck.stars.flashes import flashes_along
from framecheck.stars.line import Line, Look
from framecheck.stars.line_light import (
    F64,
    LIT_SIGMA,
    STRETCH_CUTS,
    Limits,
    LineCourse,
    LineStrip,
    Section,
    Stretches,
    cut_strip,
    ends_of,
    fine_stretches,
    section_of,
    straightened,
    stretches_of,
)
from framecheck.stars.pilot import Pilot

MOST_LIT: Final = 0.85
"""Share of the stretches between its ends that a trail lights, at least. Chosen."""

FEWEST_STRETCHES: Final = 6
"""Chosen: from fewer nobody can tell how even a line is."""

WIDEST: Final = (2.6, 1.5)
"""Width of a trail over that of a star, at most, from edge to edge and with an end in the frame. Chosen: a satellite
500 km away is 0.4 arcsec out of focus for a mirror of 1 m (closed form), an aeroplane has lights side by side; the
filaments of nebulae end in the frame, and most are twice as wide as stars."""

LIMITS: Final = (
    Limits(unlike=0.2, wander_fwhm=0.25, stands_out=4.0, leans=0.3, uneven=0.6),
    Limits(unlike=0.12, wander_fwhm=0.10, stands_out=4.0, leans=0.3, uneven=0.6),
)
"""For the same two kinds. Chosen: sections of drawn trails differ by 0.03, and by 0.1 where air or mount shift them by
a fifth of their width, as in a real one, those of filaments by 0.1 to 0.4; drawn trails wander by 0.05 FWHM, and of
what passes quickly, air of 2 arcsec shows its momentary shifts of 0.4 arcsec (from memory), filaments wander by 0.2 to
1.3; the edge of ground or cloud leans by over 0.5; a meteor is uneven by 0.2, an accelerated one more."""

SHARP: Final = 0.75
SHARP_PX: Final = 2.3
"""A line along rows or columns that is narrower than this, against a star, or no wider than two pixels did not come
through the optics. Chosen."""

ALIGNED_PX: Final = 1.0
"""Drift over its whole length of a line along rows or columns, at most. [px] Chosen: one trail in a thousand."""

SPIKE_FADES: Final = 2.0
"""Light near a bright star over that far from it, from which a line is its spike. Chosen: spikes fade with a power of
the distance, so that thirds differ by three and more."""

SEEN_SIGMA: Final = 0.2
"""How far out a trail's light matters to stars beside it: to this share of a pixel's noise. Chosen."""


def judged_line(frame: Frame, sky: Sky, course: LineCourse, star: Pilot, clipped: F64) -> Line | None:
    """Look at the pixels along a row of detections, known to two widths of a star; None if there is no line of light.

    Of a colour mosaic the sky is that of its cells; `clipped` are places of stars so bright that they have spikes.

    Light that runs from one edge to another is a trail if its cross-section is everywhere about the same, in place and
    width, and stands above both sides. One that ends within the frame must be straighter and narrower: nature draws
    such lines too, and only other frames can tell (`night.trails`).
    """
    strip = cut_strip(frame, sky, course, star)
    steady = None
    moved = straightened(strip)
    if moved is not None:
        moved = straightened(cut_strip(frame, sky, moved, star)) or moved
        steady = _steady(cut_strip(frame, sky, moved, star), clipped)
    if steady is not None and steady.look != "uneven":
        return steady
    flashes = flashes_along(strip)
    if flashes is not None:  # again along the line that they make
        flashes = flashes_along(cut_strip(frame, sky, _course(flashes), star)) or flashes
    return flashes or steady


def _course(line: Line) -> LineCourse:
    c, s = line.x1_px - line.x0_px, line.y1_px - line.y0_px
    return LineCourse(line.x0_px, line.y0_px, c / line.length_px, s / line.length_px)


def _steady(strip: LineStrip, clipped: F64) -> Line | None:
    """A line that shines all along between its ends."""
    every = stretches_of(strip, np.arange(len(strip.along)), STRETCH_CUTS[-1])
    run = _longest_run((every.snr > LIT_SIGMA) & (np.abs(every.centre) < strip.star_px))
    if run is None:
        return None
    ends, open_ends = _ends(strip, every, run)
    cuts = np.flatnonzero((strip.along >= ends[0]) & (strip.along <= ends[1]))
    if len(cuts) < STRETCH_CUTS[0]:
        return None
    stretches = fine_stretches(strip, cuts)
    section = section_of(strip, stretches)
    if section is None:
        return None
    look = _look(strip, stretches, section, clipped, ends, open_ends)
    return line_record(strip, section, look, ends, open_ends)


def _longest_run(lit: NDArray[np.bool_]) -> tuple[int, int] | None:
    """First and last of the lit stretches that make the longest line with few gaps; None if there is no line."""
    at = np.flatnonzero(lit)
    runs = [(int(i), int(j)) for i in at for j in at[at >= i] if lit[i : j + 1].mean() >= MOST_LIT]
    return max(runs, key=lambda run: run[1] - run[0], default=None)


def _ends(strip: LineStrip, stretches: Stretches, run: tuple[int, int]) -> tuple[tuple[float, float], int]:
    """Where a line's light begins and ends along it, and how many of these ends lie within the frame."""
    light = strip.ridge
    start, stop = np.searchsorted(strip.along, stretches.along[list(run)])
    height = max(float(np.median(light[start : stop + 1])), 1e-9)
    first, last = ends_of(light, int(start), int(stop), height)
    edge = max(1.5 * strip.across[-1], 0.03 * np.ptp(strip.along))
    begin, end = float(strip.along[first]), float(strip.along[last])
    return (begin, end), int(begin > strip.along[0] + edge) + int(end < strip.along[-1] - edge)


def _look(
    strip: LineStrip, stretches: Stretches, section: Section, clipped: F64, ends: tuple[float, float], open_ends: int
) -> Look:
    """What may have drawn a steady line."""
    bright = on_line(strip, clipped, ends)
    drift = min(abs(strip.course.c), abs(strip.course.s)) * (ends[1] - ends[0])
    sharp = section.fwhm_px < max(SHARP * strip.star_px, SHARP_PX)
    if drift < ALIGNED_PX and (sharp or len(bright)):
        return "detector"
    if any(_fades_from(place, stretches, section) for place in bright):
        return "spike"
    kind = int(open_ends > 0)
    if section.fwhm_px > WIDEST[kind] * strip.star_px:
        return "extended"
    enough = len(section.height) >= FEWEST_STRETCHES
    return "trail" if enough and LIMITS[kind].allow(section, strip.star_px) else "uneven"


def on_line(strip: LineStrip, places: F64, ends: tuple[float, float]) -> F64:
    """Where along the line, between two ends, stars lie that it runs through; of their places, shape (2, n). [px]"""
    along, across = strip.course.along_and_across(places)
    on = np.abs(across) < 1.5 * strip.star_px
    reach = strip.across[-1]
    return np.asarray(along[on & (along > ends[0] - reach) & (along < ends[1] + reach)], dtype=float)


def _fades_from(place: float, stretches: Stretches, section: Section) -> bool:
    """Whether a line's light fades away from a place on it."""
    order = np.argsort(np.abs(stretches.along - place))
    third = max(len(order) // 3, 1)
    near, far = (float(np.median(section.height[some])) for some in (order[:third], order[-third:]))
    return near > SPIKE_FADES * far


def line_record(strip: LineStrip, section: Section, look: Look, ends: tuple[float, float], open_ends: int) -> Line:
    """The record of a line."""
    one, height = strip.course, float(np.median(section.height))
    total = float(section.light.sum()) * strip.pitch
    n_within = int(((strip.along >= ends[0]) & (strip.along <= ends[1])).sum())
    # a median is 1.25 times as uncertain as a mean
    error = 1.25 * strip.noise_adu * math.sqrt(section.fwhm_px * strip.pitch / max(n_within, 1))
    return Line(
        x0_px=one.x + one.c * ends[0],
        y0_px=one.y + one.s * ends[0],
        x1_px=one.x + one.c * ends[1],
        y1_px=one.y + one.s * ends[1],
        fwhm_px=section.fwhm_px,
        reach_px=_reach(strip, section.light * height, section.fwhm_px),
        light_adu_per_px=height * total,
        light_error_adu_per_px=error,
        unevenness=section.unevenness,
        open_ends=open_ends,
        look=look,
    )


def _reach(strip: LineStrip, light: F64, fwhm_px: float) -> float:
    """How far out on either side a cross-section rises above the noise. [px]"""
    both = (light + light[::-1])[len(light) // 2 :] / 2
    smooth = np.convolve(np.pad(both, 1, mode="reflect"), np.ones(3) / 3, mode="valid")
    dark = np.flatnonzero(smooth < SEEN_SIGMA * strip.noise_adu)
    return float(max((dark[0] if len(dark) else len(smooth) - 1) * strip.pitch, fwhm_px))
