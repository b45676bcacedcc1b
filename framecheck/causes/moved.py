"""Moved stars: the smear of a group's frames beside what its drift, rhythm and turning would make of them."""

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust, shear
from framecheck.causes.result import CannotTell
from framecheck.causes.series import Bools, Floats, Series, grouped, series_of
from framecheck.constants import FWHM_PER_SIGMA
from framecheck.motion.night import Night
from framecheck.motion.records import Motion
from framecheck.motion.smears import lines_px
from framecheck.motion.tracking import Tracking, declination_deg
from framecheck.night.records import NightFrame

Complexes = NDArray[np.complex128]

SEEN: Final = 0.1
"""|spin2| over the squared FWHM from which a smear counts: an elongation of 1.10. [dimensionless] Chosen: half of
1.22, which any eye sees."""

LINE_SEEN: Final = 0.35
"""Length of a line over the FWHM from which it counts. [dimensionless] Chosen: it makes an elongation of 1.03 alone,
and one of 1.2 where another smear lies along it."""

STEADY: Final = 0.015
STEADY_IN_S: Final = 60.0
"""Scatter of the smear, over the squared FWHM, of frames that nothing moves: what air leaves in a minute's exposure,
and more in shorter ones, as means of N independent places do. [dimensionless, s] Chosen."""


LINE_SCATTER: Final = 0.1
"""[dimensionless] Error of a line's length over the FWHM. Chosen."""

SURE_SIGMA: Final = 4.0
"""Drift over its error from which it is real. Chosen: errors of a drift rest on few frames."""
SIGMA_SCATTER: Final = 1.3

SLOW: Final = 0.8
"""Correlation of the smear with the speed between frames from which the motion is slow. [dimensionless] Chosen."""
FEWEST_FRAMES: Final = 6


@dataclass(frozen=True, kw_only=True, slots=True)
class Moved:
    """One group's smear, frame by frame; arrays of shape (n,)."""

    series: Series
    tracking: Tracking
    motion: Motion
    frames: tuple[NightFrame, ...]
    """Those with a smear."""
    scale_arcsec: float | None
    fwhm_px: float
    """Usual one."""
    smear: Complexes
    """spin2 over the squared FWHM, sinh of ln(a / b): 0.22 for an elongation of 1.25. Reference frame's axes."""
    error: Floats
    """Of real and imaginary part each."""
    from_drift: Complexes
    """What the drift between exposures would make of them inside; 0 where the drift is unknown."""
    from_speed: Complexes
    """What the speed seen between each frame and its neighbours would make of it; NaN where it is unknown."""
    line_px: Floats
    """Length of the drift's line in each exposure."""

    def where(self, mask: Bools) -> frozenset[int]:
        """Indices in `Night.frames` of some of the frames with a smear, from a mask of shape (n,)."""
        return frozenset(i for i, there in zip(self.tracking.smears.frames, mask, strict=True) if there)

    @property
    def every_frame(self) -> frozenset[int]:
        """Indices in `Night.frames` of all frames with a smear."""
        return frozenset(self.tracking.smears.frames)

    @property
    def size(self) -> Floats:
        """|smear|, noise taken off."""
        return np.asarray(shear.calm(np.abs(self.smear), self.error))

    @property
    def e(self) -> Complexes:
        """ln(long axis / short axis) times exp(2 i pa), as motion alone would make it."""
        return shear.e_of(self.smear)

    @property
    def drift_seen(self) -> float:
        """Drift over its error; 0 where unknown."""
        x, y, error = self.motion.drift_x_px_per_min, self.motion.drift_y_px_per_min, self.motion.drift_error_px_per_min
        return 0.0 if x is None or y is None or not error else math.hypot(x, y) / (math.sqrt(2) * error)

    @property
    def along_ra(self) -> Complexes | None:
        """Smear with its direction counted from right ascension: real part positive along it, negative across."""
        if self.tracking.axes is None:
            return None
        return np.asarray(self.smear * shear.turning(-self.tracking.axes.ra_angle_deg))

    @property
    def slow(self) -> float:
        """Correlation of the smear with what the speed between frames lets expect.

        1 if the motion lasts from one frame to the next, 0 if it is faster, or unknown.
        """
        known = np.isfinite(self.from_speed)
        if known.sum() < 5:
            return 0.0
        return shear.correlation(self.smear[known], self.from_speed[known])

    @property
    def middle(self) -> complex:
        """Usual smear of the group."""
        return shear.middle(self.smear)

    @property
    def scatter(self) -> float:
        """Of each component from frame to frame, robust, measuring errors taken off."""
        off = np.concatenate([(self.smear - self.middle).real, (self.smear - self.middle).imag])
        seen = robust.spread(off)
        return math.sqrt(max(seen**2 - float(np.median(self.error)) ** 2, 0.0))


def all_moved(night: Night) -> Iterator[Moved]:
    """One for each group whose frames show a smear or its absence."""
    for group in night.groups:
        tracking = night.tracking.get(group.id)
        if tracking is None or not len(tracking.smears.frames):
            continue
        smears, motion = tracking.smears, night.motion[group.id]
        square = smears.fwhm_px**2
        x, y = motion.drift_x_px_per_min or 0.0, motion.drift_y_px_per_min or 0.0
        line = math.hypot(x, y) * np.nan_to_num(smears.exposure_s) / 60
        turn = np.exp(2j * math.atan2(y, x))
        yield Moved(
            series=series_of(night, group),
            tracking=tracking,
            motion=motion,
            frames=tuple(night.frames[i] for i in smears.frames),
            scale_arcsec=_scale(night, tracking),
            fwhm_px=float(np.median(smears.fwhm_px)),
            smear=smears.spin2_px2 / square,
            error=np.hypot(smears.error_px2 / square, _still_scatter(smears.exposure_s)),
            from_drift=tracking.spin2_of_line(line) / square * turn,
            from_speed=_from_speed(tracking, motion) / square,
            line_px=line,
        )


def _still_scatter(exposure_s: Floats) -> Floats:
    short = np.clip(np.nan_to_num(exposure_s, nan=STEADY_IN_S), 1.0, STEADY_IN_S)
    return np.asarray(STEADY * np.sqrt(STEADY_IN_S / short))


def _from_speed(tracking: Tracking, motion: Motion) -> Complexes:
    """Smear that the motion from the frame before to the frame after makes in an exposure; NaN at jumps. [px²]"""
    line = lines_px(motion, tracking.smears.frames, tracking.smears.exposure_s)
    out: Complexes = tracking.spin2_of_line(np.abs(line)) * np.exp(2j * np.angle(line))
    return out


def _scale(night: Night, tracking: Tracking) -> float | None:
    if tracking.axes is not None and tracking.axes.orientation is not None:
        return tracking.axes.orientation.pixel_scale_arcsec
    return night.rig.pixel_scale_arcsec


def places_px(moved: Moved) -> Complexes:
    """Where the stars lie in each frame, x + iy; NaN where it is unknown; shape (n,)."""
    places = (one.registration for one in moved.frames)
    return np.array([np.nan if one is None else complex(one.shift_x_px, one.shift_y_px) for one in places])


def cos_dec(moved: Moved) -> float:
    """Cosine of the declination; 1 where it is unknown."""
    dec = declination_deg(moved.frames, moved.tracking.axes)
    return 1.0 if dec is None else max(math.cos(math.radians(dec)), 0.05)


def smear_cost(moved: Moved) -> float:
    """Part of the squared FWHM that the smear makes: 1 - b / a."""
    return float(shear.cost_of(np.median(moved.size)))


def line_cost(length: float) -> float:
    """Part of the squared FWHM that an even line makes, so many FWHM long: its variance is a twelfth of its square."""
    return float(shear.cost_of(length**2 / 12 * FWHM_PER_SIGMA**2 / 2))


def likeliest(groups: Iterable[Moved], odds: Callable[[Moved], float]) -> tuple[Moved, float]:
    """The group that speaks most for a cause, and its log-odds."""
    rows = [(one, odds(one)) for one in groups]
    return max(rows, key=lambda row: row[1])


def no_motion(night: Night, cause: str, otherwise: str) -> CannotTell:
    """The answer where no motion is known: for lack of stars or, if there are stars, for what `otherwise` says."""
    stars = any(frame.result.shape is not None for frame in grouped(night))
    return CannotTell(
        cause=cause,
        because=otherwise if stars and otherwise else "too few stars, or too few frames, show how the mount moved",
        what_would_settle_it="a run of ten frames or more of one target, with the pixel scale known",
    )


def too_few(cause: str, settles: str, because: str = "") -> CannotTell:
    """The answer where too few frames show stars."""
    return CannotTell(
        cause=cause,
        because=because or f"fewer than {FEWEST_FRAMES} frames of one kind have enough stars",
        what_would_settle_it=settles,
    )
