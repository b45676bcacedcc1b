"""The light along a line: its cross-section, stretch by stretch."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust
from framecheck.read.exposure import Frame
from framecheck.sky import Sky
from framecheck.stars.order import quantiles_of_rows
from framecheck.stars.pilot import Pilot

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]

MOST_CUTS: Final = 1200
"""Cuts across a line at the most. Chosen: a long line is as well known from some as from all of them."""

STRETCH_CUTS: Final = (15, 25, 40)
"""Cuts whose median makes one cross-section, at least: few of a bright line, many of a faint one. Chosen: stars on
less than half of them do not count."""

MOST_STRETCHES: Final = 16
"""Chosen: more tell no more of how even a line is."""

FINE_SNR: Final = 10.0
"""Signal over noise that stretches keep when they are made shorter. Chosen: their shape is then known to a tenth."""

SIDES_FWHM: Final = (4.0, 6.5)
"""Where a cut shows the sky beside the line. [FWHM] Chosen: there are 2 parts in 1000 of the line's light left."""

LIT_SIGMA: Final = 4.0
"""Signal over noise from which a stretch is lit. Chosen: its place is then known to a sixth of the FWHM."""


@dataclass(frozen=True, slots=True)
class LineCourse:
    """A straight line without ends: a point of it, and its direction as a unit vector."""

    x: float
    y: float
    c: float
    s: float

    @classmethod
    def through(cls, points: F64) -> "LineCourse":
        """The line along which points lie, shape (2, n): through their medians, along their main axis."""
        middle = np.median(points, axis=1)
        off = points - middle[:, None]
        direction = np.linalg.eigh(off @ off.T)[1][:, 1]
        return cls(float(middle[0]), float(middle[1]), float(direction[0]), float(direction[1]))

    def along_and_across(self, points: F64) -> tuple[F64, F64]:
        """Places of points, shape (2, n), on the line, and how far they lie beside it. [px]"""
        dx, dy = points[0] - self.x, points[1] - self.y
        return self.c * dx + self.s * dy, self.c * dy - self.s * dx

    def tilted(self, slope: float, offset: float) -> "LineCourse":
        """The line that lies `offset` beside this one at its point, and runs away from it with a slope."""
        turn = 1 / np.hypot(1, slope)
        c, s = (self.c - slope * self.s) * turn, (self.s + slope * self.c) * turn
        return LineCourse(float(self.x - self.s * offset), float(self.y + self.c * offset), float(c), float(s))


@dataclass(frozen=True, slots=True)
class LineStrip:
    """Light above the sky in cuts across a line, from edge to edge of the image; shape (n_cuts, n_across)."""

    course: LineCourse
    light: F32
    along: F64
    """Place of each cut on the line. [px]"""
    across: F64
    """Place in the cut. [px]"""
    star_px: float
    """Width of a star, the pixel's own blur included. [px]"""
    noise_adu: float
    """Of one value where the sky is blank."""

    @property
    def sides(self) -> NDArray[np.bool_]:
        """Which values of a cut show the sky beside the line."""
        return np.abs(self.across) > SIDES_FWHM[0] * self.star_px

    @property
    def middle(self) -> NDArray[np.bool_]:
        """Which values of a cut show a narrow line in the middle."""
        return np.abs(self.across) <= max(0.6 * self.star_px, 1.0)

    @property
    def ridge(self) -> F32:
        """Light of the middle of each cut over the sky beside it. [ADU]"""
        (beside,) = quantiles_of_rows(self.light[:, self.sides], 0.5)
        over: F32 = self.light[:, self.middle].mean(axis=1) - beside
        return over

    @property
    def pitch(self) -> float:
        """From one value of a cut to the next. [px]"""
        return float(self.across[1] - self.across[0])


@dataclass(frozen=True, slots=True)
class Stretches:
    """Cross-sections, each the median of many cuts."""

    light: F64
    """Sky beside the line taken off, shape (n_stretches, n_across). [ADU]"""
    along: F64
    """Middle of each stretch. [px]"""
    centre: F64
    """Where the ridge lies across. [px]"""
    snr: F64
    """Of the ridge, under a filter of a star's width, against the scatter of the sky beside it."""


@dataclass(frozen=True, slots=True)
class Section:
    """The cross-section that all stretches have in common, and how they differ from it."""

    light: F64
    """Shape (n_across,); highest 1."""
    height: F64
    """Of each stretch. [ADU]"""
    noise: F64
    """Scatter of the sky beside the line in each cross-section. [ADU]"""
    lean: F64
    """Sky on one side less that on the other, against the height of each stretch. [dimensionless]"""
    unlike: float
    """Typical rms of what the common cross-section leaves near the ridge, noise taken off, against its height."""
    wander_px: float
    """Scatter of the ridge about a straight line, noise taken off. [px]"""
    fwhm_px: float

    @property
    def unevenness(self) -> float:
        """Scatter of the height against its median, noise taken off."""
        height = float(np.median(self.height))
        spread = robust.mad_std(self.height)
        return float(np.sqrt(max(spread**2 - np.median(self.noise) ** 2, 0.0)) / max(height, 1e-9))


@dataclass(frozen=True, kw_only=True, slots=True)
class Limits:
    """How even a line must be to be a trail."""

    unlike: float
    """Rms difference of a stretch's cross-section from the common one, noise taken off, against its height, at most."""
    wander_fwhm: float
    """Scatter of the ridge about a straight line, noise taken off, at most. [FWHM]"""
    stands_out: float
    """Height of the ridge over the scatter of the sky beside it, at least: in nebulae it is the texture that
    scatters."""
    leans: float
    """Difference of the sky on both sides against the height, at most."""
    uneven: float
    """Scatter of the light along it against its median, at most."""

    def allow(self, section: Section, star_px: float) -> bool:
        """Whether a line of some section is even."""
        return bool(
            section.unlike < self.unlike
            and section.wander_px < max(self.wander_fwhm * star_px, 0.25)
            and np.median(section.height) > self.stands_out * np.median(section.noise)
            and np.median(section.lean) < self.leans
            and section.unevenness < self.uneven
        )


def cut_strip(frame: Frame, sky: Sky, course: LineCourse, star: Pilot, reach_px: float = np.inf) -> LineStrip:
    """The light along a line, as far as the image goes or `reach_px` to either side of its middle.

    Beyond the image's edge its last pixels go on. Of a colour mosaic each value is the mean of four pixels, which hold
    all its colours.
    """
    height, width = frame.pixels.shape
    cell = 1 if frame.mosaic is None else 2
    star_px = max(star.short_px, 1.2)
    first, last = np.clip(_chord(course, width, height), -reach_px, reach_px)
    along = np.linspace(first, last, int(np.clip((last - first) / cell, 2, MOST_CUTS)))
    reach = cell * np.ceil(SIDES_FWHM[1] * star_px / cell)
    across = np.arange(-reach, reach + 1, cell)
    shift = (cell - 1) / 2
    x = course.x - shift + course.c * along[:, None] - course.s * across
    y = course.y - shift + course.s * along[:, None] + course.c * across
    column = np.clip(np.rint(x).astype(np.intp), 0, width - cell)
    row = np.clip(np.rint(y).astype(np.intp), 0, height - cell)
    at, flat = row * width + column, frame.pixels.reshape(-1)
    light = flat[at].astype(np.float32)
    for beside in (1, width, width + 1) if cell == 2 else ():
        light += flat[at + beside]
    light /= cell**2
    level, noise = sky.level_and_noise_at(course.x + course.c * along, course.y + course.s * along)
    light -= level[:, None]
    if light.dtype == frame.pixels.dtype:  # of floats some may be undefined
        np.nan_to_num(light, copy=False)
    return LineStrip(course, light, along, across, star_px, float(np.median(noise)) / cell)


def _chord(course: LineCourse, width: int, height: int) -> tuple[float, float]:
    """Where a line enters and leaves the image, along itself."""
    first, last = -np.inf, np.inf
    for at, step, most in ((course.x, course.c, width - 1.0), (course.y, course.s, height - 1.0)):
        if abs(step) > 1e-9:
            ends = sorted(((0.0 - at) / step, (most - at) / step))
            first, last = max(first, ends[0]), min(last, ends[1])
    return float(first), float(last)


def stretches_of(strip: LineStrip, cuts: NDArray[np.intp], each: int) -> Stretches:
    """Cross-sections of a line from some of its cuts, in stretches of so many or more."""
    n = int(np.clip(len(cuts) // each, 1, MOST_STRETCHES))
    size = len(cuts) // n
    light = np.sort(strip.light[cuts[: n * size]].reshape(n, size, -1), axis=1)[:, size // 2].astype(float)
    light -= np.median(light[:, strip.sides], axis=1, keepdims=True)
    window = np.exp(-4 * np.log(2) * (strip.across / strip.star_px) ** 2)
    window = window[np.abs(strip.across) <= 1.5 * strip.star_px]
    window -= window.mean()
    response = np.array([np.convolve(one, window, mode="same") for one in light])
    inside = np.abs(strip.across) <= strip.across[-1] - len(window) // 2 * strip.pitch
    noise = robust.spread(response[:, inside & (np.abs(strip.across) > 2.5 * strip.star_px)], axis=1)
    near = np.flatnonzero(np.abs(strip.across) <= 2.5 * strip.star_px)
    top = near[np.argmax(response[:, near], axis=1)]
    before, here, after = (response[np.arange(n), top + step] for step in (-1, 0, 1))
    bend = np.maximum(2 * here - before - after, 1e-9)
    centre = strip.across[top] + strip.pitch * np.clip((after - before) / (2 * bend), -0.5, 0.5)
    middle = strip.along[cuts[: n * size]].reshape(n, size).mean(axis=1)
    return Stretches(light, middle, centre, here / np.maximum(noise, 1e-9))


def fine_stretches(strip: LineStrip, cuts: NDArray[np.intp]) -> Stretches:
    """As many stretches as the light allows."""
    for each in STRETCH_CUTS:
        stretches = stretches_of(strip, cuts, each)
        if np.median(stretches.snr) > FINE_SNR:
            break
    return stretches


def straightened(strip: LineStrip) -> LineCourse | None:
    """The line laid through the ridges of lit stretches; None if too few are lit."""
    stretches = stretches_of(strip, np.arange(len(strip.along)), STRETCH_CUTS[-1])
    lit = stretches.snr > LIT_SIGMA
    for _ in range(3):
        if lit.sum() < 3:
            return None
        along, centre = stretches.along[lit], stretches.centre[lit]
        slope, offset = np.polyfit(along, centre, 1, w=np.minimum(stretches.snr[lit], 20))
        off = np.abs(stretches.centre - offset - slope * stretches.along)
        lit = (stretches.snr > LIT_SIGMA) & (off < max(2.0, 2.5 * robust.spread(off[lit])))
    return strip.course.tilted(slope, offset)


def ends_of(light: NDArray[np.floating], start: int, stop: int, height: float) -> tuple[int, int]:
    """First and last cut of a line's light, which is lit from one cut to another and so high there.

    The end is where the sum of the light, less half of its usual height, is greatest: the likeliest place of a step.
    """
    step = np.clip(light, -height, 2 * height) - 0.5 * height
    return start - int(np.argmax(np.cumsum(step[start::-1]))), stop + int(np.argmax(np.cumsum(step[stop:])))


def section_of(strip: LineStrip, stretches: Stretches) -> Section | None:
    """What cross-sections along a line have in common; None if there is no ridge."""
    peak = np.maximum(stretches.light[:, strip.middle].max(axis=1), 1e-9)
    noise = robust.spread(stretches.light[:, strip.sides], axis=1)
    light = np.median(stretches.light / peak[:, None], axis=0)
    light -= np.median(light[strip.sides])
    top = light[strip.middle].max()
    if top <= 0:
        return None
    light /= top
    fwhm = _width_at_half(light) * strip.pitch
    near = np.abs(strip.across) <= 1.5 * max(fwhm, strip.star_px)
    design = np.stack([light, np.ones_like(light), strip.across], axis=1)[near]
    fit = np.linalg.lstsq(design, stretches.light[:, near].T, rcond=None)[0]
    tall = np.maximum(fit[0], 1e-9)
    rest = (np.mean((stretches.light[:, near].T - design @ fit) ** 2, axis=0) - noise**2) / tall**2
    sides = [np.median(stretches.light[:, strip.sides & side], axis=1) for side in (strip.across < 0, strip.across > 0)]
    wander = robust.mad_std(stretches.centre)
    by_noise = 0.6 * strip.star_px / float(np.median(stretches.snr))
    return Section(
        light=light,
        height=fit[0],
        noise=noise,
        lean=np.abs(sides[0] - sides[1]) / tall,
        unlike=float(np.sqrt(max(float(np.median(rest)), 0.0))),
        wander_px=float(np.sqrt(max(wander**2 - by_noise**2, 0.0))),
        fwhm_px=fwhm,
    )


def _width_at_half(light: F64) -> float:
    """Width at half of the middle's height, straight between values. [values]"""
    centre = len(light) // 2
    top = centre - 2 + int(np.argmax(light[centre - 2 : centre + 3]))
    half = light[top] / 2
    right = next((i for i in range(top, len(light) - 1) if light[i + 1] < half), len(light) - 2)
    left = next((i for i in range(top, 0, -1) if light[i - 1] < half), 1)
    beyond = (light[right] - half) / max(light[right] - light[right + 1], 1e-9)
    before = (light[left] - half) / max(light[left] - light[left - 1], 1e-9)
    return float(right - left + min(beyond, 1) + min(before, 1))
