"""A camera that stands still: how fast stars run over its sensor, which way, and in which corner fastest."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import asin, ceil, cos, degrees, hypot, radians
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import ARCSEC_PER_RADIAN, SIDEREAL_RATE_ARCSEC_PER_S
from framecheck.field.result import FrameResult
from framecheck.motion.night import Night
from framecheck.motion.tracking import Tracking
from framecheck.night.records import NightFrame
from framecheck.robust import mad_std

F64 = NDArray[np.float64]

AS_THE_SKY: Final = 0.1
"""How far the turning that frames show may be off the sky's for a mount that nothing else calls fixed. [dimensionless]
Chosen: focal lengths written on lenses are off by some percent; the rates of trackers are 0, a half and 1."""

FOLLOWED: Final = 0.5
"""Turning over the sky's below which something followed, whatever the rig is called. [dimensionless] Chosen: half the
sky's rate is a tracker's for sky and ground together."""

MOST_STEPS: Final = 40
"""From frame to frame that are looked at, spread over the night. Chosen: more change the median little."""

FEWEST_PAIRS: Final = 8
"""Stars that two frames must share. Chosen: five more than the numbers that are fitted."""

LEAST_REACH_PX: Final = 1.0
OFF_BY: Final = 0.15
"""How far a star may lie from where it is looked for: a pixel, and a part of the way gone. Chosen: a distortion of five
percent in the corner changes the scale by three times as much there (closed form, cubic)."""

ROUNDS: Final = 3
"""Of pairing and fitting. Chosen: the third changes nothing more."""


@dataclass(frozen=True, kw_only=True, slots=True)
class StandingCamera:
    """How stars run over the sensor of a camera that does not follow them."""

    px_per_s: float
    """In the middle of the frame, by where stars lie from frame to frame."""
    px_per_s_error: float | None
    """Standard error, by the scatter from frame to frame, without the lens's distortion; None with two frames."""
    direction_deg: float
    """Which way they run, counter-clockwise from +x, 0 <= angle < 360."""
    trail_px_per_s: float | None
    """Length of the lines that they draw inside exposures, for each second of it."""
    exposure_s: float | None
    dec_deg: float
    """Of the middle of the field; as a size where the frames alone tell it."""
    dec_from: Literal["header", "frames"]
    expected_px_per_s: float
    """Closed form: the sidereal rate times cos(dec), over the pixel scale."""
    turning_over_sky: float
    """Turning that the frames show, over that of the sky. [dimensionless]"""
    worst_corner: str
    """Where stars run fastest, the first row of the file lowest."""
    worst_px_per_s: float
    """There, for a lens that keeps straight lines straight."""
    diagonal_px: float


def standing_camera(night: Night) -> StandingCamera | None:
    """How stars run over the sensor in the largest group; None where the mount follows or too few frames tell.

    Parameters
    ----------
    night : Night

    Notes
    -----
    A turn w of the sky moves a star at (u, v), in focal lengths from the middle, by w_y (1 + u²) - w_x u v - w_z v and
    w_z u - w_x (1 + v²) + w_y u v (closed form, gnomonic projection). These three numbers are fitted to all stars of
    two frames in a row; the size of w is then the sky's own turning if focal length and pixel are right and nothing
    follows, and its angle with the line of sight is the distance from the pole. A lens that bends straight lines by
    five percent in the corners makes speeds of up to four percent more or less.
    """
    group = max(night.groups, key=lambda one: len(one.members), default=None)
    if group is None:
        return None
    members, rig = [night.frames[i] for i in group.members], night.rig_of(group.session)
    scale = rig.pixel_scale_arcsec
    if scale is None or rig.mount_type not in ("fixed", None):
        return None
    focal_px = ARCSEC_PER_RADIAN / scale
    turns = _turns(members, focal_px)
    if not len(turns):
        return None
    w = np.median(turns, axis=0)
    over_sky = float(np.linalg.norm(w)) * ARCSEC_PER_RADIAN / SIDEREAL_RATE_ARCSEC_PER_S
    if over_sky <= FOLLOWED or (rig.mount_type is None and abs(over_sky - 1) > AS_THE_SKY):
        return None
    exposures = [one.result.exposure for one in members]
    known = [one.dec_deg for one in exposures if one.dec_deg is not None]
    dec = float(np.median(known)) if known else degrees(asin(min(1.0, abs(w[2]) / float(np.linalg.norm(w)))))
    speeds = np.hypot(turns[:, 0], turns[:, 1]) * focal_px
    size = exposures[0].width_px, exposures[0].height_px
    worst, worst_px_per_s = _worst_corner(w, focal_px, size)
    return StandingCamera(
        px_per_s=float(np.hypot(w[0], w[1])) * focal_px,
        px_per_s_error=float(mad_std(speeds) / np.sqrt(len(speeds))) if len(speeds) > 1 else None,
        direction_deg=float(np.degrees(np.arctan2(-w[0], w[1])) % 360),
        trail_px_per_s=_drawn_px_per_s(night.tracking.get(group.id)),
        exposure_s=group.exposure_s,
        dec_deg=dec,
        dec_from="header" if known else "frames",
        expected_px_per_s=SIDEREAL_RATE_ARCSEC_PER_S * cos(radians(dec)) / scale,
        turning_over_sky=over_sky,
        worst_corner=worst,
        worst_px_per_s=worst_px_per_s,
        diagonal_px=hypot(*size),
    )


def _drawn_px_per_s(tracking: Tracking | None) -> float | None:
    """Length of the lines inside exposures, for each second; None without stars or times."""
    if tracking is None:
        return None
    smears = tracking.smears
    known = (smears.exposure_s > 0) & np.isfinite(smears.rms_px)
    rate = np.sqrt(12) * smears.rms_px[known] / smears.exposure_s[known]
    return float(np.median(rate)) if len(rate) else None


def _turns(members: Sequence[NightFrame], focal_px: float) -> F64:
    """Turning of the sky from each frame to the next, as the camera sees it, shape (n, 3). [rad/s]"""
    rows = []
    steps = list(pairwise(members))
    for earlier, later in steps[:: ceil(len(steps) / MOST_STEPS) or 1]:
        one, other = earlier.place, later.place
        begin, end = earlier.result.exposure.middle_by_clock, later.result.exposure.middle_by_clock
        if one is None or other is None or begin is None or end is None or not end > begin:
            continue
        turn = other.turn / one.turn
        shift = other.shift - one.shift * turn
        start = np.array([-shift.imag / focal_px, shift.real / focal_px, np.angle(turn)])
        centre = np.array([one.centre.real, one.centre.imag])
        here, there = (_places(frame.result, centre, focal_px) for frame in (earlier, later))
        if (found := _fit_turn(here, there, start, focal_px)) is not None:
            rows.append(found / (end - begin).total_seconds())
    return np.array(rows).reshape(-1, 3)


def _places(result: FrameResult, centre: F64, focal_px: float) -> F64:
    """Where the stars lie, in focal lengths from the middle, shape (n, 2)."""
    good = result.stars.good
    out: F64 = (np.column_stack([good["x"], good["y"]]) - centre) / focal_px
    return out


def _fit_turn(here: F64, there: F64, start: F64, focal_px: float) -> F64 | None:
    """The turn that carries stars from here to there, by least squares over pairs; None with too few. [rad]"""
    from scipy.spatial import cKDTree

    if len(here) < FEWEST_PAIRS or len(there) < FEWEST_PAIRS:
        return None
    turn, tree = start, cKDTree(there)
    reach = LEAST_REACH_PX / focal_px + OFF_BY * float(np.hypot(*start[:2]))
    for _ in range(ROUNDS):
        half = here + 0.5 * _moves(turn, here)
        away, row = tree.query(here + _moves(turn, half), distance_upper_bound=reach)
        paired = np.isfinite(away)
        if np.count_nonzero(paired) < FEWEST_PAIRS:
            return None
        one, other = here[paired], there[row[paired]]
        middle = (one + other) / 2
        design = np.column_stack([_moves(axis, middle).ravel() for axis in np.eye(3)])
        turn = np.linalg.lstsq(design, (other - one).ravel(), rcond=None)[0]
    return turn


def _moves(turn: F64, places: F64) -> F64:
    """By how much a small turn moves stars on a plane image, shape (n, 2). [focal lengths]"""
    (u, v), (x, y, z) = places.T, turn
    return np.column_stack([y * (1 + u * u) - x * u * v - z * v, z * u - x * (1 + v * v) + y * u * v])


def _worst_corner(w: F64, focal_px: float, size: tuple[int, int]) -> tuple[str, float]:
    """Name of the corner where stars run fastest, the first row of the file lowest, and their speed there. [px/s]"""
    names = [f"{vertical} {horizontal}" for vertical in ("lower", "upper") for horizontal in ("left", "right")]
    corners = [(x * size[0] / 2, y * size[1] / 2) for y in (-1, 1) for x in (-1, 1)]
    speeds = np.hypot(*_moves(w, np.array(corners) / focal_px).T) * focal_px
    worst = int(np.argmax(speeds))
    return names[worst], float(speeds[worst])
