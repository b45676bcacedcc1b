"""Frames of a session as the model takes them."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, log, sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.field.sampling import diffraction_fwhm_arcsec
from framecheck.model.terms import N_AIR, Setting
from framecheck.model.zones import zones_of
from framecheck.motion.night import Night
from framecheck.motion.smears import lines_px
from framecheck.night.records import Group, NightFrame
from framecheck.read.rig import Rig

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

MOST_FRAMES: Final = 60
"""Frames that the shared terms are solved from, spread over the night. Chosen: more change their errors little."""

FEWEST_ZONES: Final = 12
"""Zones, all frames together, that the model takes. Chosen."""

USUAL_AIRY: Final = 0.08
"""Diffraction over the FWHM where the aperture is not known. Chosen: a small one."""

MIRRORS_FROM_MM: Final = 155.0
FAST_MIRRORS_FROM_MM: Final = 112.0
FAST: Final = 5.7
USUAL_OBSTRUCTION: Final = 0.35
"""Apertures from which telescopes are mirrors, where that is not stated: all, and those below a focal ratio; and the
diameter of the obstruction over the aperture's. [mm, mm, dimensionless, dimensionless] Common practice, no source:
lenses of more than six inches are rare, as are fast ones of more than four; secondary mirrors cover 0.25 to 0.5."""

LEAST_WARMING_K: Final = 0.5
"""[K] Chosen: smaller changes of the tube move no focus that matters."""

AIR_WANDERS: Final = ((0.12, 17.0), (0.12, 120.0))
"""What the logarithm of the squared width wanders by, and the time in which it forgets itself. [dimensionless, min] The
first time: R. Racine, PASP 108, 372 (1996), abstract; all else chosen: weather changes in hours, and most nights keep
their FWHM to some 10 %."""

MOST_REFOCUSED: Final = 4
"""Moves of the focuser that are told apart. Chosen: more follow the temperature, step by step."""

WIDTH_OF_LINE: Final = sqrt(4 * log(2) / 12)
"""Width of an even line of length 1, whose square adds to the squared FWHM. Closed form: 4 ln 2 times its variance."""

TURNING_ERROR: Final = 0.15
LEAST_TURNING_ERROR: Final = 0.01
UNKNOWN_TURNING: Final = 0.1
"""[share, FWHM] Errors of the turning that frames let expect. Chosen."""


def setting_of(night: Night, groups: Sequence[Group], rig: Rig) -> tuple[Setting, tuple[int, ...]] | None:
    """Frames of one session as the model takes them, and their indices in `Night.frames`.

    Parameters
    ----------
    night : Night
    groups : sequence of Group
        Those of one session; each is a kind of frames.
    rig : Rig
        That took them.

    Returns
    -------
    setting, frames : Setting, tuple of int
        Or None if too few frames and stars say anything.
    """
    members = sorted((i, number) for number, group in enumerate(groups) for i in group.members)
    members = members[:: max(1, ceil(len(members) / MOST_FRAMES))]
    zones = zones_of([night.frames[i] for i, _ in members])
    if zones is None or int((zones.weight[0] > 0).sum()) < FEWEST_ZONES:
        return None
    indices = tuple(members[k][0] for k in zones.frames)
    numbers, kind = np.unique([members[k][1] for k in zones.frames], return_inverse=True)
    frames = [night.frames[i] for i in indices]
    width2 = float(np.median(zones.value[0].real[zones.weight[0] > 0]))
    paths = _Paths.unknown(len(frames))
    for row, number in enumerate(numbers):
        here = np.flatnonzero(kind == row)
        _moved_between(paths, here, [indices[k] for k in here], night, groups[number].id, width2)
    airmass = np.array([_or_nan(frame.airmass) for frame in frames])
    shapes = [frame.result.shape for frame in frames]
    setting = Setting(
        zones=zones, width2_px2=width2, kind=kind, n_kinds=len(numbers), exposure=_exposures(frames),
        course=_course(frames), air_course=air_courses(_minutes(frames)), focus_course=_focus_course(frames),
        ln_airmass=np.log(np.maximum(np.nan_to_num(airmass, nan=1.0), 1.0)),
        temperature=_about_mean(np.array([_or_nan(frame.result.exposure.tube_temp_c) for frame in frames])),
        inverse_beta=np.array([np.nan if shape is None else 1 / shape.moffat_beta for shape in shapes]),
        diffraction2=_airy(rig, width2) ** 2,
        obstruction=usual_obstruction(rig), turning=paths.turning, turning_error=paths.turning_error,
        line=np.nan_to_num(paths.line), line_known=np.isfinite(paths.line),
    )  # fmt: skip
    return setting, indices


def usual_obstruction(rig: Rig) -> float:
    """Diameter of the aperture's obstruction over the aperture's, as stated or as telescopes like this one have it.

    Parameters
    ----------
    rig : Rig
    """
    if rig.central_obstruction is not None:
        return rig.central_obstruction
    if rig.aperture_mm is None:
        return 0.0
    fast = rig.focal_length_mm is not None and rig.focal_length_mm < FAST * rig.aperture_mm
    least = FAST_MIRRORS_FROM_MM if fast else MIRRORS_FROM_MM
    return USUAL_OBSTRUCTION if rig.aperture_mm >= least else 0.0


def _airy(rig: Rig, width2_px2: float) -> float:
    """FWHM of the aperture's diffraction over that of the stars."""
    if rig.aperture_mm is None or rig.pixel_scale_arcsec is None:
        return USUAL_AIRY
    return diffraction_fwhm_arcsec(rig.aperture_mm) / (float(np.sqrt(width2_px2)) * rig.pixel_scale_arcsec)


@dataclass(frozen=True, slots=True)
class _Paths:
    """What the motion between frames draws in each exposure; filled in kind by kind."""

    turning: Floats
    turning_error: Floats
    line: Complexes

    @classmethod
    def unknown(cls, n: int) -> "_Paths":
        """For so many frames."""
        return cls(np.zeros(n), np.full(n, UNKNOWN_TURNING), np.full(n, np.nan + 0j))


def _moved_between(
    paths: _Paths, here: NDArray[np.intp], indices: Sequence[int], night: Night, group: str, width2_px2: float
) -> None:
    """Fill in the paths of one group's frames, as their positions tell."""
    motion = night.motion.get(group)
    if motion is None:
        return
    frames = [night.frames[i] for i in indices]
    exposure = np.nan_to_num(np.array([_or_nan(frame.result.exposure.exposure_s) for frame in frames]))
    unit = WIDTH_OF_LINE / sqrt(width2_px2)
    turned = [one.turned_deg for one in frames]
    paths.line[here] = lines_px(motion, indices, exposure) * np.exp(1j * np.radians(turned)) * unit
    rate, error = motion.rotation_deg_per_hour, motion.rotation_error_deg_per_hour
    if rate is None or error is None or not np.isfinite(error):
        return
    size = frames[0].result.exposure
    arc_per_degree = np.radians(exposure / 3600) * np.hypot(size.width_px, size.height_px) / 2 * unit
    paths.turning[here] = rate * arc_per_degree
    paths.turning_error[here] = np.hypot(np.hypot(TURNING_ERROR * rate, error) * arc_per_degree, LEAST_TURNING_ERROR)


def air_courses(minutes: Floats) -> Floats:
    """The largest courses that wandering air takes, each times what it usually is; shape (N, N_AIR).

    Eigenvectors of the covariance of a random process that forgets itself exponentially (Karhunen and Loève, textbook).
    """
    apart = np.abs(minutes[:, None] - minutes[None, :])
    covariance = np.sum([wander**2 * np.exp(-apart / forgets) for wander, forgets in AIR_WANDERS], axis=0)
    # what all frames share is no course
    mean = covariance.mean(axis=0)
    variance, courses = np.linalg.eigh(covariance - mean - mean[:, None] + mean.mean())
    out = np.zeros((len(minutes), N_AIR))
    n = min(N_AIR, len(minutes))
    out[:, :n] = (courses * np.sqrt(np.maximum(variance, 0)))[:, ::-1][:, :n]
    return out


def _exposures(frames: Sequence[NightFrame]) -> Floats:
    """Length of each exposure over the usual one; 1 where it is unknown."""
    seconds = np.array([_or_nan(frame.result.exposure.exposure_s) for frame in frames])
    known = seconds > 0
    usual = np.median(seconds[known]) if known.any() else 1.0
    return np.where(known, seconds / usual, 1.0)


def _minutes(frames: Sequence[NightFrame]) -> Floats:
    """Middle of each frame after the first one known; 0 where it is unknown. [min]"""
    times = [frame.result.exposure.middle_by_clock for frame in frames]
    first = min((time for time in times if time is not None), default=None)
    return np.array(
        [0.0 if time is None or first is None else (time - first).total_seconds() / 60 for time in times]
    )  # fmt: skip


def _course(frames: Sequence[NightFrame]) -> Floats:
    """First three Legendre polynomials of the time; 0 where it is unknown."""
    times = [frame.result.exposure.middle_by_clock for frame in frames]
    seconds = np.array([np.nan if time is None else time.timestamp() for time in times])
    known = np.isfinite(seconds)
    if known.sum() < 2 or np.ptp(seconds[known]) <= 0:
        return np.zeros((len(seconds), 3))
    t = np.where(known, 2 * (seconds - seconds[known].min()) / np.ptp(seconds[known]) - 1, 0)
    return np.asarray(np.stack([t, (3 * t**2 - 1) / 2, (5 * t**3 - 3 * t) / 2], axis=-1) * known[:, None])


def _focus_course(frames: Sequence[NightFrame]) -> Floats:
    """What focus may follow: the course of the night or, if the focuser was moved, that since each time, and steps."""
    course = _course(frames)
    steps = np.array([_or_nan(frame.result.exposure.focuser_steps) for frame in frames])
    run = np.concatenate([[0], np.cumsum(np.diff(steps) != 0)])
    if not np.isfinite(steps).all() or not 1 <= run[-1] <= MOST_REFOCUSED:
        return course
    since = course[:, 0].copy()
    for k in range(run[-1] + 1):
        since[run == k] -= since[run == k].mean()
    widest = max(float(np.abs(since).max()), 1e-9)
    return np.asarray(np.stack([since / widest, 2 * run / run[-1] - 1, course[:, 0]], axis=-1))


def _about_mean(values: Floats) -> Floats:
    """Over the range of the values; 0 unless all are known and differ."""
    if not np.isfinite(values).all() or np.ptp(values) < LEAST_WARMING_K:
        return np.zeros(len(values))
    return np.asarray((values - values.mean()) / np.ptp(values))


def _or_nan(value: float | None) -> float:
    return np.nan if value is None else value
