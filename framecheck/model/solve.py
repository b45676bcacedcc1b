"""The most probable terms, and how well they are known.

Small problems take longer to say than to compute, so those with other beginnings are climbed side by side: their arrays
have one axis more in front.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from framecheck.model.likelihood import (
    Data,
    Spread,
    cost_of,
    data_of,
    frame_prior,
    profile_pulls,
    stacked,
    student,
    zone_pulls,
)
from framecheck.model.terms import (
    ADDED,
    ADDED_TO_FRAMES,
    AT,
    AT_FRAME,
    KIND,
    N_AIR,
    N_FRAME,
    N_INPUTS,
    N_KIND,
    N_SHARED,
    SHARED,
    Numbers,
    Setting,
    added_slopes,
    light_path,
    seen_through,
)  # fmt: skip

Floats = NDArray[np.float64]

FIRST_DAMPING: Final = 1e-2
LEAST_DAMPING: Final = 1e-6
DAMPED_BY: Final = 8.0
FREED_BY: Final = 6.0
"""Of the steps: share of each diagonal element that is added to it, and how that grows after a step in vain and falls
after a good one. Chosen, as is common for D. W. Marquardt, J. SIAM 11, 431 (1963), from memory."""
MOST_TRIED: Final = 6
"""Steps that are tried from one place. Chosen: the last is damped 30,000 times more."""
LEAST_GAIN: Final = 0.05
"""Gain of log probability by a step below which no other is tried. Chosen: no odds hang on it."""

STEP: Final = 1e-4
"""Of the differences that stand for derivatives. [dimensionless] Chosen: far above rounding, far below any curve."""

ADDED_AT: Final = np.array(
    [AT_FRAME[name].start + k for name in ADDED_TO_FRAMES for k in range(2)]
    + [N_FRAME + AT[name].start + k for name, n in ADDED for k in range(n)]
)
"""Of the frames', the shared and the kinds' numbers, in this order, those that are only added at the end."""


def _at(name: str) -> int:
    """Where a shared term begins among the frames', the shared and the kinds' numbers, in this order."""
    return N_FRAME + AT[name].start


AIR, FOCUS, MOTION, DRIFT = (*(AT_FRAME[name].start for name in ("air", "focus", "motion")), _at("drift_0"))
OWN_BASE, OWN_FOCUS = N_FRAME + N_SHARED, N_FRAME + N_SHARED + N_KIND - 1
LED: Final[tuple[tuple[int, int, str | None, int | None], ...]] = (
    (_at("base"), AIR, None, None),
    (OWN_BASE, AIR, None, None),
    (_at("airmass"), AIR, "ln_airmass", None),
    *((_at("air_course") + k, AIR, "air_course", k) for k in range(N_AIR)),
    (OWN_FOCUS, FOCUS, None, None),
    (_at("focus_temperature"), FOCUS, "temperature", None),
    *((_at(f"focus_{k + 1}"), FOCUS, "focus_course", k) for k in range(3)),
    *((_at("motion") + k, MOTION + k, None, None) for k in range(2)),
    *((_at(f"drift_{j + 1}") + k, DRIFT + k, "course", j) for j in range(2) for k in range(2)),
)
"""Numbers that do to each frame what another number does: the number, the other, and what of the setting it is
multiplied by, with its column; by 1 where nothing is named."""
LED_AT, LEADER_AT = (np.array([row[k] for row in LED]) for k in range(2))
BY_DIFFERENCES: Final = np.setdiff1d(np.arange(N_FRAME + N_SHARED + N_KIND), np.concatenate([ADDED_AT, LED_AT]))
"""All others."""


def _factors(setting: Setting) -> Floats:
    """By what the numbers of `LED` are multiplied in each frame; shape (N, n)."""
    factors = np.ones((len(setting.kind), len(LED)))
    for row, (_, _, name, column) in enumerate(LED):
        if name is not None:
            values = getattr(setting, name)
            factors[:, row] = values if column is None else values[:, column]
    return factors


@dataclass(frozen=True, kw_only=True, slots=True)
class Mode:
    """One most probable explanation."""

    numbers: Numbers
    covariance: Floats
    """Of shared and kinds' numbers together, the frames' own taken along."""
    inverse: Floats
    """Covariance of each frame's terms, the shared ones known; shape (N, N_FRAME, N_FRAME)."""
    carried: Floats
    """How the frames' terms follow the shared ones, shape (N, N_FRAME, n)."""
    log_evidence: float


def _slopes(numbers: Numbers, setting: Setting) -> tuple[Floats, Floats, Floats]:
    """All that is predicted, and its derivatives by differences, all numbers changed at once.

    Derivatives are by each frame's, the shared and its kind's numbers, in this order, and of what the zones show, with
    1 / beta as the last: shape (..., N, n numbers, Z * 7 + 1).

    Each frame's k-th term is changed together with the other frames', each kind's k-th with the other kinds'. How the
    optics answer is differentiated place by place, once for each of the few things that they answer to. What is only
    added at the end, or does what another number does, has its derivatives in closed form.
    """
    place = setting.zones.place
    path = light_path(numbers, setting, place)
    nudged = np.repeat(path[:, None], N_INPUTS + 1, axis=1)
    inputs = np.arange(N_INPUTS)
    nudged[inputs, inputs + 1] += STEP
    answers = seen_through(nudged, setting)
    still = answers[:, 0]
    slope = (answers[:, 1:] - answers[:, :1]) / STEP
    now, profile = stacked(numbers, setting, still)
    changed = _each_changed(numbers, BY_DIFFERENCES)
    away = light_path(changed, setting, place) - path[:, None]
    moved = still[:, None] + np.einsum("qj...,jp...->qp...", slope, away, optimize=True)
    other, other_profile = stacked(changed, setting, moved)
    n, numbers_of_all = len(place), N_FRAME + N_SHARED + N_KIND
    slopes = np.zeros((*profile.shape, numbers_of_all, now.shape[-2] * now.shape[-1] + 1))
    zones = (other - now).reshape(len(other), *profile.shape, -1)
    slopes[..., BY_DIFFERENCES, :-1] = np.moveaxis(zones, 0, -2) / STEP
    slopes[..., BY_DIFFERENCES, -1] = np.moveaxis(other_profile - profile, 0, -1) / STEP
    slopes[..., ADDED_AT, :-1] = added_slopes(place).reshape(n, len(ADDED_AT), -1)
    slopes[..., LED_AT, :] = slopes[..., LEADER_AT, :] * _factors(setting)[:, :, None]
    return now, profile, slopes


def _each_changed(numbers: Numbers, which: NDArray[np.intp]) -> Numbers:
    """Copies of the numbers, each with one of some changed a little: of the frames', the shared, the kinds'."""
    n, first, second = N_FRAME + N_SHARED + N_KIND, N_FRAME, N_FRAME + N_SHARED
    frame, shared, kind = (np.repeat(one[None], n, axis=0) for one in (numbers.frame, numbers.shared, numbers.kind))
    for at, one, size in ((0, frame, N_FRAME), (first, shared, N_SHARED), (second, kind, N_KIND)):
        own = np.arange(size)
        one[at + own, ..., own] += STEP
    return Numbers(shared=shared[which], kind=kind[which], frame=frame[which])


SIDE_BY_SIDE: Final = 100
"""Frames, of all problems together, up to which these are climbed side by side. Chosen: with more nothing is gained."""


def solve_all(
    setting: Setting, begins: Sequence[Numbers], spreads: Sequence[Spread], rounds: int, *, rough: bool = False
) -> list[Mode]:
    """Climb to the most probable terms from where each begins (Levenberg-Marquardt, frames' own terms eliminated).

    Parameters
    ----------
    setting : Setting
    begins : sequence of Numbers
    spreads : sequence of Spread
        One for each.
    rounds : int
        Most steps.
    rough : bool, optional
        Enough to choose whom to follow: where rounds run out, how well terms are known is that of a step before.

    Returns
    -------
    list of Mode
        In the order of the beginnings.
    """
    modes, many = [], max(1, SIDE_BY_SIDE // len(setting.kind))
    for first in range(0, len(begins), many):
        some = slice(first, first + many)
        data = _stacked([data_of(setting, spread) for spread in spreads[some]])
        modes += _climbed(setting, _stacked(begins[some]), data, rounds, rough)
    return modes


def _climbed(setting: Setting, numbers: Numbers, data: Data, rounds: int, rough: bool) -> list[Mode]:
    """The same for problems side by side."""
    cost = cost_of(numbers, setting, data)
    damping = np.full(len(cost), FIRST_DAMPING)
    blocks = _blocks(numbers, setting, data)
    going = np.arange(len(cost))
    for turn in range(rounds):
        if turn:
            _put(blocks, going, _blocks(_rows(numbers, going), setting, _rows(data, going)))
        gained = _stepped(setting, going, numbers, cost, damping, blocks, data)
        # after so small a step the curvature is what it was
        going = going[gained >= LEAST_GAIN]
        if len(going) == 0:
            break
    if len(going) and not rough:
        _put(blocks, going, _blocks(_rows(numbers, going), setting, _rows(data, going)))
    inverse, carried, normal, _ = _eliminated(blocks, np.zeros(len(cost)))
    covariance = np.linalg.pinv(normal, hermitian=True)
    log_det = -(np.linalg.slogdet(normal)[1] + np.linalg.slogdet(blocks.own)[1].sum(axis=-1))
    evidence = -cost + log_det / 2 - np.log(data.scale).sum(axis=(-2, -1))
    return [
        Mode(
            numbers=_rows(numbers, k), covariance=covariance[k], inverse=inverse[k], carried=carried[k],
            log_evidence=float(evidence[k]),
        )
        for k in range(len(cost))
    ]  # fmt: skip


def _stepped(
    setting: Setting, going: NDArray[np.intp], numbers: Numbers, cost: Floats, damping: Floats, blocks: "_Blocks",
    data: Data,
) -> Floats:  # fmt: skip
    """One good step of each problem that goes on, and what is gained by it: 0 where all steps were in vain.

    Changes `numbers`, `cost` and `damping`.
    """
    before, trying = cost[going], going
    for _ in range(MOST_TRIED):
        step = _step(_rows(numbers, trying), _rows(blocks, trying), damping[trying])
        tried = cost_of(step, setting, _rows(data, trying))
        better = np.isfinite(tried) & (tried < cost[trying])
        good = trying[better]
        cost[good] = tried[better]
        _put(numbers, good, _rows(step, better))
        damping[good] = np.maximum(damping[good] / FREED_BY, LEAST_DAMPING)
        trying = trying[~better]
        if len(trying) == 0:
            break
        damping[trying] *= DAMPED_BY
    return np.asarray(before - cost[going])


@dataclass(frozen=True, slots=True)
class _Blocks:
    """Normal equations, frame by frame, of several problems."""

    own: Floats
    cross: Floats
    """Shape (..., N, N_FRAME, n) with n all shared numbers and all kinds'."""
    normal: Floats
    own_right: Floats
    right: Floats


def _blocks(numbers: Numbers, setting: Setting, data: Data) -> _Blocks:
    now, profile, slopes = _slopes(numbers, setting)
    residual = data.value - now
    huber, _ = zone_pulls(residual, data.weight)
    soft, soft_weight, _ = profile_pulls(setting, profile)
    flat = (*profile.shape, -1)
    weight = np.concatenate([(huber * data.weight).reshape(flat), soft_weight[..., None]], axis=-1)
    root = np.sqrt(weight)
    rows = slopes * root[..., None, :]
    left = np.concatenate([residual.reshape(flat), soft[..., None]], axis=-1) * root
    products, rights = rows @ np.swapaxes(rows, -1, -2), (rows @ left[..., None])[..., 0]
    own, others = slice(N_FRAME), slice(N_FRAME, None)
    cross, normal, right = products[..., own, others], products[..., others, others], rights[..., others]
    precision, _ = frame_prior(numbers, data)
    own_block = products[..., own, own] + np.eye(N_FRAME) * precision[..., None]
    own_right = rights[..., own] - precision * numbers.frame
    before, total = profile.shape[:-1], N_SHARED + N_KIND * setting.n_kinds
    whole, whole_right = np.zeros((*before, total, total)), np.zeros((*before, total))
    wide = np.zeros((*profile.shape, N_FRAME, total))
    weight, pull, _ = student(numbers.kind, KIND)
    for kind in range(setting.n_kinds):
        here = np.flatnonzero(setting.kind == kind)
        at = np.r_[np.arange(N_SHARED), N_SHARED + N_KIND * kind + np.arange(N_KIND)]
        whole[..., at[:, None], at] += normal[..., here, :, :].sum(axis=-3)
        whole_right[..., at] += right[..., here, :].sum(axis=-2)
        wide[..., here[:, None, None], np.arange(N_FRAME)[:, None], at] = cross[..., here, :, :]
        own_at = at[N_SHARED:]
        whole[..., own_at, own_at] += weight[..., kind, :]
        whole_right[..., own_at] -= pull[..., kind, :]
    weight, pull, _ = student(numbers.shared, SHARED)
    first = np.arange(N_SHARED)
    whole[..., first, first] += weight
    whole_right[..., first] -= pull
    return _Blocks(own_block, wide, whole, own_right, whole_right)


def _eliminated(blocks: _Blocks, damping: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """The normal equations of the shared numbers, the frames' own eliminated (Schur complement).

    Inverse of the frames' blocks, how they follow the shared numbers, and the two sides of what is left.
    """
    more = np.eye(N_FRAME) * np.diagonal(blocks.own, axis1=-2, axis2=-1)[..., None, :]
    inverse = np.asarray(np.linalg.inv(blocks.own + damping[..., None, None, None] * more), np.float64)
    carried = inverse @ blocks.cross
    each = np.eye(blocks.normal.shape[-1]) * np.diagonal(blocks.normal, axis1=-2, axis2=-1)[..., None, :]
    rows = (*blocks.right.shape[:-1], -1, blocks.right.shape[-1])
    led = np.swapaxes(blocks.cross.reshape(rows), -1, -2) @ carried.reshape(rows)
    normal = blocks.normal + damping[..., None, None] * each - led
    right = blocks.right - np.einsum("...fkp,...fk->...p", carried, blocks.own_right)
    return inverse, carried, normal, right


def _step(numbers: Numbers, blocks: _Blocks, damping: Floats) -> Numbers:
    inverse, carried, normal, right = _eliminated(blocks, damping)
    shared = np.linalg.solve(normal, right[..., None])[..., 0]
    frame = np.einsum("...fij,...fj->...fi", inverse, blocks.own_right) - np.einsum(
        "...fkp,...p->...fk", carried, shared
    )
    return Numbers(
        shared=numbers.shared + shared[..., :N_SHARED],
        kind=numbers.kind + shared[..., N_SHARED:].reshape(numbers.kind.shape),
        frame=numbers.frame + frame,
    )


_Arrays = TypeVar("_Arrays", Numbers, Data, _Blocks)


def _stacked(records: Sequence[_Arrays]) -> _Arrays:
    """Arrays of several records side by side, along a new first axis."""
    return _each_array(lambda *arrays: np.stack(arrays), *records)


def _rows(record: _Arrays, at: NDArray[Any] | int) -> _Arrays:
    """Some of them."""
    return _each_array(lambda array: array[at], record)


def _put(record: _Arrays, at: NDArray[np.intp], new: _Arrays) -> None:
    """Set some of them."""
    for one in fields(record):
        getattr(record, one.name)[at] = getattr(new, one.name)


def _each_array(change: Callable[..., Floats], first: _Arrays, *others: _Arrays) -> _Arrays:
    """A record of what is made of each of its arrays."""
    arrays = {one.name: change(*(getattr(record, one.name) for record in (first, *others))) for one in fields(first)}
    return replace(first, **arrays)
