"""Tracking: how the mount moved the stars of one group, inside exposures and between them, and by which rhythm."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, log
from typing import Any, Final, Literal

import numpy as np

from framecheck.field.model import fit_field_model
from framecheck.field.records import FieldModel, NoFieldModel
from framecheck.motion.axes import Axes, find_axes
from framecheck.motion.drift import SkyDrift, drift_on_sky
from framecheck.motion.drifting import Drifting, drift_seen, why_it_drifts
from framecheck.motion.guided import (
    guided_log_odds,
    wander_inside_px,
    wander_px,
)
from framecheck.motion.polar import (
    FieldTurning,
    PolarError,
    declination_drifts,
    polar_error,
    polar_error_from_rotation,
)
from framecheck.motion.polar_by_turning import polar_error_by_turning
from framecheck.motion.records import Motion
from framecheck.motion.rhythm import Rhythm, find_period_in_motion, find_period_in_smear
from framecheck.motion.smears import Smears, smears_of
from framecheck.night.records import Group, NightFrame
from framecheck.read.rig import Rig
from framecheck.shear import half_maximum_response

SURELY_GUIDED: Final = 2.0
"""Log-odds, of either sign, from which guiding counts as known. Chosen: seven to one."""

MOST_FIELD_FRAMES: Final = 120
"""Frames that the field's pattern is fitted to, spread over the night. Chosen: more change its errors little."""

MOST_ELONGATION: Final = 3.0
"""Longer stars are trails, and say nothing of the optics. Chosen."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Tracking:
    """How the mount moved the stars of one group."""

    axes: Axes | None
    field: FieldModel | NoFieldModel
    smears: Smears
    response: float
    """Growth of |spin2| over 4 ln 2 times the motion's second moment: `shear.half_maximum_response`."""
    drift: SkyDrift | None
    drifting: Drifting
    guided: bool | None
    """None if neither rig file nor motion tells."""
    guided_log_odds: float
    """How likely a guider was at work: natural logarithm of the odds."""
    wander_arcsec: float | None
    """Rms of the pointing about its drift, in the direction where it is largest; of a pointing moved before each frame,
    that inside long exposures. None if the run is too short."""
    rhythm: Rhythm | None
    """Between exposures."""
    rhythm_inside: Rhythm | None
    """Of the smear inside exposures."""
    polar: PolarError | None
    polar_from: Literal["drift", "rotation", "turning"] | None
    """Of unguided frames in declination, of guided ones about their guide star, or all that is left of the sky's own
    turning, where nothing tells which way declination runs."""

    def line_px(self, spin2_px2: Any) -> Any:
        """Length of the line that makes a star this much longer than wide. [px]"""
        return np.sqrt(12 * np.maximum(spin2_px2, 0.0) / (4 * log(2) * self.response))

    def spin2_of_line(self, line_px: Any) -> Any:
        """The reverse of `line_px`."""
        return np.asarray(line_px) ** 2 / 12 * 4 * log(2) * self.response


def track_group(group: Group, members: Sequence[NightFrame], motion: Motion, rig: Rig) -> Tracking:
    """What a group's frames tell about its mount.

    Parameters
    ----------
    group : Group
    members : sequence of NightFrame
        Its frames, in order of time.
    motion : Motion
        Between them.
    rig : Rig

    Returns
    -------
    Tracking
    """
    reference = members[group.members.index(group.reference)]
    fitted = _for_field(members)
    field = fit_field_model([frame.result for frame in fitted], [frame.place for frame in fitted])
    axes = find_axes(group, members, reference, motion, rig)
    smears = smears_of(group, members, field, fitted, motion)
    orientation = None if axes is None else axes.orientation
    drift = None if orientation is None else drift_on_sky(motion, orientation)
    scale = orientation.pixel_scale_arcsec if orientation is not None else rig.pixel_scale_arcsec
    response = half_maximum_response(_usual_beta(members))[1]
    wander = wander_px(motion)
    if wander is None:
        wander = wander_inside_px(smears, response)
    wander_arcsec = None if wander is None or scale is None else wander * scale
    seen = drift_seen(motion, drift, scale, declination_deg(members, axes))
    span_min = motion.minutes[-1] if len(motion.minutes) else 0.0
    still = guided_log_odds(rig, wander_arcsec, group.exposure_s, scale, span_min)
    stated = rig.guided is not None or rig.mount_type == "fixed"
    drifting = why_it_drifts(seen, still, stated=stated)
    leaning = still if stated else drifting.guided_log_odds
    guided = leaning > 0 if abs(leaning) >= SURELY_GUIDED else None
    polar, polar_from = _polar(members, group, motion, axes, rig, guided)
    exposure = group.exposure_s or 0.0
    return Tracking(
        axes=axes,
        field=field,
        smears=smears,
        response=response,
        drift=drift,
        drifting=drifting,
        guided=guided,
        guided_log_odds=leaning,
        wander_arcsec=wander_arcsec,
        rhythm=find_period_in_motion(motion, exposure, _along_ra(axes)),
        rhythm_inside=find_period_in_smear(smears.minutes, smears.rms_px) if len(smears.frames) else None,
        polar=polar,
        polar_from=polar_from,
    )


def declination_deg(members: Sequence[NightFrame], axes: Axes | None) -> float | None:
    """As the image's place on the sky has it, or the headers; None where neither does.

    Parameters
    ----------
    members : sequence of NightFrame
        Of one group.
    axes : Axes or None
        Theirs.
    """
    lies = None if axes is None else axes.orientation
    if lies is not None and np.isfinite(lies.dec_deg):
        return lies.dec_deg
    told = (one.result.exposure.dec_deg for one in members)
    return next((one for one in told if one is not None and np.isfinite(one)), None)


def _along_ra(axes: Axes | None) -> Any:
    return None if axes is None else axes.orientation


def _for_field(members: Sequence[NightFrame]) -> list[NightFrame]:
    """Frames that show the optics: no trails, evenly spread over the night if there are many."""
    good = [
        frame for frame in members if frame.result.shape is not None and frame.result.shape.elongation < MOST_ELONGATION
    ]
    step = max(1, ceil(len(good) / MOST_FIELD_FRAMES))
    return good[::step]


def _usual_beta(members: Sequence[NightFrame]) -> float:
    betas = [frame.result.shape.moffat_beta for frame in members if frame.result.shape is not None]
    return float(np.median(betas)) if betas else np.inf


def _polar(
    members: Sequence[NightFrame], group: Group, motion: Motion, axes: Axes | None, rig: Rig, guided: bool | None
) -> tuple[PolarError | None, Literal["drift", "rotation", "turning"] | None]:
    """Polar error from the drift of unguided frames, from the turning of guided ones, from all turning of a lens."""
    if axes is None or axes.orientation is None:
        told = motion.drift_x_px_per_min is not None  # two frames do not tell a jump from a drift
        of_frame = dict(zip(motion.frames, motion.stretch, strict=True)) if told else {}
        stretches = [of_frame.get(i, 0) for i in group.members]
        found = polar_error_by_turning(members, stretches, rig)
        return found, None if found is None else "turning"
    if rig.site_latitude_deg is None or rig.mount_type == "alt-azimuth":
        return None, None
    lies = axes.orientation
    hour = {i: frame.hour_angle_deg for i, frame in zip(group.members, members, strict=True)}
    hours = [hour[i] for i in motion.frames]
    known = [h for h in hours if h is not None]
    if not known or not np.isfinite(lies.dec_deg):
        return None, None
    if guided:
        rate, error = motion.rotation_deg_per_hour, motion.rotation_error_deg_per_hour
        if rate is None or error is None or not error > 0 or not np.isfinite(error):
            return None, None
        # counter-clockwise in the image is from north to east unless it is mirrored
        turning = FieldTurning(
            hour_angle_deg=float(np.mean(known)),
            dec_deg=lies.dec_deg,
            deg_per_hour=-rate if lies.mirrored else rate,
            error_deg_per_hour=error,
        )
        return polar_error_from_rotation([turning], rig.site_latitude_deg), "rotation"
    drifts = declination_drifts(motion, lies, hours)
    return (polar_error(drifts, rig.site_latitude_deg), "drift") if drifts else (None, None)
