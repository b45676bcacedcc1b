"""Smears: what the motion of the mount made of the stars inside each exposure of a group."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import log
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from framecheck import shear
from framecheck.constants import FWHM_PER_SIGMA
from framecheck.field.records import FieldModel, NoFieldModel
from framecheck.field.result import FrameResult, FrameShape
from framecheck.motion.drift import never_rests
from framecheck.motion.records import Motion
from framecheck.motion.smear import variance_of_line, variance_of_random
from framecheck.night.records import Group, NightFrame
from framecheck.robust import typical

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
    def typical_exposure_s(self) -> float:
        """Median exposure time; NaN where none is known. [s]"""
        return typical(self.exposure_s)

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


def smears_of(
    group: Group,
    members: Sequence[NightFrame],
    field: FieldModel | NoFieldModel,
    fitted: list[NightFrame],
    motion: Motion,
) -> Smears:
    """Motion of each frame: its typical shape less what the optics make of it at the centre.

    Parameters
    ----------
    group : Group
    members : sequence of NightFrame
        Its frames, in order of time.
    field : FieldModel or NoFieldModel
    fitted : list of NightFrame
        Those that the field was fitted to, in its order.
    motion : Motion
        Between the frames.
    """
    rows = [k for k, frame in enumerate(members) if frame.result.shape is not None]
    shapes = [shape for k in rows for shape in [members[k].result.shape] if shape is not None]
    fwhm = np.array([shape.fwhm_px for shape in shapes])
    exposure_of_all = np.array([_or_nan(frame.result.exposure.exposure_s) for frame in members])
    e = np.array([complex(shape.e1, shape.e2) for shape in shapes])
    error = np.array([shape.elongation_error / shape.elongation for shape in shapes])
    cosh = np.cosh(np.minimum(np.abs(e), shear.MOST))
    spin2 = fwhm**2 * shear.share_of(e)
    spin2_error = fwhm**2 * cosh * error
    if isinstance(field, FieldModel):
        _take_optics_off(spin2, spin2_error, field, [members[k].result for k in rows], fitted)
    spin2_error = np.hypot(
        spin2_error, _of_arcs(members, exposure_of_all)[rows] / np.sqrt([one.n_measured for one in shapes])
    )
    e_moved = np.arcsinh(np.abs(spin2) / fwhm**2)
    relative = spin2_error / (fwhm**2 * cosh)
    back = shear.turning([-members[k].turned_deg for k in rows])
    frames = tuple(group.members[k] for k in rows)
    lines = _drawn_as_lines(spin2 * back, frames, exposure_of_all[rows], motion)
    rms, rms_error = _rms_along(shapes, e_moved, relative, lines)
    path = _paths([members[k].result for k in rows], np.abs(spin2) / fwhm**2, field, fitted)
    return Smears(
        frames=frames,
        minutes=_minutes(members)[rows],
        exposure_s=exposure_of_all[rows],
        fwhm_px=fwhm,
        spin2_px2=spin2 * back,
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


def _of_arcs(members: Sequence[NightFrame], exposure_s: Floats) -> Floats:
    """Scatter of the smears of single stars in a field that turns, each component, shape (n,). [px²]

    A star at r draws an arc of length w t r, along its own circle: their mean vanishes, but for where the stars lie.
    """
    minutes, angle = _minutes(members), np.array([frame.turned_deg for frame in members])
    step, passed = (np.diff(angle) + 90) % 180 - 90, np.diff(minutes)  # a flip is no turning
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.nan_to_num(np.abs(step / passed), posinf=0.0)
    rate = np.maximum(np.append(rate, 0.0), np.insert(rate, 0, 0.0))
    first = members[0].result.exposure
    w2, h2 = first.width_px**2, first.height_px**2
    r2 = np.sqrt((w2**2 + h2**2) / 80 + w2 * h2 / 72)  # rms of r² over the frame, closed form
    arc = np.radians(rate) * np.nan_to_num(exposure_s) / 60
    return np.asarray(4 * log(2) / 12 * arc**2 * r2 / np.sqrt(2))


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
    if motion.drift_px_per_min is None or never_rests(motion):
        return out
    t, place = np.array(motion.minutes), motion.place_px
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
    drift, error = motion.drift_px_per_min, motion.drift_error_px_per_min
    if drift is not None and error and abs(drift) > LINE_SIGMA * error:
        line = np.where(np.isfinite(line), line, drift * np.nan_to_num(exposure_s) / 60)
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
        grid, variance = variance_of_line(beta) if lines[k] else variance_of_random(beta)
        _, short = shear.half_maximum_axes(shape.fwhm_px, float(e[k]))
        length = shape.trail_length_px or 0.0
        calm = float(shear.calm(e[k], error[k]))
        if length > 1.6 * short:
            rms[k], rms_error[k] = length / np.sqrt(12), length * max(error[k], 0.01) / np.sqrt(12)
            continue
        v, up = (short**2 * float(np.interp(value, grid, variance)) for value in (calm, calm + error[k]))
        rms[k] = np.sqrt(v)
        rms_error[k] = np.sqrt(up) - np.sqrt(v)
    return rms, rms_error


def _minutes(members: Sequence[NightFrame]) -> Floats:
    times = [frame.result.exposure.middle_by_clock for frame in members]
    seconds = np.array([np.nan if time is None else time.timestamp() for time in times])
    first = np.nanmin(seconds) if np.isfinite(seconds).any() else 0.0
    out: Floats = (seconds - first) / 60
    return out


def _or_nan(value: float | None) -> float:
    return np.nan if value is None else value
