"""Motion between exposures: slow drift and turning, told from dithers, flips and new pointings."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust
from framecheck.field.similarity import Floats
from framecheck.motion.records import Motion
from framecheck.night.records import Registration
from framecheck.read.exposure import Orientation

JUMP_SIGMA: Final = 6.0
"""A step between frames that stands out from the usual steps by so many sigma is a jump. Chosen: the steps of a
periodic error keep below three."""

CALMER: Final = 1 / 3
RAYLEIGH_OF_CALMER: Final = 0.9005
"""Share of the steps that are surely no jumps, and where so many lie in a Rayleigh distribution of unit scale. Chosen;
closed form, sqrt(-2 ln(2/3))."""
OFF_LINE: Final = 0.25
"""Size across over that along, from which large steps have no common line. [dimensionless] Chosen."""

LEAST_JUMP_PX: Final = 1.0
"""[px] Chosen: smaller steps do no harm to a drift."""

DITHER_PX: Final = 1.5
"""[px] Usual step along both axes from which a pointing that never rests is dithered. Chosen: drives err along one."""

LONGEST_TURN: Final = 12
GOOD_PART: Final = 0.4
"""Frames between moves on purpose, and share of them that stand out, for all others to be taken as moved too. Chosen:
three and more fall into one turn by chance in one night of four at the most, and do no harm there."""

LONG_GAP: Final = 5.0
"""Gap in time, in units of the usual interval, after which the pointing may be a new one. Chosen."""

MOST_BENDS: Final = 6
"""Highest power in the path of a turning field. Chosen: more follow noise."""

FEWEST: Final = 3
"""Frames that a drift needs. Chosen: two always lie on a line."""


@dataclass(frozen=True, slots=True)
class DriftLine:
    """A straight line with one slope and a level for each stretch."""

    slope: Floats
    """By coordinate, per minute."""
    error: Floats
    residual: Floats
    """Shape (n, n_coordinates)."""


def motion_between(
    registrations: Sequence[Registration | None], minutes: Sequence[float | None], frames: Sequence[int]
) -> Motion:
    """Drift and turning of the stars over the sensor.

    Parameters
    ----------
    registrations : sequence of Registration or None
        Of the frames of one group, in order of time.
    minutes : sequence of float or None
        Middle of each exposure, from any one instant. [min]
    frames : sequence of int
        Index of each in `Night.frames`.

    Returns
    -------
    Motion
        With None for what fewer than three registered frames of known time cannot tell.

    Notes
    -----
    The position of the stars, turned back into the reference frame's axes, is a straight line in time whose level
    changes at jumps and whose slope does not. A jump is a step that stands far out of the usual ones, a pier flip, or
    one after a long gap. If the pointing was moved before every frame, nothing stands out: the line then goes through
    all positions, with the error that their scatter makes. Errors are widened for residuals that follow each other, as
    those of a periodic error do, by sqrt((1 + r) / (1 - r)) with r their correlation from frame to frame (textbook,
    for a first-order autoregressive series). The turning is the usual one of a path that may bend.
    """
    rows = [i for i, (r, m) in enumerate(zip(registrations, minutes, strict=True)) if r is not None and m is not None]
    used = [registrations[i] for i in rows]
    found = [one for one in used if one is not None]
    time = np.array([minutes[i] for i in rows], dtype=float)
    if len(found) < FEWEST or np.ptp(time) <= 0:
        return _unknown([frames[i] for i in rows], time, found)
    time -= time[0]
    turned, flips = _turning(found)
    place = _places(found, turned, flips)
    error = np.array([max(one.shift_error_px, 1e-4) for one in found])
    jumps, dithered = _find_jumps(time, place, error, flips)
    stretch = _stretches(jumps)
    line = _fit_line(time, place, stretch, error)
    # a flip may change the angle by twice the cone error: its own level on each side
    angle_error = np.array([max(one.rotation_error_deg, 1e-6) for one in found])
    sides = _stretches(flips)
    turning = _fit_line(time, (turned - _bends(time, turned, sides, angle_error))[:, None], sides, angle_error)
    names = tuple(frames[i] for i in rows)
    return Motion(
        drift_x_px_per_min=float(line.slope[0]),
        drift_y_px_per_min=float(line.slope[1]),
        drift_error_px_per_min=float(np.sqrt((line.error**2).mean())),
        rotation_deg_per_hour=float(60 * turning.slope[0]),
        rotation_error_deg_per_hour=float(60 * turning.error[0]),
        dithered=dithered,
        frames=names,
        minutes=tuple(time.tolist()),
        residual_x_px=tuple(line.residual[:, 0].tolist()),
        residual_y_px=tuple(line.residual[:, 1].tolist()),
        stretch=tuple(stretch.tolist()),
        jumps=tuple(names[i] for i in np.flatnonzero(jumps)),
    )


def _unknown(frames: list[int], time: Floats, found: list[Registration]) -> Motion:
    """What can be said with too few frames: nothing but where they are."""
    return Motion(
        drift_x_px_per_min=None,
        drift_y_px_per_min=None,
        drift_error_px_per_min=None,
        rotation_deg_per_hour=None,
        rotation_error_deg_per_hour=None,
        dithered=False,
        frames=tuple(frames),
        minutes=tuple((time - time[0]).tolist()) if len(time) else (),
        residual_x_px=(0.0,) * len(found),
        residual_y_px=(0.0,) * len(found),
        stretch=tuple(range(len(found))),
    )


def _turning(found: list[Registration]) -> tuple[Floats, NDArray[np.bool_]]:
    """Rotation that goes on smoothly through flips [deg], and before which frames the camera was turned over."""
    angle = np.array([one.rotation_deg for one in found])
    step = (np.diff(angle) + 180) % 360 - 180
    flips = np.concatenate([[False], np.abs(step) > 90])
    step[flips[1:]] = (step[flips[1:]] + 90) % 180 - 90
    smooth = angle[0] + np.concatenate([[0.0], np.cumsum(step)])
    return smooth, flips


def _places(found: list[Registration], turned: Floats, flips: NDArray[np.bool_]) -> Floats:
    """Where the stars of the image centre lie, along the reference's axes, shape (n, 2). [px]"""
    shift = np.array([complex(one.shift_x_px, one.shift_y_px) for one in found])
    over = np.where(np.cumsum(flips) % 2 == 1, -1.0, 1.0)
    back = shift * over * np.exp(-1j * np.radians(turned))
    return np.column_stack([back.real, back.imag])


def _find_jumps(time: Floats, place: Floats, error: Floats, flips: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], bool]:
    """Before which frames the pointing jumped, and whether it was dithered."""
    step, gap = np.diff(place, axis=0), np.maximum(np.diff(time), 1e-6)
    usual_gap = float(np.median(gap))
    rate = np.median(step / gap[:, None], axis=0)
    off = step - rate * gap[:, None]
    known_to = np.sqrt(2) * float(np.median(error))
    rests = _scatter_at_rest(off - np.median(off, axis=0))
    # steps of a pointing at rest grow with the time that they take
    scale = np.maximum(rests, known_to) * np.maximum(gap / usual_gap, 1.0)
    far = np.hypot(off[:, 0], off[:, 1]) > np.maximum(JUMP_SIGMA * scale, LEAST_JUMP_PX)
    far |= gap > LONG_GAP * usual_gap
    moved = far & ~flips[1:] & (gap <= LONG_GAP * usual_gap)
    moved = _in_turn(moved)
    jumps = np.concatenate([[False], far | moved | flips[1:]])
    narrow, _ = _principal_spread(off)
    restless = narrow > max(DITHER_PX, JUMP_SIGMA * known_to)
    return jumps, bool(moved.sum() >= 2 or (len(off) >= 4 and restless))


def _in_turn(moved: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Steps of a pointing that is moved in turn, before every second frame or so: the small ones as well.

    So if all that stand out fall into one turn, and are a good part of it.
    """
    found = np.flatnonzero(moved)
    if len(found) < FEWEST:
        return moved
    for every in range(LONGEST_TURN, 1, -1):
        turn = np.arange(len(moved)) % every == found[0] % every
        if turn[found].all() and len(found) >= GOOD_PART * turn.sum():
            return turn
    return moved


def never_rests(motion: Motion) -> bool:
    """Whether the pointing was moved before every frame, flips aside: its places from frame to frame tell no drift.

    Parameters
    ----------
    motion : Motion
    """
    if not motion.dithered:
        return False
    stretch = np.array(motion.stretch)
    if stretch.max(initial=0) == 0:
        return True
    same = stretch[1:] == stretch[:-1]
    step = np.diff(np.column_stack([motion.residual_x_px, motion.residual_y_px]), axis=0)[same]
    return len(step) >= FEWEST and _principal_spread(step)[0] > DITHER_PX


def _scatter_at_rest(off: Floats) -> float:
    """Scatter of the steps of a pointing at rest, on each axis. [px]

    A pointing moved before every second frame takes half of its steps: the calmer third tells how it rests. Steps that
    are large along one line are those of a gear, which never rests.
    """
    size = np.hypot(*off.T)
    calm = float(np.quantile(size, CALMER)) / RAYLEIGH_OF_CALMER
    large = off[size > JUMP_SIGMA * calm]
    across, along = np.sqrt(np.maximum(np.linalg.eigvalsh(large.T @ large), 0)) if len(large) else (0.0, 1.0)
    if across > OFF_LINE * along:
        return calm
    return float(np.hypot(*robust.spread(off, axis=0)) / np.sqrt(2))


def _principal_spread(off: Floats) -> tuple[float, float]:
    """Robust scatter of steps across and along their main direction. [px]"""
    centred = off - np.median(off, axis=0)
    near = np.hypot(*centred.T) <= 3 * max(float(np.median(np.hypot(*centred.T))), 1e-9)
    _, directions = np.linalg.eigh(centred[near].T @ centred[near])
    across, along = robust.spread(centred @ directions, axis=0)
    return float(across), float(along)


def _stretches(jumps: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Number of the stretch between jumps that each frame belongs to; all one if there are about as many as frames."""
    stretch = np.cumsum(jumps).astype(np.intp)
    return stretch if len(stretch) - (stretch[-1] + 1) >= FEWEST else np.zeros_like(stretch)


def _fit_line(time: Floats, place: Floats, stretch: NDArray[np.intp], error: Floats) -> DriftLine:
    """Common slope, a level for each stretch, by robust least squares.

    Parameters
    ----------
    time : ndarray, shape (n,)
    place : ndarray, shape (n, m)
        Each column is fitted by itself.
    stretch : ndarray, shape (n,)
        Number of each frame's stretch, from 0.
    error : ndarray, shape (n,)
        Standard error of each place.
    """
    n_levels = int(stretch.max()) + 1
    slope, slope_error, residual = [], [], []
    for column in place.T:
        a, s, r = _one_line(time, column, stretch, n_levels, error)
        slope.append(a)
        slope_error.append(s)
        residual.append(r)
    return DriftLine(np.array(slope), np.array(slope_error), np.column_stack(residual))


def _one_line(
    time: Floats, value: Floats, stretch: NDArray[np.intp], n_levels: int, error: Floats
) -> tuple[float, float, Floats]:
    weight = 1 / error**2
    share = np.ones(len(time))
    slope, residual, moment = 0.0, value, 1.0
    for _ in range(8):
        w = weight * share
        within = time - _level_of(time, w, stretch, n_levels)
        moment = float((w * within**2).sum())
        if moment <= 0:
            return 0.0, float("inf"), value - _level_of(value, w, stretch, n_levels)
        slope = float((w * within * value).sum() / moment)
        rest = value - slope * time
        residual = rest - _level_of(rest, w, stretch, n_levels)
        beyond = max(robust.spread(residual) ** 2 - float(np.median(error**2)), 0.0)
        weight = 1 / (error**2 + beyond)
        pull = np.abs(residual) * np.sqrt(weight)
        share = robust.huber_weight(pull)
    freedom = max(len(time) - n_levels - 1, 1)
    chi2 = float((weight * share * residual**2).sum()) / freedom
    same = stretch[1:] == stretch[:-1]
    alike = _correlation(residual[:-1][same], residual[1:][same])
    widened = np.sqrt((1 + alike) / (1 - alike))
    return slope, float(np.sqrt(max(chi2, 1.0) / moment) * widened), residual


def _bends(time: Floats, value: Floats, stretch: NDArray[np.intp], error: Floats) -> Floats:
    """What a smooth path has beside its usual slope, shape (n,); 0 where a straight line explains it as well.

    The field of an alt-azimuth mount turns the faster the nearer it comes to the zenith. Polynomials that come back to
    where they began, as many as the Bayesian information criterion asks for (Schwarz 1978).
    """
    course = 2 * time / np.ptp(time) - 1
    powers = np.polynomial.legendre.legvander(course, MOST_BENDS)
    beside = powers[:, 2:] - powers[:, np.arange(2, MOST_BENDS + 1) % 2]
    straight = np.column_stack([stretch[:, None] == np.unique(stretch), course])
    best, least = np.zeros(len(time)), np.inf
    for more in range(MOST_BENDS):
        columns = np.column_stack([straight, beside[:, :more]])
        if len(time) < columns.shape[1] + FEWEST:
            break
        fit, *_ = np.linalg.lstsq(columns / error[:, None], value / error, rcond=None)
        misfit = 1.0 + float(np.mean(((value - columns @ fit) / error) ** 2))
        criterion = len(time) * np.log(misfit) + columns.shape[1] * np.log(len(time))
        if criterion < least:
            best, least = beside[:, :more] @ fit[straight.shape[1] :], criterion
    return best


def _level_of(value: Floats, weight: Floats, stretch: NDArray[np.intp], n_levels: int) -> Floats:
    """Weighted mean of each stretch, for each of its frames."""
    total = np.bincount(stretch, weight, n_levels)
    level: Floats = np.bincount(stretch, weight * value, n_levels) / total
    return level[stretch]


def _correlation(before: Floats, after: Floats) -> float:
    """Correlation of residuals with those that follow, as far as it is no accident of few frames; 0 to 0.9."""
    if len(before) < 5:
        return 0.0
    scale = float(np.sqrt((before**2).sum() * (after**2).sum()))
    if scale <= 0:
        return 0.0
    return float(np.clip(float((before * after).sum()) / scale, 0.0, 0.9))


@dataclass(frozen=True, kw_only=True, slots=True)
class SkyDrift:
    """Drift of the pointing over the sky."""

    ra_arcsec_per_min: float
    """On the sky (times cos dec), positive to the east."""
    dec_arcsec_per_min: float
    """Positive to the north."""
    error_arcsec_per_min: float
    """Standard error of each."""


def drift_on_sky(motion: Motion, orientation: Orientation) -> SkyDrift | None:
    """Drift of the pointing over the sky, from that of the stars over the sensor.

    Parameters
    ----------
    motion : Motion
    orientation : Orientation
        Of the group's reference frame.

    Returns
    -------
    SkyDrift or None
        None if the drift is not known.

    Notes
    -----
    If the stars move towards what is east in the image, the pointing moves to the west.
    """
    drift, error = motion.drift_px_per_min, motion.drift_error_px_per_min
    if drift is None or error is None:
        return None
    east, north = orientation.on_sky(-drift)
    return SkyDrift(
        ra_arcsec_per_min=float(east),
        dec_arcsec_per_min=float(north),
        error_arcsec_per_min=float(orientation.pixel_scale_arcsec * error),
    )
