"""A camera that stands still: how fast stars run over its sensor, which way, and in which corner fastest."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import asin, ceil, cos, degrees, hypot, radians
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import ARCSEC_PER_RADIAN, SIDEREAL_RATE_ARCSEC_PER_S
from framecheck.motion.night import Night
from framecheck.motion.tracking import Tracking
from framecheck.motion.turning import Lens, lens_of, moved, turns_between
from framecheck.night.records import NightFrame
from framecheck.robust import mad_std

F64 = NDArray[np.float64]

AS_THE_SKY: Final = 0.1
"""How far the turning that frames show may be off the sky's for a mount that nothing else calls fixed. [dimensionless]
Chosen: focal lengths written on lenses are off by some percent; the rates of trackers are 0, a half and 1."""

FOLLOWED: Final = 0.5
"""Turning over the sky's below which something followed, whatever the rig is called. [dimensionless] Chosen: half the
sky's rate is a tracker's for sky and ground together."""

LENS_OFF: Final = 0.005
"""Pixel scale by the sky's turning over that of the header, less one, from which the lens is not what is written on it.
[dimensionless] Chosen: refraction changes the sky's rate by less above 20 degrees, and markings are rounded."""

SURE_SIGMA: Final = 4.0
"""And from which that is beyond the error. Chosen."""

NEAR_POLE: Final = 0.9
"""Part of the sky's turning about the line of sight from which too little runs over the sensor to tell the scale.
[dimensionless] Chosen: sin of 64 degrees."""

FEWEST_TIMES: Final = 5
"""Frames that tell the scale. Chosen: their scatter about a steady turn tells its error."""

CLOCK_S: Final = 1.0
"""[s] By how much a frame's time may be off. Cameras stamp whole seconds (Exif 2.3, DateTimeOriginal); a camera that is
farther off its steady turn was moved."""

MOST_STEPS: Final = 40
"""From frame to frame that are looked at, spread over the night. Chosen: more change the median little."""


@dataclass(frozen=True, kw_only=True, slots=True)
class StandingCamera:
    """How stars run over the sensor of a camera that does not follow them."""

    px_per_s: float
    """In the middle of the frame, by where stars lie from frame to frame."""
    px_per_s_error: float | None
    """Standard error, by the scatter from frame to frame; None with two frames."""
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
    """Where stars run fastest in the picture."""
    worst_px_per_s: float
    """There, the lens's bending of straight lines included as far as the frames show it."""
    bend: float | None = None
    """By what share a lens that keeps straight lines straight would put the corners further out; None where nothing
    shows that this one bends them. [dimensionless]"""
    diagonal_px: float


def standing_camera(night: Night) -> StandingCamera | None:
    """How stars run over the sensor in the largest group; None where the mount follows or too few frames tell.

    Parameters
    ----------
    night : Night

    Notes
    -----
    One turn of the sky is fitted to all stars of two frames in a row (`turns_between`), with what bends straight lines
    in the lens. The size of the turn is the sky's own if focal length and pixel are right and nothing follows, and its
    angle with the line of sight is the distance from the pole.
    """
    group = max(night.groups, key=lambda one: len(one.members), default=None)
    if group is None:
        return None
    members, rig = [night.frames[i] for i in group.members], night.rig_of(group.session)
    scale = rig.pixel_scale_arcsec
    if scale is None or rig.mount_type not in ("fixed", None):
        return None
    focal_px = ARCSEC_PER_RADIAN / scale
    steps = _steps(members)
    if not steps:
        return None
    lens, angles = turns_between(steps, lens_of(members[0], focal_px))
    turns = np.array([
        angle / _seconds(*step) for step, angle in zip(steps, angles, strict=True) if angle is not None
    ]).reshape(-1, 3)  # fmt: skip
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
    worst, worst_px_per_s = _worst_corner(w, lens, first_row_on_top=exposures[0].first_row_on_top)
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
        bend=lens.bend or None,
        diagonal_px=hypot(exposures[0].width_px, exposures[0].height_px),
    )


def scale_of_standing(night: Night) -> float | None:
    """Pixel scale by how fast the sky runs over a camera that stands still. [arcsec/px]

    Parameters
    ----------
    night : Night

    Returns
    -------
    float or None
        None where the camera follows or was moved, where the scale is not one that headers tell, or where nothing
        contradicts it.

    Notes
    -----
    The sky turns by 15.04 arcseconds a second whatever the lens is. The part of it about the line of sight is seen as a
    turning of the field, which no scale changes; what is left of it runs over the sensor, and tells how many pixels
    the lens makes of it (closed form: two sides of a right triangle). Times in whole seconds scatter, and the error
    tells of it.
    """
    rig = night.rig
    if night.rigs or rig.provenance.get("pixel_scale_arcsec") != "header" or standing_camera(night) is None:
        return None
    group = max(night.groups, key=lambda one: len(one.members))
    members = [frame for frame in map(night.frames.__getitem__, group.members) if frame.place is not None]
    scale = rig.pixel_scale_arcsec
    assert scale is not None
    steps = [(one, other) for one, other in pairwise(members) if _seconds(one, other) > 0]
    if len(steps) < len(members) - 1 or len(members) < FEWEST_TIMES:
        return None
    _, angles = turns_between(steps, lens_of(members[0], ARCSEC_PER_RADIAN / scale))
    known = [angle for angle in angles if angle is not None]
    if len(known) < len(steps):
        return None
    second = np.concatenate([[0.0], np.cumsum([_seconds(*step) for step in steps])])
    turned = np.concatenate([np.zeros((1, 3)), np.cumsum(known, axis=0)])
    off = second - second.mean()
    w = off @ turned / (off @ off)
    rest = turned - turned.mean(axis=0) - np.outer(off, w)
    error = np.sqrt((rest**2).sum(axis=0) / (len(second) - 2) / (off @ off))
    sky = SIDEREAL_RATE_ARCSEC_PER_S / ARCSEC_PER_RADIAN
    if abs(w[2]) > NEAR_POLE * sky or np.hypot(rest[:, 0], rest[:, 1]).max() > CLOCK_S * np.hypot(w[0], w[1]):
        return None
    over, left = float(np.hypot(w[0], w[1])), float(np.sqrt(sky**2 - w[2] ** 2))
    unsure = hypot(hypot(error[0], error[1]) / over, w[2] * error[2] / left**2)
    return scale * left / over if abs(np.log(left / over)) > max(LENS_OFF, SURE_SIGMA * unsure) else None


def _drawn_px_per_s(tracking: Tracking | None) -> float | None:
    """Length of the lines inside exposures, for each second; None without stars or times."""
    if tracking is None:
        return None
    smears = tracking.smears
    known = (smears.exposure_s > 0) & np.isfinite(smears.rms_px)
    rate = np.sqrt(12) * smears.rms_px[known] / smears.exposure_s[known]
    return float(np.median(rate)) if len(rate) else None


def _steps(members: Sequence[NightFrame]) -> list[tuple[NightFrame, NightFrame]]:
    """Pairs of frames in a row whose times are known, spread over the night."""
    pairs = [
        (one, other) for one, other in pairwise(members)
        if one.place is not None and other.place is not None and _seconds(one, other) > 0
    ]  # fmt: skip
    return pairs[:: ceil(len(pairs) / MOST_STEPS) or 1]


def _seconds(one: NightFrame, other: NightFrame) -> float:
    """From the middle of one exposure to that of the other; 0 where a clock is unknown."""
    begin, end = one.result.exposure.middle_by_clock, other.result.exposure.middle_by_clock
    return 0.0 if begin is None or end is None else (end - begin).total_seconds()


def _worst_corner(w: F64, lens: Lens, *, first_row_on_top: bool) -> tuple[str, float]:
    """Name of the corner of the picture where stars run fastest, and their speed there. [px/s]"""
    rows = ("upper", "lower") if first_row_on_top else ("lower", "upper")
    names = [f"{vertical} {horizontal}" for vertical in rows for horizontal in ("left", "right")]
    away = np.array([(x * lens.middle_px.real, y * lens.middle_px.imag) for y in (-1, 1) for x in (-1, 1)])
    places = lens.straightened(away)
    speeds = np.hypot(*lens.recorded(places, moved(w, places), away).T)
    worst = int(np.argmax(speeds))
    return names[worst], float(speeds[worst])
