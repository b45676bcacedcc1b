"""The most probable terms, and how well they are known."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.model.likelihood import (
    Data,
    Spread,
    cost_of,
    data_of,
    frame_prior,
    frame_scale,
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


@dataclass(frozen=True, slots=True)
class _Slopes:
    """Derivatives of all that is measured, by each frame's, the shared and its kind's numbers, in this order."""

    zones: Floats
    """Shape (N, n numbers, Z * 7)."""
    profile: Floats
    """Shape (N, n numbers)."""


def _slopes(numbers: Numbers, setting: Setting) -> tuple[Floats, Floats, _Slopes]:
    """All that is predicted, and its derivatives by differences, all numbers changed at once.

    Each frame's k-th term is changed together with the other frames', each kind's k-th with the other kinds'. How the
    optics answer is differentiated place by place, once for each of the few things that they answer to. What is only
    added at the end, or does what another number does, has its derivatives in closed form.
    """
    place = setting.zones.place
    path = light_path(numbers, setting, place)
    nudged = np.tile(path[:, None], (1, N_INPUTS + 1, 1, 1))
    inputs = np.arange(N_INPUTS)
    nudged[inputs, inputs + 1] += STEP
    answers = seen_through(nudged, setting)
    still = answers[:, 0]
    slope = (answers[:, 1:] - answers[:, :1]) / STEP
    now, profile = stacked(numbers, setting, still)
    changed = _each_changed(numbers, BY_DIFFERENCES)
    away = light_path(changed, setting, place) - path[:, None]
    moved = still[:, None] + np.einsum("qjnz,jpnz->qpnz", slope, away, optimize=True)
    other, other_profile = stacked(changed, setting, moved)
    n, numbers_of_all = len(place), N_FRAME + N_SHARED + N_KIND
    zones, profiles = np.empty((n, numbers_of_all, now[0].size)), np.zeros((n, numbers_of_all))
    zones[:, BY_DIFFERENCES] = np.moveaxis((other - now).reshape(-1, n, now[0].size), 0, 1) / STEP
    profiles[:, BY_DIFFERENCES] = (other_profile - profile).T / STEP
    zones[:, ADDED_AT] = added_slopes(place).reshape(n, len(ADDED_AT), -1)
    factors = _factors(setting)
    zones[:, LED_AT] = zones[:, LEADER_AT] * factors[:, :, None]
    profiles[:, LED_AT] = profiles[:, LEADER_AT] * factors
    return now, profile, _Slopes(zones, profiles)


def _each_changed(numbers: Numbers, which: NDArray[np.intp]) -> Numbers:
    """Copies of the numbers, each with one of some changed a little: of the frames', the shared, the kinds'."""
    n, first, second = N_FRAME + N_SHARED + N_KIND, N_FRAME, N_FRAME + N_SHARED
    frame = np.tile(numbers.frame, (n, 1, 1))
    shared, kind = np.tile(numbers.shared, (n, 1)), np.tile(numbers.kind, (n, 1, 1))
    own = np.arange(N_FRAME)
    frame[own, :, own] += STEP
    shared[first + np.arange(N_SHARED), np.arange(N_SHARED)] += STEP
    kind[second + np.arange(N_KIND), :, np.arange(N_KIND)] += STEP
    return Numbers(shared=shared[which], kind=kind[which], frame=frame[which])


def solve(setting: Setting, begin: Numbers, spread: Spread, rounds: int = 25, *, rough: bool = False) -> Mode:
    """Climb to the most probable terms from where one begins (Levenberg-Marquardt, frames' own terms eliminated).

    `rough` is enough to choose whom to follow: where rounds run out, how well terms are known is that of a step before.
    """
    data = data_of(setting, spread)
    numbers, damping = begin, FIRST_DAMPING
    cost = cost_of(numbers, setting, spread, data)
    for _ in range(rounds):
        blocks = _blocks(numbers, setting, spread, data)
        for _ in range(6):
            moved = _step(numbers, setting, blocks, damping)
            tried = cost_of(moved, setting, spread, data)
            if np.isfinite(tried) and tried < cost:
                break
            damping *= DAMPED_BY
        else:
            break
        gained, cost, numbers = cost - tried, tried, moved
        damping = max(damping / FREED_BY, LEAST_DAMPING)
        if gained < LEAST_GAIN:  # so small a step leaves the curvature as it was
            break
    else:
        if not rough:
            blocks = _blocks(numbers, setting, spread, data)
    inverse, carried, normal, _ = _eliminated(blocks, 0.0)
    covariance = np.asarray(np.linalg.pinv(normal, hermitian=True), np.float64)
    log_det = -float(np.linalg.slogdet(normal)[1] + np.linalg.slogdet(blocks.own)[1].sum())
    evidence = -cost + log_det / 2 - float(np.log(frame_scale(setting, spread)).sum())
    return Mode(numbers=numbers, covariance=covariance, inverse=inverse, carried=carried, log_evidence=evidence)


@dataclass(frozen=True, slots=True)
class _Blocks:
    """Normal equations, frame by frame."""

    own: Floats
    cross: Floats
    """Shape (N, N_FRAME, n) with n all shared numbers and all kinds'."""
    normal: Floats
    own_right: Floats
    right: Floats


def _blocks(numbers: Numbers, setting: Setting, spread: Spread, data: Data) -> _Blocks:
    now, profile, slopes = _slopes(numbers, setting)
    residual = data.value - now
    huber, _ = zone_pulls(residual, data.weight)
    root = np.sqrt(huber * data.weight)
    n = len(setting.kind)
    soft, soft_weight, _ = profile_pulls(setting, profile)
    soft_root = np.sqrt(soft_weight)[:, None]
    rows = np.concatenate([slopes.zones * root.reshape(n, 1, -1), (slopes.profile * soft_root)[..., None]], axis=-1)
    left = np.concatenate([(residual * root).reshape(n, -1), soft[:, None] * soft_root], axis=1)
    products, rights = rows @ rows.transpose(0, 2, 1), (rows @ left[..., None])[..., 0]
    own, others = slice(N_FRAME), slice(N_FRAME, None)
    own_block, cross, normal = products[:, own, own], products[:, own, others], products[:, others, others]
    own_right, right = rights[:, own], rights[:, others]
    precision, _ = frame_prior(numbers, setting, spread)
    own_block = own_block + np.eye(N_FRAME) * precision[:, :, None]
    own_right = own_right - precision * numbers.frame
    total = N_SHARED + N_KIND * setting.n_kinds
    whole, whole_right = np.zeros((total, total)), np.zeros(total)
    wide = np.zeros((n, N_FRAME, total))
    for kind in range(setting.n_kinds):
        here = setting.kind == kind
        at = np.r_[np.arange(N_SHARED), N_SHARED + N_KIND * kind + np.arange(N_KIND)]
        whole[np.ix_(at, at)] += normal[here].sum(axis=0)
        whole_right[at] += right[here].sum(axis=0)
        wide[np.ix_(np.flatnonzero(here), np.arange(N_FRAME), at)] = cross[here]
        weight, pull, _ = student(numbers.kind[kind], KIND)
        own_at = at[N_SHARED:]
        whole[own_at, own_at] += weight
        whole_right[own_at] -= pull
    weight, pull, _ = student(numbers.shared, SHARED)
    first = np.arange(N_SHARED)
    whole[first, first] += weight
    whole_right[first] -= pull
    return _Blocks(own_block, wide, whole, own_right, whole_right)


def _eliminated(blocks: _Blocks, damping: float) -> tuple[Floats, Floats, Floats, Floats]:
    """The normal equations of the shared numbers, the frames' own eliminated (Schur complement).

    Inverse of the frames' blocks, how they follow the shared numbers, and the two sides of what is left.
    """
    own = blocks.own + damping * np.eye(N_FRAME) * np.diagonal(blocks.own, axis1=1, axis2=2)[:, None, :]
    inverse = np.asarray(np.linalg.inv(own), np.float64)
    carried = inverse @ blocks.cross
    normal = blocks.normal + damping * np.diag(np.diag(blocks.normal))
    normal = normal - np.tensordot(blocks.cross, carried, axes=([0, 1], [0, 1]))
    right = blocks.right - np.einsum("fkp,fk->p", carried, blocks.own_right)
    return inverse, carried, normal, right


def _step(numbers: Numbers, setting: Setting, blocks: _Blocks, damping: float) -> Numbers:
    inverse, carried, normal, right = _eliminated(blocks, damping)
    shared = np.linalg.solve(normal, right)
    frame = np.einsum("fij,fj->fi", inverse, blocks.own_right) - carried @ shared
    return Numbers(
        shared=numbers.shared + shared[:N_SHARED],
        kind=numbers.kind + shared[N_SHARED:].reshape(setting.n_kinds, N_KIND),
        frame=numbers.frame + frame,
    )
