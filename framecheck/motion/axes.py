"""Axes: which way right ascension and declination run in a group's images."""

import math
from cmath import phase
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from framecheck.motion.records import Motion
from framecheck.night.records import Group, NightFrame
from framecheck.read.exposure import Orientation
from framecheck.read.rig import Rig

UNMISTAKABLE = 20.0
"""Drift over its error, and over the largest drift that a wrong axis or a bending tube makes, from which it is the
sky's own motion. Chosen."""

FASTEST_DRIFT_ARCSEC_PER_MIN = 16.0
"""[arcsec/min] A polar axis one degree off lets a star drift so fast (closed form, 60 * 0.2625)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Axes:
    """Directions of the mount's axes in the images of one group, along the reference frame's axes."""

    ra_angle_deg: float
    """Along right ascension, counter-clockwise from +x, 0 <= angle < 180."""
    source: Literal["plate solution", "rig file", "drift"]
    orientation: Orientation | None
    """With the signs of east and north; None where the mount's drift shows the axis, not its sign."""


def find_axes(
    group: Group, frames: Sequence[NightFrame], reference: NightFrame, motion: Motion, rig: Rig
) -> Axes | None:
    """Directions of the axes, from the surest source there is.

    Parameters
    ----------
    group : Group
    frames : sequence of NightFrame
        Of the group.
    reference : NightFrame
        That the others are registered to.
    motion : Motion
        Of the group.
    rig : Rig

    Returns
    -------
    Axes or None
        From a plate solution of the reference frame or, turned back, of another one; from the camera's angle in the rig
        file, which holds for an image that is not mirrored; from the drift of an untracked camera, whose stars move
        along right ascension. None if nothing tells.
    """
    solved = _solved(frames, reference)
    if solved is not None:
        return Axes(ra_angle_deg=_ra_angle_deg(solved), source="plate solution", orientation=solved)
    scale = rig.pixel_scale_arcsec
    exposure = reference.result.exposure
    if rig.camera_angle_deg is not None and scale is not None:
        stated = Orientation(
            pixel_scale_arcsec=scale,
            north_up_deg=rig.camera_angle_deg,
            mirrored=False,
            ra_deg=exposure.ra_deg if exposure.ra_deg is not None else math.nan,
            dec_deg=exposure.dec_deg if exposure.dec_deg is not None else math.nan,
        )
        return Axes(ra_angle_deg=_ra_angle_deg(stated), source="rig file", orientation=stated)
    return _from_drift(motion, scale)


def _ra_angle_deg(orientation: Orientation) -> float:
    return math.degrees(phase(orientation.east)) % 180


def _solved(frames: Sequence[NightFrame], reference: NightFrame) -> Orientation | None:
    """The reference's own solution, or that of another registered frame turned to where the reference looks."""
    own = reference.result.exposure.orientation
    if own is not None:
        return own
    for frame in frames:
        lies, registered = frame.result.exposure.orientation, frame.registration
        if lies is None or registered is None:
            continue
        # stars turn counter-clockwise from the reference to this frame: north turns with them
        turn = registered.rotation_deg if lies.mirrored else -registered.rotation_deg
        return Orientation(
            pixel_scale_arcsec=lies.pixel_scale_arcsec,
            north_up_deg=(lies.north_up_deg - turn) % 360,
            mirrored=lies.mirrored,
            ra_deg=lies.ra_deg,
            dec_deg=lies.dec_deg,
        )
    return None


def _from_drift(motion: Motion, scale: float | None) -> Axes | None:
    drift, error = motion.drift_px_per_min, motion.drift_error_px_per_min
    if drift is None or error is None or scale is None:
        return None
    speed = abs(drift)
    if speed < UNMISTAKABLE * error or speed * scale < UNMISTAKABLE * FASTEST_DRIFT_ARCSEC_PER_MIN:
        return None
    return Axes(ra_angle_deg=math.degrees(phase(drift)) % 180, source="drift", orientation=None)
