"""Motion of the mount in a usual frame of a group, and how much more of it the frames cannot exclude."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, inf, isfinite, log, radians, sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.causes.catalogue import CAUSES
from framecheck.causes.result import Finding
from framecheck.decision.at_rest import AtRest, at_rest, round_motion_between
from framecheck.motion.night import Night
from framecheck.motion.records import Motion
from framecheck.motion.tracking import Tracking
from framecheck.night.records import Group
from framecheck.robust import spread, typical

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

CLAIMED: Final = 0.5
"""[dimensionless] From this confidence on a finding counts as claimed (the contract of night.json)."""

STILLEST_AIR_ARCSEC: Final = 0.8
"""[arcsec] FWHM at the zenith that the air seldom falls below where people put their own telescopes. Common practice,
no source."""

LEAST_LEFT: Final = 0.5
"""Width that round motion leaves of a star at the least. [dimensionless] Chosen: more than three quarters of the
squared width would not be so round."""

AIR_SWINGS: Final = 0.25
"""[dimensionless] Scatter of ln(FWHM) that the air alone seldom exceeds in a night. Chosen."""

SWING_S: Final = 4.0
SWINGS_S: Final = (1.0, 10.0)
"""[s] Memory of a guided mount's random motion: the interval of the corrections, and the range of it. Chosen."""

RECORD_TELLS: Final = (0.5, 1.3)
"""[dimensionless] Variance of the mount's own motion over that of the guide star on record: part of the latter is air,
and motion faster than the guide exposures is not in it. Chosen."""

STEADY_MOTION: Final = (
    "periodic-error", "polar-misalignment", "untracked", "differential-flexure", "declination-backlash",
)  # fmt: skip
"""Causes that change the smear from frame to frame without being random."""

DRAWN_BY_OPTICS: Final = ("miscollimation", "astigmatism", "pinched-optics", "coma")
"""Causes that draw the stars of all frames out alike, as a steady motion would."""

BESIDE_STEADY: Final = 0.25
"""Variance of a random motion, over that along the axis, that such a motion may hide. [dimensionless] Chosen."""

SURE: Final = 0.9
"""[dimensionless] Confidence of a flaw of the optics below which the frames leave to the mount what it draws out.
Chosen."""

FOCUS_CAUSES: Final = ("defocus", "focus-drift")
TWICE: Final = 2.0
"""[sigma] Bounds that come from an error reach so far. Chosen: they are to hold."""


@dataclass(frozen=True, kw_only=True, slots=True)
class MotionSpread:
    """A value with its bounds."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Seen:
    """What the budget of one group rests on."""

    night: Night
    group: Group
    tracking: Tracking
    rest: AtRest
    findings: tuple[Finding, ...]
    scale: float | None
    """Arcseconds a pixel."""

    def claims(self, *causes: str) -> bool:
        """Whether one of these causes is claimed."""
        return any(one.cause in causes and one.confidence >= CLAIMED for one in self.findings)


@dataclass(frozen=True, slots=True)
class Blurring:
    """Motion of a usual frame as it widens the star. [px²]"""

    still: float
    """Width of the star without the motion along its axis, over that with it."""
    along: float
    """Variance along that axis."""
    round: float
    """Variance on each axis of what is beside it, alike in all directions."""

    @property
    def mean(self) -> float:
        """Of both axes."""
        return self.along / 2 + self.round


@dataclass(frozen=True, slots=True)
class Motions:
    """Motion of a usual frame, the likeliest and the bounds."""

    value: Blurring
    low: Blurring
    high: Blurring
    settled: bool = False
    """True if a guiding record tells it."""


def steady_optics_px2(tracking: Tracking, findings: Sequence[Finding]) -> complex | Complexes:
    """What the optics draw all stars out by: the part that all frames share, where optics are claimed and no drift is.

    Astigmatism beside which nothing in the mount is claimed draws out each frame by itself, as focus goes, along one
    direction or at right angles to it: what lies at 45 degrees is left to the mount.
    (a² - b²) / 2 times exp(2 i pa), as in `motion.tracking.Smears`; 0 where nothing is laid to the optics. [px²]
    """
    claimed = {one.cause for one in findings if one.confidence >= CLAIMED}
    if "astigmatism" in claimed and not _blamed(findings):
        spin2 = tracking.smears.spin2_px2
        turn = np.exp(0.5j * np.angle(np.sum(spin2**2)))
        along: Complexes = (spin2 * turn.conjugate()).real * turn
        return along
    if not claimed & set(DRAWN_BY_OPTICS) or claimed & set(STEADY_MOTION):
        return 0j
    return _shared_px2(tracking)


def goes_evenly(findings: Sequence[Finding]) -> bool:
    """Whether the motion inside an exposure is one that draws lines: a drift, or a slow swing."""
    return any(one.cause in STEADY_MOTION and one.confidence >= CLAIMED for one in findings)


def _shared_px2(tracking: Tracking) -> complex:
    spin2 = tracking.smears.spin2_px2
    return complex(np.median(spin2.real), np.median(spin2.imag)) if len(spin2) else 0j


def pixel_scale(night: Night, tracking: Tracking) -> float | None:
    """Arcseconds a pixel, from the group's own axes where they are known."""
    if tracking.axes is not None and tracking.axes.orientation is not None:
        return tracking.axes.orientation.pixel_scale_arcsec
    return night.rig.pixel_scale_arcsec


def usual_motion(seen: Seen) -> Motions:
    """Motion of a usual frame, with what the shapes cannot exclude.

    Motion along one axis draws stars out, and is known. Motion alike in all directions leaves no shape of its own: a
    guiding record tells it, else how much the shapes change at random from frame to frame; the bounds leave room for
    the air that there must be.
    """
    rest = seen.rest
    along = float(np.median(rest.variance_px2))
    still = float(np.median(rest.rest_px / rest.fwhm_px))
    doubt = min(float(np.median(rest.known_to)) / sqrt(len(rest.frames)) + 0.1, 1.0)
    turning = _turning_px2(seen.night.motion.get(seen.group.id), seen)
    recorded_px2 = _recorded_px2(seen)
    if recorded_px2 is not None:
        beyond, less, more = (max(share * recorded_px2 - along / 2, 0.0) + turning for share in (1.0, *RECORD_TELLS))
        value, low, high = (Blurring(still, along, size) for size in (beyond, less, more))
        return Motions(value, low, high, settled=True)
    restless = _restless_px2(seen)
    beyond, least, most = 0.0, 0.0, _room_px2(seen)
    if (seen.tracking.guided is not False or seen.claims("guiding-noise")) and not seen.claims(*STEADY_MOTION):
        beyond, least = (min(max(size - along / 2, 0.0), most) for size in (restless.value, restless.low))
    if not seen.claims("guiding-noise"):
        least = 0.0  # the air changes shapes a little, too
    hidden = BESIDE_STEADY * along if seen.claims(*STEADY_MOTION) else inf
    most_seen = min(max(beyond, min(restless.high - along / 2, hidden), 0.0), most)
    less, more = still + doubt * (1 - still), max(still - doubt * (1 - still), 0.1)
    sure = along * (1 - doubt)
    if not _blamed(seen.findings):
        # a shape that all frames share may as well be the optics'
        calm = at_rest(seen.night, seen.tracking, _shared_px2(seen.tracking))
        if calm is not None:
            sure = min(sure, float(np.median(calm.variance_px2)))
            less = max(less, float(np.median(calm.rest_px / calm.fwhm_px)))
    most_along = along * (1 + doubt)
    drawn = [one for one in seen.findings if one.cause in DRAWN_BY_OPTICS and one.confidence >= CLAIMED]
    if drawn and max(one.confidence for one in drawn) < SURE:
        moved = at_rest(seen.night, seen.tracking, even=rest.even)
        if moved is not None:
            more = min(more, float(np.median(moved.rest_px / moved.fwhm_px)))
            most_along = max(most_along, float(np.median(moved.variance_px2)))
    return Motions(
        Blurring(still, along, beyond + turning),
        Blurring(less, sure, least + turning),
        Blurring(more, most_along, most_seen + turning),
    )


def _blamed(findings: Sequence[Finding]) -> bool:
    """Whether anything in the mount is claimed."""
    return any(CAUSES[one.cause].family == "mount" and one.confidence >= CLAIMED for one in findings)


def _recorded_px2(seen: Seen) -> float | None:
    """Motion of the guide star in a usual frame, variance on each axis; None without a record of it."""
    rms = [seen.night.frames[i].guide_rms_arcsec for i in seen.rest.frames]
    square = [(ra**2 + dec**2) / 2 for ra, dec in (one for one in rms if one is not None)]
    if seen.scale is None or len(square) < len(rms) / 2:
        return None
    return float(np.median(square)) / seen.scale**2


def _turning_px2(motion: Motion | None, seen: Seen) -> float:
    """Motion on each axis, averaged over the field, from its turning inside an exposure about the middle.

    An arc of length L has the variance L² / 12 along it; the mean squared distance from the middle of a rectangle is a
    third of that of its corners. Closed forms.
    """
    if motion is None or motion.rotation_deg_per_hour is None or motion.rotation_error_deg_per_hour is None:
        return 0.0
    rate = abs(motion.rotation_deg_per_hour)
    if rate < 3 * motion.rotation_error_deg_per_hour or seen.claims("untracked"):
        return 0.0
    exposure = seen.night.frames[seen.group.reference].result.exposure
    corner = hypot(exposure.width_px, exposure.height_px) / 2
    arc = radians(rate) * (exposure.exposure_s or 0.0) / 3600 * corner
    return arc**2 / 12 / 3 / 2


def _restless_px2(seen: Seen) -> MotionSpread:
    """Random motion, variance on each axis, that makes the smear change from frame to frame as much as it does.

    Of N independent places of a random motion with the variance s² on each axis, (Sxx - Syy) / 2 and Sxy scatter by
    s² / sqrt(N) each (closed form for normal motion); a motion whose memory fades as exp(-t / T) has N = exposure / T.
    """
    smears = seen.tracking.smears
    if len(smears.frames) < 4:
        return MotionSpread(value=0.0, low=0.0, high=inf)
    surely = [one for one in seen.findings if one.confidence >= SURE]
    moved = smears.spin2_px2 - steady_optics_px2(seen.tracking, surely)  # focus makes astigmatism change as well
    steps = np.diff(moved) / sqrt(2)  # from one frame to the next: what turns slowly is not random
    scatter = spread(np.concatenate([steps.real, steps.imag]))
    noise = float(np.median(smears.error_px2))
    calm = sqrt(max(scatter**2 - noise**2, 0.0))
    exposure = smears.typical_exposure_s if isfinite(smears.typical_exposure_s) else 60.0
    unit = 8 * log(2) * seen.tracking.response
    value, high, low = (calm / unit * sqrt(max(exposure / memory, 1.0)) for memory in (SWING_S, *SWINGS_S))
    return MotionSpread(value=value, low=low, high=high)


def _room_px2(seen: Seen) -> float:
    """Round motion, variance on each axis, beside which there is still room for the least air that there must be."""
    rest, frames = seen.rest, [seen.night.frames[i] for i in seen.rest.frames]
    airmass = np.array([np.nan if f.airmass is None else f.airmass for f in frames])
    x = typical(airmass) if np.isfinite(airmass).any() else 1.0
    width = float(np.median(rest.rest_px))
    least = 0.0 if seen.scale is None else STILLEST_AIR_ARCSEC * x**0.6 / seen.scale
    least = max(least, LEAST_LEFT * width, width * sqrt(_share_that_follows_air(rest.rest_px, airmass)))
    if not seen.claims("guiding-noise", "shock", *FOCUS_CAUSES):
        steps = np.diff(np.log(rest.rest_px))
        swing = spread(steps) / sqrt(2) if len(steps) > 4 else 0.0
        shapes = [frame.result.shape for frame in frames]
        noise = float(np.median([one.fwhm_px_error / one.fwhm_px for one in shapes if one is not None]))
        swing = sqrt(max(swing**2 - noise**2, 0.0))
        least = max(least, width * sqrt(min(swing / AIR_SWINGS, 1.0)))
    return 0.0 if least >= width else round_motion_between(max(least, LEAST_LEFT * width), width, rest.beta)


def _share_that_follows_air(width: Floats, airmass: Floats) -> float:
    """Least share of the squared FWHM that grows with the air mass as the air's own does: FWHM as X^0.6.

    D. L. Fried, J. Opt. Soc. Am. 56, 1372 (1966), for the exponent. 0 where the air mass hardly changes.
    """
    known = np.isfinite(airmass) & (airmass >= 1)
    if known.sum() < 8:
        return 0.0
    x, y = np.log(airmass[known]), np.log(width[known])
    x = x - x.mean()
    if float(x.std()) < 0.05:
        return 0.0
    slope = float((x * (y - y.mean())).sum() / (x**2).sum())
    left = y - y.mean() - slope * x
    # neighbouring frames share their air: about every fifth is independent
    error = float(left.std()) / float(np.sqrt((x**2).sum() / 5))
    return float(np.clip((slope - TWICE * error) / 0.6, 0.0, 1.0))
