"""Polar error of a lens on a tracker by the turning of the sky alone: without plate solution, pole or place."""

from collections.abc import Sequence
from math import ceil, hypot, pi, sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import ARCSEC_PER_RADIAN, SIDEREAL_RATE_ARCSEC_PER_S
from framecheck.motion.polar import PolarError
from framecheck.motion.turning import lens_of, turns_between
from framecheck.night.records import NightFrame
from framecheck.read.rig import Rig

F64 = NDArray[np.float64]

LONGEST_LENS_MM: Final = 300.0
"""Focal length up to which a mount that nothing names may be a tripod or a tracker, and carry other lenses as well.
[mm] Chosen: beyond are telescopes."""

MOST_FRAMES: Final = 40
"""That are looked at, spread over the night. Chosen: more make the line no surer than the gear's swing leaves it."""

SWING_ARCSEC: Final = 20.0
SWING_PERIOD_S: Final = 480.0
"""To either side, and how long it takes, of the drive's gear where the frames do not show it. [arcsec, s] Common
practice, no source: small trackers swing by 10 to 50 arcseconds in 5 to 12 minutes."""

AIR_ARCSEC_PER_MIN: Final = 0.3
"""[arcsec/min] Drift that refraction makes (row TRK-37: 0.5 three hours from the meridian)."""

LARGEST_TURNING: Final = 0.17
"""Turning over the sky's own up to which it may be a polar error. [dimensionless] Chosen: ten degrees; half the sky's
rate is a tracker's for sky and ground together."""

PLACED_PX: Final = 0.1
"""Error of a turn from one frame to another, at the middle. [px] Chosen: many stars know it better, the air and the
lens's centre do not."""

FEWEST_FOR_SWING: Final = 6
"""Frames, over the gear's turn or longer, that show its swing. Chosen."""

NINETY: Final = 1.645
"""[sigma] From the middle to the ends of an interval of 90 %."""


def polar_error_by_turning(members: Sequence[NightFrame], stretches: Sequence[int], rig: Rig) -> PolarError | None:
    """How far the axis of a tracker is off the pole, from frames that nothing guides; None where they do not tell.

    Parameters
    ----------
    members : sequence of NightFrame
        Of one group, in order of time.
    stretches : sequence of int
        Of each of them: number of the stretch between jumps of the pointing.
    rig : Rig

    Returns
    -------
    PolarError or None

    Notes
    -----
    A drive turns the camera about its own axis as fast as the sky turns about the pole. What is left of the two is a
    turning of the size w e (closed form: the difference of two vectors of one length, e radians apart), wherever the
    camera looks. All three parts of it are seen in the frames: two as a drift, one as a turning of the field. The
    gear's swing is a turning about the axis, so at right angles to the first: it only makes the whole larger, by as
    much as the length of the run, and what the frames show of the swing, leave possible.
    """
    scale = rig.pixel_scale_arcsec
    if scale is None or rig.mount_type not in ("tracker", None) or rig.guided:
        return None
    if rig.mount_type is None and (rig.focal_length_mm is None or rig.focal_length_mm > LONGEST_LENS_MM):
        return None
    knocked = [frame.result.stars.doubled_px is not None for frame in members]
    _, levels = np.unique(np.column_stack([stretches, np.cumsum(knocked)]), axis=0, return_inverse=True)
    timed = [
        (seconds, frame, int(level))
        for frame, level, double in zip(members, levels.ravel(), knocked, strict=True)
        if (seconds := _second(frame)) is not None and frame.place is not None and not double
    ]  # after a knock the camera looks elsewhere
    timed = timed[:: ceil(len(timed) / MOST_FRAMES) or 1]
    if len(timed) < 2:
        return None
    (begin, first, _), later = timed[0], timed[1:]
    lens = lens_of(first, ARCSEC_PER_RADIAN / scale)
    _, turns = turns_between([(first, frame) for _, frame, _ in later], lens)
    rows = [(0.0, np.zeros(3), timed[0][2])]
    rows += [
        (seconds - begin, turn * ARCSEC_PER_RADIAN, stretch)
        for (seconds, _, stretch), turn in zip(later, turns, strict=True) if turn is not None
    ]  # fmt: skip
    passed, turned, stretch = (np.array([row[i] for row in rows]) for i in range(3))
    return _from_course(passed, turned, stretch, PLACED_PX * scale)


def _second(frame: NightFrame) -> float | None:
    middle = frame.result.exposure.middle_by_clock
    return None if middle is None else middle.timestamp()


def _from_course(seconds: F64, turned: F64, stretch: NDArray[np.intp], placed_arcsec: float) -> PolarError | None:
    """The axis from how far the sky had turned at each time, shape (n, 3). [arcsec]"""
    jumped = (stretch[:, None] == np.unique(stretch)).astype(float)
    design = np.column_stack([seconds, jumped])
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return None
    rate, *_ = np.linalg.lstsq(design, turned, rcond=None)[0]
    rest = turned - design @ np.linalg.lstsq(design, turned, rcond=None)[0]
    left = len(seconds) - design.shape[1]
    scatter = max(placed_arcsec, float(np.sqrt((rest**2).sum() / max(left, 1))))
    off = seconds - jumped @ (jumped.T @ seconds / jumped.sum(axis=0))
    measured = hypot(scatter / sqrt(float(off @ off)), AIR_ARCSEC_PER_MIN / 60)
    span = float(np.ptp(seconds))
    shown = len(seconds) >= FEWEST_FOR_SWING and span >= SWING_PERIOD_S
    swing = _rate_of_swing(sqrt(2) * scatter if shown else SWING_ARCSEC, span)
    whole = float(np.linalg.norm(rate))
    if whole > LARGEST_TURNING * SIDEREAL_RATE_ARCSEC_PER_S:
        return None
    low = max(sqrt(max(whole**2 - (2 * swing) ** 2, 0.0)) - NINETY * measured, 0.0)
    high = whole + NINETY * measured
    value = max(sqrt(max(whole**2 - swing**2, 0.0)), (low + high) / 2 if whole < swing else 0.0)
    to_arcmin = ARCSEC_PER_RADIAN / 60 / SIDEREAL_RATE_ARCSEC_PER_S
    return PolarError(
        value_arcmin=value * to_arcmin, low_arcmin=low * to_arcmin, high_arcmin=high * to_arcmin,
        azimuth_arcmin=None, altitude_arcmin=None, azimuth_error_arcmin=None, altitude_error_arcmin=None,
        correlation=None, both_parts_seen=True,
    )  # fmt: skip


def _rate_of_swing(swing_arcsec: float, span_s: float) -> float:
    """Usual rate that a swing leaves in a straight line through a run. [arcsec/s]

    Closed form: at its phase by chance, 2 pi A / (sqrt(2) P) in a short run, 6 A / (sqrt(2) pi m T) in one of m turns.
    """
    turns = max(span_s / SWING_PERIOD_S, 1.0)
    short, long = sqrt(2) * pi / SWING_PERIOD_S, 6 / (sqrt(2) * pi * turns * span_s)
    return swing_arcsec * min(short, long)
