"""Tracking: how the mount moved the stars of one group, inside exposures and between them, and by which rhythm."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import ceil, log
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import FWHM_PER_SIGMA, SIGMA_PER_MAD
from framecheck.field.result import FrameResult, FrameShape
from framecheck.night.axes import Axes, find_axes
from framecheck.night.field_model import FieldModel, NoFieldModel, fit_field_model
from framecheck.night.field_terms import half_maximum_response
from framecheck.night.motion import SkyDrift, drift_on_sky
from framecheck.night.polar import (
    ARCSEC_PER_MIN_PER_ARCMIN,
    DEG_PER_HOUR_PER_ARCMIN,
    FieldTurning,
    PolarError,
    declination_drifts,
    polar_error,
    polar_error_from_rotation,
)
from framecheck.night.records import Group, Motion, NightFrame
from framecheck.night.rhythm import Rhythm, find_period_in_motion, find_period_in_smear
from framecheck.night.smear import elongation_of_line, smear_inside
from framecheck.read.rig import Rig

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

Path = Literal["round", "line", "two blobs", "hook"]

LOPSIDED: Final = 0.2
"""Third moment over the cube of the standard deviation, beyond that of other frames, from which a path has a hook or a
knot at one end. [dimensionless] Chosen: a fifth of the light one and a half FWHM away makes as much."""

LINE_SIGMA: Final = 6.0
"""Drift over its error from which it draws the stars. Chosen."""

MOSTLY: Final = 0.5
"""Part of a smear that slow motion must make for the whole to be an even line. [dimensionless] Chosen."""

STRAIGHT: Final = 0.9
"""From which the two have one direction: within 13 degrees. [dimensionless] Chosen."""

DRAWN: Final = 0.1
"""|spin2| over the squared FWHM from which a path is a line. [dimensionless] Chosen: an elongation of 1.10."""

SAID: Final = 4.0
"""Log-odds of what the rig file says of guiding. Chosen: seldom wrong."""

STILL_LOG_ODDS: Final = 1.5
"""Log-odds for each factor e that the stars lie stiller than `STILL_ARCSEC`. Chosen."""

LONG_LOG_ODDS: Final = 1.0
"""Log-odds that long exposures were guided. Chosen."""

SURELY_GUIDED: Final = 2.0
"""Log-odds, of either sign, from which guiding counts as known. Chosen: seven to one."""

REFRACTION_ARCSEC_PER_MIN: Final = 0.5
"""[arcsec/min] Drift that refraction makes at three hours from the meridian (row TRK-37)."""

FAST_LOG_ODDS: Final = 0.9
"""Log-odds against a guider for each factor e that the pointing drifts faster than that. Chosen: tubes bend by up to an
arcsecond a minute, axes a few arcminutes off drift by as much or more."""

ALONG_DEC_LOG_ODDS: Final = 1.5
"""Log-odds against a guider if the drift lies within 24 degrees of declination. Chosen: a bending tube has any
direction, one in four so near."""

MOST_FIELD_FRAMES: Final = 120
"""Frames that the field's pattern is fitted to, spread over the night. Chosen: more change its errors little."""

MOST_ELONGATION: Final = 3.0
"""Longer stars are trails, and say nothing of the optics. Chosen."""

STILL_ARCSEC: Final = 0.7
"""[arcsec] Wander of the pointing, slow drift aside, that an unguided mount seldom keeps to. Common practice, no
source: periodic errors of 5 to 60 arcsec peak to peak are usual."""

WANDER_MINUTES: Final = 8.0
"""[min] Chosen: about one turn of a usual worm; over less, an unguided mount may look still."""

LONG_EXPOSURE_S: Final = 100.0
"""[s] Exposures that hold a good part of a worm's turn, of 3 to 15 minutes (common practice, no source). Chosen."""

FEWEST_WANDERING: Final = 6
"""Frames whose smear shows whether it is the same in all. Chosen."""

LONG_EXPOSURE_PX_S: Final = 250.0
"""[s/arcsec] Exposure over pixel scale from which unguided mounts draw lines. Chosen: 300 s at 1.2 arcsec a pixel."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Smears:
    """Motion inside each exposure that has stars to show it; arrays of shape (n,)."""

    frames: tuple[int, ...]
    """Indices in `Night.frames`, in order of time."""
    minutes: Floats
    """Middle of the exposure after that of the first frame of the group; NaN where unknown. [min]"""
    exposure_s: Floats
    fwhm_px: Floats
    spin2_px2: Complexes
    """(a² - b²) / 2 times exp(2 i pa), the optics' part taken off; a, b the full axes at half maximum, pa along the
    axes of the group's reference frame."""
    error_px2: Floats
    """Of real and imaginary part each, with what frames of a still mount scatter by."""
    rms_px: Floats
    """Rms of the motion along its main axis, if it had none across."""
    rms_error_px: Floats
    path: tuple[Path, ...]
    """What a star drew in each exposure."""
    even: NDArray[np.bool_]
    """Where the motion from frame to frame makes most of it: an even line."""

    @property
    def share(self) -> Floats:
        """|spin2| over the squared FWHM: 0.22 is an elongation of 1.25."""
        out: Floats = np.abs(self.spin2_px2) / self.fwhm_px**2
        return out

    @property
    def pull(self) -> Floats:
        """|spin2| over its error: 1.2 in a typical frame without motion."""
        out: Floats = np.abs(self.spin2_px2) / self.error_px2
        return out


@dataclass(frozen=True, kw_only=True, slots=True)
class Tracking:
    """How the mount moved the stars of one group."""

    axes: Axes | None
    field: FieldModel | NoFieldModel
    smears: Smears
    response: float
    """Growth of |spin2| over 4 ln 2 times the motion's second moment: `field_terms.half_maximum_response`."""
    drift: SkyDrift | None
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
    polar_from: Literal["drift", "rotation"] | None

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
    field = fit_field_model([frame.result for frame in _for_field(members)])
    axes = find_axes(group, members, reference, motion, rig)
    smears = _smears(group, members, field, motion)
    orientation = None if axes is None else axes.orientation
    drift = None if orientation is None else drift_on_sky(motion, orientation)
    scale = orientation.pixel_scale_arcsec if orientation is not None else rig.pixel_scale_arcsec
    response = half_maximum_response(_usual_beta(members))[1]
    wander = _wander_px(motion)
    if wander is None:
        wander = _wander_inside_px(smears, response)
    wander_arcsec = None if wander is None or scale is None else wander * scale
    leaning = _guided_log_odds(rig, wander_arcsec, group.exposure_s, scale)
    if rig.guided is None and scale is not None:
        leaning += _turns_in_place(motion, scale) + _drifts_freely(drift)
    guided = leaning > 0 if abs(leaning) >= SURELY_GUIDED else None
    polar, polar_from = _polar(members, group, motion, axes, rig, guided)
    exposure = group.exposure_s or 0.0
    return Tracking(
        axes=axes,
        field=field,
        smears=smears,
        response=response,
        drift=drift,
        guided=guided,
        guided_log_odds=leaning,
        wander_arcsec=wander_arcsec,
        rhythm=find_period_in_motion(motion, exposure, _along_ra(axes)),
        rhythm_inside=find_period_in_smear(smears.minutes, smears.rms_px) if len(smears.frames) else None,
        polar=polar,
        polar_from=polar_from,
    )


def _along_ra(axes: Axes | None) -> Any:
    return None if axes is None else axes.orientation


def _for_field(members: Sequence[NightFrame]) -> list[NightFrame]:
    """Frames that show the optics: no trails, evenly spread over the night if there are many."""
    good = [
        frame for frame in members
        if frame.result.shape is not None and frame.result.shape.elongation < MOST_ELONGATION
    ]  # fmt: skip
    step = max(1, ceil(len(good) / MOST_FIELD_FRAMES))
    return good[::step]


def _usual_beta(members: Sequence[NightFrame]) -> float:
    betas = [frame.result.shape.moffat_beta for frame in members if frame.result.shape is not None]
    return float(np.median(betas)) if betas else np.inf


def _smears(group: Group, members: Sequence[NightFrame], field: FieldModel | NoFieldModel, motion: Motion) -> Smears:
    """Motion of each frame: its typical shape less what the optics make of it at the centre."""
    rows = [k for k, frame in enumerate(members) if frame.result.shape is not None]
    shapes = [shape for k in rows for shape in [members[k].result.shape] if shape is not None]
    fwhm = np.array([shape.fwhm_px for shape in shapes])
    e = np.array([complex(shape.e1, shape.e2) for shape in shapes])
    error = np.array([shape.elongation_error / shape.elongation for shape in shapes])
    size = np.abs(e)
    spin2 = fwhm**2 * np.where(size > 1e-9, np.sinh(size) / np.maximum(size, 1e-9), 1) * e
    spin2_error = fwhm**2 * np.cosh(np.minimum(size, 2)) * error
    if isinstance(field, FieldModel):
        _take_optics_off(spin2, spin2_error, field, [members[k].result for k in rows], _for_field(members))
    e_moved = np.arcsinh(np.abs(spin2) / fwhm**2)
    relative = spin2_error / (fwhm**2 * np.cosh(np.minimum(size, 2)))
    turn = np.radians([_turned(members[k]) for k in rows])
    exposure = np.array([_or_nan(members[k].result.exposure.exposure_s) for k in rows])
    frames = tuple(group.members[k] for k in rows)
    lines = _drawn_as_lines(spin2 * np.exp(-2j * turn), frames, exposure, motion)
    rms, rms_error = _rms_along(shapes, e_moved, relative, lines)
    path = _paths([members[k].result for k in rows], np.abs(spin2) / fwhm**2, field, _for_field(members))
    return Smears(
        frames=frames,
        minutes=_minutes(members)[rows],
        exposure_s=exposure,
        fwhm_px=fwhm,
        spin2_px2=spin2 * np.exp(-2j * turn),
        error_px2=spin2_error,
        rms_px=rms,
        rms_error_px=rms_error,
        path=path,
        even=lines,
    )


def _take_optics_off(
    spin2: Complexes, error: Floats, field: FieldModel, results: list[FrameResult], fitted: list[NightFrame]
) -> None:
    """Put the model's motion in the place of the plain mean, for the frames that it was fitted to; in place."""
    place = {id(result): k for k, result in enumerate(results)}
    for frame in field.frames:
        k = place[id(fitted[frame.index].result)]
        spin2[k] = complex(frame.motion1_px2, frame.motion2_px2)
        error[k] = frame.motion_error_px2


def _paths(
    results: list[FrameResult], share: Floats, field: FieldModel | NoFieldModel, fitted: list[NightFrame]
) -> tuple[Path, ...]:
    """What a star drew in each frame, in words."""
    lopsided = {}
    if isinstance(field, FieldModel):
        sigma3 = (max(field.centre_size_px2, 1e-6) ** 0.5 / FWHM_PER_SIGMA) ** 3
        for frame in field.frames:
            size = float(np.hypot(frame.lopsided1_px3, frame.lopsided2_px3))
            sure = size > 4 * frame.lopsided_error_px3
            lopsided[id(fitted[frame.index].result)] = sure and size > LOPSIDED * sigma3
    words: list[Path] = []
    for result, drawn in zip(results, share, strict=True):
        if result.stars.doubled_px is not None:
            words.append("two blobs")
        elif lopsided.get(id(result), False):
            words.append("hook")
        else:
            words.append("line" if drawn > DRAWN else "round")
    return tuple(words)


def lines_px(motion: Motion, frames: Sequence[int], exposure_s: Floats) -> Complexes:
    """Line that the motion from the frame before to the frame after draws in each exposure, x + iy along the reference.

    Parameters
    ----------
    motion : Motion
    frames : sequence of int
        Indices in `Night.frames`.
    exposure_s : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (n,)
        NaN where a frame's neighbours are unknown, or the pointing was moved between them. [px]
    """
    out = np.full(len(frames), np.nan + 0j)
    if motion.drift_x_px_per_min is None or motion.drift_y_px_per_min is None:
        return out
    if motion.dithered and max(motion.stretch, default=0) == 0:
        return out
    t = np.array(motion.minutes)
    drift = complex(motion.drift_x_px_per_min, motion.drift_y_px_per_min)
    place = np.array(motion.residual_x_px) + 1j * np.array(motion.residual_y_px) + drift * t
    where = {frame: k for k, frame in enumerate(motion.frames)}
    for i, frame in enumerate(frames):
        k = where.get(frame)
        if k is None:
            continue
        near = [j for j in (k - 1, k + 1) if 0 <= j < len(t) and motion.stretch[j] == motion.stretch[k]]
        first, last = min([*near, k]), max([*near, k])
        if near and t[last] > t[first]:
            out[i] = (place[last] - place[first]) / (t[last] - t[first]) * exposure_s[i] / 60
    return out


def _drawn_as_lines(spin2: Complexes, frames: Sequence[int], exposure_s: Floats, motion: Motion) -> NDArray[np.bool_]:
    """Frames whose smear is mostly that of the motion from frame to frame, and so an even line."""
    line = lines_px(motion, frames, exposure_s)
    x, y, error = motion.drift_x_px_per_min, motion.drift_y_px_per_min, motion.drift_error_px_per_min
    if x is not None and y is not None and error and np.hypot(x, y) > LINE_SIGMA * error:
        line = np.where(np.isfinite(line), line, complex(x, y) * np.nan_to_num(exposure_s) / 60)
    expected = np.nan_to_num(line**2) / 12 * 4 * log(2)
    along = (spin2 * expected.conj()).real / np.maximum(np.abs(expected), 1e-12)
    out: NDArray[np.bool_] = (along > STRAIGHT * np.abs(spin2)) & (np.abs(expected) > MOSTLY * along)
    return out


def _rms_along(shapes: list[FrameShape], e: Floats, error: Floats, lines: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Rms of the motion, if it has none across: where `lines` says so that of an even line, else of random motion. [px]

    A plain line's follows from its length.
    """
    rms, rms_error = np.empty(len(shapes)), np.empty(len(shapes))
    beta = round(float(np.median([shape.moffat_beta for shape in shapes])), 1) if shapes else 3.0
    for k, shape in enumerate(shapes):
        grid, variance = _variance_of_line(beta) if lines[k] else _variance_of_elongation(beta)
        short = shape.fwhm_px * float(np.exp(-e[k] / 2))
        length = shape.trail_length_px or 0.0
        calm = float(np.sqrt(max(e[k] ** 2 - 2 * error[k] ** 2, 0.0)))
        if length > 1.6 * short:
            rms[k], rms_error[k] = length / np.sqrt(12), length * max(error[k], 0.01) / np.sqrt(12)
            continue
        v, up = (short**2 * float(np.interp(value, grid, variance)) for value in (calm, calm + error[k]))
        rms[k] = np.sqrt(v)
        rms_error[k] = np.sqrt(up) - np.sqrt(v)
    return rms, rms_error


@lru_cache(maxsize=32)
def _variance_of_elongation(beta: float) -> tuple[Floats, Floats]:
    """Variance of the motion, in squared short axes, that draws a round Moffat star out to ln(a / b)."""
    grid = np.concatenate([[0.0], np.geomspace(0.02, 2.5, 14)])
    out = [0.0]
    for e in grid[1:]:
        shape = FrameShape(
            fwhm_px=float(np.exp(e / 2)), fwhm_px_error=1e-4, elongation=float(np.exp(e)), elongation_error=1e-4,
            elongation_pa_deg=0.0, e1=float(e), e2=0.0, moffat_beta=beta, half_flux_radius_px=1.0,
            trail_length_px=None, n_measured=100,
        )  # fmt: skip
        smear = smear_inside(_bare(shape), None)
        out.append(0.0 if smear is None else smear.rms_along_px**2)
    return grid, np.array(out)


@lru_cache(maxsize=32)
def _variance_of_line(beta: float) -> tuple[Floats, Floats]:
    """The same where the motion is even along a line."""
    length = np.concatenate([[0.0], np.geomspace(0.1, 6.0, 24)])
    grid = np.array([0.0, *(elongation_of_line(float(one), beta) for one in length[1:])])
    return grid, length**2 / 12


def _bare(shape: FrameShape) -> FrameResult:
    """A result that has a shape and nothing else."""
    from pathlib import Path

    from framecheck.read.exposure import Exposure
    from framecheck.sky.model import SkySummary
    from framecheck.stars.table import STAR_DTYPE, Stars

    nothing = np.zeros(0, STAR_DTYPE)
    return FrameResult(
        exposure=Exposure(file=Path(), kind="light", width_px=1, height_px=1),
        sky=SkySummary(level_adu=0.0, noise_adu=1.0, gradient_percent=0.0, level_mesh_adu=np.zeros((1, 1), np.float32)),
        stars=Stars(table=nothing, n_found=0, n_saturated=0), shape=shape, stacked=None, saturation_adu=None,
    )  # fmt: skip


def _turned(frame: NightFrame) -> float:
    return 0.0 if frame.registration is None else frame.registration.rotation_deg


def _minutes(members: Sequence[NightFrame]) -> Floats:
    times = [frame.result.exposure.middle_utc for frame in members]
    seconds = np.array([np.nan if time is None else time.timestamp() for time in times])
    first = np.nanmin(seconds) if np.isfinite(seconds).any() else 0.0
    out: Floats = (seconds - first) / 60
    return out


def _or_nan(value: float | None) -> float:
    return np.nan if value is None else value


def _wander_px(motion: Motion) -> float | None:
    """Robust rms of the pointing about its drift, along the direction where it wanders most. [px]"""
    if len(motion.minutes) < 6 or motion.minutes[-1] < WANDER_MINUTES or motion.drift_x_px_per_min is None:
        return None
    place = np.column_stack([motion.residual_x_px, motion.residual_y_px])
    stretch = np.array(motion.stretch)
    counts = np.bincount(stretch)
    if counts.max() < 4 or (motion.dithered and len(counts) == 1):  # its own steps would be taken for wander
        return None
    inside = place[counts[stretch] >= 4]
    _, directions = np.linalg.eigh(np.cov(inside.T))
    along = inside @ directions[:, 1]
    return float(SIGMA_PER_MAD * np.median(np.abs(along - np.median(along))))


def _wander_inside_px(smears: Smears, response: float) -> float | None:
    """Rms of the motion inside long exposures that is not the same in all; None where they are short or few. [px]

    A gear left alone smears each exposure by another part of its turn.
    """
    if len(smears.frames) < FEWEST_WANDERING or not np.nanmedian(smears.exposure_s) >= LONG_EXPOSURE_S:
        return None
    middle = complex(np.median(smears.spin2_px2.real), np.median(smears.spin2_px2.imag))
    rest = float(np.median(np.abs(smears.spin2_px2 - middle)))
    return float(np.sqrt(rest / (4 * log(2) * response)))


def _guided_log_odds(rig: Rig, wander_arcsec: float | None, exposure_s: float | None, scale: float | None) -> float:
    """Whether a guider kept the stars in place: said, or likely from how still they lie and how long was exposed."""
    if rig.guided is not None:
        return SAID if rig.guided else -SAID
    if rig.mount_type == "fixed":
        return -SAID
    odds = 0.0
    if wander_arcsec is not None:
        still = STILL_LOG_ODDS * float(np.log(STILL_ARCSEC / max(wander_arcsec, 0.05)))
        odds += float(np.clip(still, -SAID, STILL_LOG_ODDS))
    if exposure_s is not None and scale is not None and exposure_s / scale > LONG_EXPOSURE_PX_S:
        odds += LONG_LOG_ODDS
    return odds


def _drifts_freely(drift: SkyDrift | None) -> float:
    """Log-odds of a guider from the drift: fast ones, and such along declination, are those of an axis left alone."""
    if drift is None:
        return 0.0
    east, north, error = abs(drift.ra_arcsec_per_min), abs(drift.dec_arcsec_per_min), drift.error_arcsec_per_min
    rate = float(np.hypot(east, north))
    if rate < 4 * error or rate < REFRACTION_ARCSEC_PER_MIN:
        return 0.0
    fast = -FAST_LOG_ODDS * float(np.log(rate / REFRACTION_ARCSEC_PER_MIN))
    return fast - (ALONG_DEC_LOG_ODDS if east < 0.45 * north else 0.0)


def _turns_in_place(motion: Motion, scale: float) -> float:
    """Log-odds of a guider from a field that turns: an axis so far off lets unguided frames drift away as well."""
    rate, error = motion.rotation_deg_per_hour, motion.rotation_error_deg_per_hour
    x, y = motion.drift_x_px_per_min, motion.drift_y_px_per_min
    if rate is None or error is None or x is None or y is None or abs(rate) < 4 * error or abs(rate) < 0.02:
        return 0.0
    axis_arcmin = abs(rate) / DEG_PER_HOUR_PER_ARCMIN  # at least this, at declination 0
    share = float(np.hypot(x, y)) * scale / (ARCSEC_PER_MIN_PER_ARCMIN * axis_arcmin)
    return float(np.clip(STILL_LOG_ODDS * np.log(0.25 / max(share, 1e-3)), -STILL_LOG_ODDS, 2 * STILL_LOG_ODDS))


def _polar(
    members: Sequence[NightFrame], group: Group, motion: Motion, axes: Axes | None, rig: Rig, guided: bool | None
) -> tuple[PolarError | None, Literal["drift", "rotation"] | None]:
    """Polar error from the drift of unguided frames, from the turning of guided ones."""
    if rig.site_latitude_deg is None or axes is None or axes.orientation is None or rig.mount_type == "alt-azimuth":
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
            hour_angle_deg=float(np.mean(known)), dec_deg=lies.dec_deg,
            deg_per_hour=-rate if lies.mirrored else rate, error_deg_per_hour=error,
        )  # fmt: skip
        return polar_error_from_rotation([turning], rig.site_latitude_deg), "rotation"
    drifts = declination_drifts(motion, lies, hours)
    return (polar_error(drifts, rig.site_latitude_deg), "drift") if drifts else (None, None)
