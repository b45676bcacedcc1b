"""The most probable terms, and how well they are known."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from math import log
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust, shear
from framecheck.model.responses import misfit
from framecheck.model.terms import (
    ADDED,
    ADDED_TO_FRAMES,
    AT,
    AT_FRAME,
    FRAME,
    KIND,
    N_FRAME,
    N_INPUTS,
    N_KIND,
    N_SHARED,
    SHARED,
    Numbers,
    Setting,
    Term,
    added_slopes,
    light_path,
    predict,
    seen_through,
)  # fmt: skip

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

CAUCHY: Final = 1.0
STUDENT: Final = 3.0
"""Degrees of freedom of what is believed beforehand of shared terms, and of frames'. Chosen: heavy tails, so that a
grave fault is no surprise; the heavier, the sooner one fault is believed than several small ones that together look
so."""

BOUND: Final = 3.0
"""Standard deviations beyond which shared terms of a normal distribution are hardly believed. [dimensionless] Chosen:
what the laws of the optics miss has an end, and must not explain a night that they do not."""

HUBER: Final = 3.0
"""Residual over its error from which on a zone pulls no harder. [dimensionless] Chosen."""

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

SOFT_ERROR: Final = 0.02
"""Least error of 1 / beta of a frame. [dimensionless] Chosen: in focus it scatters by 5 %."""

FLOORS: Final = (0.01, 0.005, 0.01, 0.01)
"""What the terms do not explain of a zone's size, shape [squared FWHM] and third moments, at the least. Chosen."""

SLIGHTLY_DISTORTED: Final = 0.25
MISSED: Final = np.array([misfit(name, np.array(SLIGHTLY_DISTORTED)) for name in ("size", "shape", "comet", "lobes")])
"""What the laws of `responses` miss of size and shape [squared FWHM] and of third moments, at the least: here so, there
so, but alike in all frames, so that no number of frames makes it smaller. At a distortion that hardly shows. Chosen."""

COARSE_PROFILE: Final = (0.3, 1.2)
"""What pixels that are coarse for the star make of 1 / beta: so much of a star of no width, falling like a Gaussian of
it, exp(-(FWHM / b)²). [b in px] Chosen."""

TRAILED: Final = (0.2, 0.1, 0.1, 0.1)
"""What is not explained of a star that is all line, alike all over the frame. [squared FWHM, third moments] Chosen:
doubled and jagged stars are neither lines nor Gaussians."""
SKEWED: Final = 0.2
"""Third moments that a hook or a jump in the motion makes of a star that is all line. Chosen: a path's skewness is
below 1, and the moments count a fifth of it or so."""
TRAILED_PROFILE: Final = 0.3
"""The same of 1 / beta: a line has no wings along it. Chosen."""


ADDED_AT: Final = np.array(
    [AT_FRAME[name].start + k for name in ADDED_TO_FRAMES for k in range(2)]
    + [N_FRAME + AT[name].start + k for name, n in ADDED for k in range(n)]
)
"""Of the frames', the shared and the kinds' numbers, in this order, those that are only added at the end."""
BY_DIFFERENCES: Final = np.setdiff1d(np.arange(N_FRAME + N_SHARED + N_KIND), ADDED_AT)
"""All others."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Spread:
    """What the night itself tells: how far frames scatter, and how far the model misses."""

    frame: Floats
    """Standard deviation of the frames' terms, shape (N_FRAME,)."""
    floor: Floats
    """Of what is not explained of size, shape, comet and lobes, now so, now so; shape (4,)."""
    alike: Floats
    """The same, here so, there so, but alike in all frames."""


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


DISC_COUNTS: Final = 0.7
LEAST_ROUND: Final = 0.2
SHARP: Final = 0.15
ASTIGMATIC: Final = 0.3
ONE_DIRECTION: Final = 2.0
"""Astigmatism to begin with, and how much more shapes scatter along one direction than across it for that. [FWHM,
dimensionless] Chosen."""
SOME: Final = 0.2
"""Share of the frames that must lie on either side. Chosen: knocks and late corrections are few."""

GROWN: Final = 0.15
"""What a disc adds to the size over its moment, and the least share of the size that is no blur of focus, where one
begins; quantile of the frames' sizes that counts as in focus, and growth over the usual size that may be one of focus.
Chosen."""


def usual_spread() -> Spread:
    """What is taken before the night has told."""
    frame = np.concatenate([np.full(term.n, term.scale) for term in FRAME])
    return Spread(frame=frame, floor=np.array(FLOORS), alike=MISSED)


def start(setting: Setting, begin: Mapping[str, float | complex]) -> Numbers:
    """Terms to begin with: everything at its usual value but what is named."""
    first = np.concatenate([np.full(term.n, term.usual) for term in SHARED])
    for name, value in begin.items():
        if name in AT:
            first[AT[name]] = (value.real, value.imag) if isinstance(value, complex) else value
    if "focus_1" in begin:
        turns = _slope_of_shape(setting) / (2 * DISC_COUNTS * begin["focus_1"])
        first[AT["astigmatism"]] = turns.real, turns.imag
    kind = np.zeros((setting.n_kinds, N_KIND))
    kind[:, 1] = focus = begin["focus"].real
    size = np.array(_typical_size(setting))
    log = np.log(np.maximum(size - DISC_COUNTS * focus**2, LEAST_ROUND * size))
    first[AT["base"]] = log.mean()
    kind[:, 0] = log - log.mean()
    return Numbers(shared=first, kind=kind, frame=first_frames(setting))


def growth_as_focus(setting: Setting) -> Numbers | None:
    """Begin where all growth of the stars along the night is a focus that goes away; None if they hardly grow."""
    size = mean_over_field(setting, 0).real / setting.width2_px2
    sharp = float(np.quantile(size, SHARP))
    away = np.sqrt(np.maximum(size - sharp, 0) / DISC_COUNTS)
    design = np.column_stack([np.ones(len(size)), setting.focus_course])
    fit, *_ = np.linalg.lstsq(design, away, rcond=None)
    if DISC_COUNTS * float(np.max(design @ fit)) ** 2 < GROWN * float(np.median(size)):
        return None
    begun = start(setting, {"focus": 0.0})
    shared, kind = begun.shared.copy(), begun.kind.copy()
    shared[AT["focus_1"].start : AT["focus_3"].stop] = fit[1:]
    kind[:, 1] = fit[0]
    shared[AT["base"]] += log(sharp / float(np.median(size)))
    return Numbers(shared=shared, kind=kind, frame=np.zeros_like(begun.frame))


def turning_as_astigmatism(setting: Setting) -> Numbers | None:
    """Begin where frames drawn out along one direction or at right angles to it are astigmatic, and their focus moves.

    It follows the course of the night as far as it may, and wanders beside it.

    None if their shapes scatter in any direction, or little, or all along one: motion makes no star short along its
    axis.
    """
    shape = mean_over_field(setting, 1) / setting.width2_px2 - setting.line**2
    turn = np.exp(0.5j * np.angle(np.sum((shape - shear.middle(shape)) ** 2)))
    along, across = (shape / turn).real, (shape / turn).imag
    least = ASTIGMATIC / 4  # of shapes too small to see nothing is told
    low, high = np.quantile(along, (SOME, 1 - SOME))
    if np.std(along) < max(ONE_DIRECTION * np.std(across), least) or not low < -least < least < high:
        return None
    begun = start(setting, {"focus": 0.0, "astigmatism": complex(ASTIGMATIC * turn)})
    shared, kind, frame = begun.shared.copy(), begun.kind.copy(), begun.frame.copy()
    size = mean_over_field(setting, 0).real / setting.width2_px2
    focus = along / (2 * DISC_COUNTS * ASTIGMATIC)
    design = np.column_stack([np.ones(len(focus)), setting.focus_course])
    fit, *_ = np.linalg.lstsq(design, focus, rcond=None)
    kind[:, 1], shared[AT["focus_1"].start : AT["focus_3"].stop] = fit[0], fit[1:]
    frame[:, AT_FRAME["motion"]] = 0
    frame[:, AT_FRAME["focus"].start] = focus - design @ fit
    frame[:, AT_FRAME["air"].start] = np.clip(np.log(size / np.median(size)), -0.3, 0.3) / 2
    return Numbers(shared=shared, kind=kind, frame=frame)


def _slope_of_shape(setting: Setting) -> complex:
    """By how much the frames' mean shape changes in half of the night. [squared FWHM]"""
    shape, t = mean_over_field(setting, 1) / setting.width2_px2, setting.course[:, 0]
    return complex(np.sum(shape * t) / max(float(np.sum(t**2)), 1e-9))


def mean_over_field(setting: Setting, quantity: int) -> Complexes:
    """Mean over the zones of each frame: of size, shape, comet or lobes, by number; shape (N,)."""
    seen = setting.zones.weight[0] > 0
    return np.asarray((setting.zones.value[quantity] * seen).sum(axis=1) / np.maximum(seen.sum(axis=1), 1))


def first_frames(setting: Setting) -> Floats:
    """Frames' own terms to begin with: what is drawn out more than usual has moved, and is wider by that."""
    shape = mean_over_field(setting, 1) / setting.width2_px2 - setting.line**2
    size = mean_over_field(setting, 0).real / setting.width2_px2
    frame = np.zeros((len(size), N_FRAME))
    for kind in range(setting.n_kinds):
        here = setting.kind == kind
        away = shape[here] - shear.middle(shape[here])
        calm = np.maximum(size[here] - np.abs(away), 0.1)
        frame[here, AT_FRAME["motion"]] = np.stack([away.real, away.imag], axis=-1)
        frame[here, AT_FRAME["air"].start] = np.clip(np.log(calm / np.median(calm)), -0.3, 0.3)
    return frame


def _typical_size(setting: Setting) -> list[float]:
    size, weight = setting.zones.value[0].real, setting.zones.weight[0] > 0
    out = []
    for kind in range(setting.n_kinds):
        here = weight & (setting.kind == kind)[:, None]
        out.append(float(np.median(size[here])) / setting.width2_px2 if here.any() else 1.0)
    return out


def drawn_out(setting: Setting) -> Floats:
    """Mean shape over mean size of each frame: 0 of round stars, 1 of endless lines; shape (N,)."""
    shape, size = (np.abs(mean_over_field(setting, k)) for k in (1, 0))
    return np.asarray(shape / np.maximum(size, 1e-9))


def trailed(setting: Setting) -> Floats:
    """How much of each zone's stars is line: as their mean over the field says, or the motion between frames.

    Shape (N, Z).
    """
    line = np.abs(setting.line[:, None] + 1j * setting.turning[:, None] * setting.zones.place) ** 2
    return np.maximum(drawn_out(setting)[:, None], line / (1 + line))


@dataclass(frozen=True, slots=True)
class Data:
    """Measured sizes, shapes and third moments as real numbers, and their weights; shape (N, Z, 7)."""

    value: Floats
    weight: Floats


def data_of(setting: Setting, spread: Spread) -> Data:
    """Give all that was measured, with what the model cannot explain of it in the errors."""
    unit = np.array([setting.width2_px2, setting.width2_px2, 1.0, 1.0])[:, None, None]
    value, weight = setting.zones.value / unit, setting.zones.weight * unit**2
    with np.errstate(divide="ignore"):
        alike = len(setting.kind) * spread.alike**2
        n_zones = np.sum(weight[0] > 0, axis=-1)
        alike_in_frame = n_zones[:, None] * (np.array(TRAILED)[:, None, None] * trailed(setting)) ** 2
        more = (spread.floor[:, None] ** 2 + alike[:, None])[..., None] + alike_in_frame
        weight = np.where(weight > 0, 1 / (1 / weight + more), 0)
    columns = [value[0].real, value[1].real, value[1].imag, value[2].real, value[2].imag, value[3].real, value[3].imag]
    return Data(np.stack(columns, -1), np.stack([weight[k] for k in (0, 1, 1, 2, 2, 3, 3)], -1))


def stacked(numbers: Numbers, setting: Setting, still: Floats | None = None) -> tuple[Floats, Floats]:
    """All that is predicted as real numbers, shapes (..., N, Z, 7) and (..., N)."""
    one = predict(numbers, setting, still=still)
    out = np.empty((*one.size.shape, 7))
    out[..., 0] = one.size
    for k, column in enumerate((one.shape, one.comet, one.lobes)):
        out[..., 2 * k + 1], out[..., 2 * k + 2] = column.real, column.imag
    return out, one.inverse_beta


def _pulls(residual: Floats, weight: Floats) -> tuple[Floats, float]:
    """Huber weights of the zones, quantity by quantity, and the cost."""
    square = residual**2 * weight
    parts = np.stack([square[..., 0], square[..., 1:3].sum(-1), square[..., 3:5].sum(-1), square[..., 5:7].sum(-1)], -1)
    pull = np.sqrt(parts)
    huber = robust.huber_weight(pull, HUBER)
    cost = float(np.sum(np.where(pull <= HUBER, parts / 2, HUBER * pull - HUBER**2 / 2)))
    return huber[..., [0, 1, 1, 2, 2, 3, 3]], cost


@cache
def _believed(terms: tuple[Term, ...]) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Scale, usual value, and whether its distribution is normal, of each number of terms."""
    of_each = [term for term in terms for _ in range(term.n)]
    scale, usual = np.array([term.scale for term in of_each]), np.array([term.usual for term in of_each])
    return scale, usual, np.array([term.normal for term in of_each])


def _student(value: Floats, terms: tuple[Term, ...]) -> tuple[Floats, Floats, float]:
    """Weight, pull towards the usual value, and cost of terms under what is believed of them."""
    scale, usual, normal = _believed(terms)
    pull = (value - usual) / scale
    bounded = pull**4 / BOUND**4
    weight = np.where(normal, 1 + 3 * bounded, (CAUCHY + 1) / (CAUCHY + pull**2)) / scale**2
    cost = np.where(normal, pull**2 / 2 * (1 + bounded), (CAUCHY + 1) / 2 * np.log1p(pull**2 / CAUCHY))
    return weight, weight * (value - usual), float(cost.sum())


def _profile(setting: Setting, predicted: Floats) -> tuple[Floats, Floats, float]:
    """Residual, weight and cost of 1 / beta of each frame: Student, since a fit may take the wrong branch."""
    known = np.isfinite(setting.inverse_beta)
    residual = np.where(known, setting.inverse_beta, predicted) - predicted
    coarse, px = COARSE_PROFILE
    soft = SOFT_ERROR + coarse * np.exp(-setting.width2_px2 / px**2)
    error = np.hypot(soft, TRAILED_PROFILE * drawn_out(setting))
    pull = residual / error
    weight = known * (STUDENT + 1) / (STUDENT + pull**2) / error**2
    return residual, weight, float((STUDENT + 1) / 2 * np.log1p(pull**2 / STUDENT).sum())


def _cost(numbers: Numbers, setting: Setting, spread: Spread, data: Data) -> float:
    predicted, profile = stacked(numbers, setting)
    _, cost = _pulls(data.value - predicted, data.weight)
    cost += _profile(setting, profile)[2]
    cost += _student(numbers.shared, SHARED)[2] + sum(_student(row, KIND)[2] for row in numbers.kind)
    return cost + _frame_prior(numbers, setting, spread)[1]


def _frame_prior(numbers: Numbers, setting: Setting, spread: Spread) -> tuple[Floats, float]:
    """Weight of what is believed of the frames' terms, and its cost: Student, one frame may be hit by anything."""
    scale = _frame_scale(setting, spread)
    _, _, normal = _believed(FRAME)
    pull = (numbers.frame / scale) ** 2
    weight = np.where(normal, 1.0, (STUDENT + 1) / (STUDENT + pull)) / scale**2
    cost = np.where(normal, pull / 2, (STUDENT + 1) / 2 * np.log1p(pull / STUDENT))
    return weight, float(cost.sum())


def _frame_scale(setting: Setting, spread: Spread) -> Floats:
    scale = np.tile(spread.frame, (len(setting.kind), 1))
    scale[:, AT_FRAME["turning"]] = setting.turning_error[:, None]
    skew = (SKEWED * drawn_out(setting) ** 1.5)[:, None]
    for name in ("comet", "lobes"):
        scale[:, AT_FRAME[name]] = np.hypot(scale[:, AT_FRAME[name]], skew)
    return scale


@dataclass(frozen=True, slots=True)
class _Slopes:
    """Derivatives of all that is measured; the last axis is the number that changes."""

    frame: Floats
    """Shape (N, Z, 7, N_FRAME)."""
    shared: Floats
    """Shape (N, Z, 7, N_SHARED + N_KIND); each frame's own kind's."""
    frame_profile: Floats
    shared_profile: Floats


def _slopes(numbers: Numbers, setting: Setting) -> tuple[Floats, Floats, _Slopes]:
    """All that is predicted, and its derivatives by differences, all numbers changed at once.

    Each frame's k-th term is changed together with the other frames', each kind's k-th with the other kinds'. How the
    optics answer is differentiated place by place, once for each of the few things that they answer to. What is only
    added at the end has its derivatives in closed form.
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
    zones = np.empty((*now.shape, N_FRAME + N_SHARED + N_KIND))
    profiles = np.zeros((len(place), zones.shape[-1]))
    zones[..., BY_DIFFERENCES] = np.moveaxis(other - now, 0, -1) / STEP
    zones[..., ADDED_AT] = added_slopes(place)
    profiles[..., BY_DIFFERENCES] = np.moveaxis(other_profile - profile, 0, -1) / STEP
    first = N_FRAME
    return now, profile, _Slopes(zones[..., :first], zones[..., first:], profiles[..., :first], profiles[..., first:])


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


def solve(setting: Setting, begin: Numbers, spread: Spread, rounds: int = 25) -> Mode:
    """Climb to the most probable terms from where one begins (Levenberg-Marquardt, frames' own terms eliminated)."""
    data = data_of(setting, spread)
    numbers, damping = begin, FIRST_DAMPING
    cost = _cost(numbers, setting, spread, data)
    for _ in range(rounds):
        blocks = _blocks(numbers, setting, spread, data)
        for _ in range(6):
            moved = _step(numbers, setting, blocks, damping)
            tried = _cost(moved, setting, spread, data)
            if np.isfinite(tried) and tried < cost:
                break
            damping *= DAMPED_BY
        else:
            break
        gained, cost, numbers = cost - tried, tried, moved
        damping = max(damping / FREED_BY, LEAST_DAMPING)
        if gained < LEAST_GAIN:
            break
    blocks = _blocks(numbers, setting, spread, data)
    inverse, carried, normal, _ = _eliminated(blocks, 0.0)
    covariance = np.asarray(np.linalg.pinv(normal, hermitian=True), np.float64)
    log_det = -float(np.linalg.slogdet(normal)[1] + np.linalg.slogdet(blocks.own)[1].sum())
    evidence = -cost + log_det / 2 - float(np.log(_frame_scale(setting, spread)).sum())
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
    huber, _ = _pulls(residual, data.weight)
    root = np.sqrt(huber * data.weight)
    n = len(setting.kind)
    soft, soft_weight, _ = _profile(setting, profile)
    soft_root = np.sqrt(soft_weight)[:, None]
    own = np.concatenate([(slopes.frame * root[..., None]).reshape(n, -1, N_FRAME),
                          (slopes.frame_profile * soft_root)[:, None]], axis=1)  # fmt: skip
    all_of = np.concatenate([(slopes.shared * root[..., None]).reshape(n, -1, N_SHARED + N_KIND),
                             (slopes.shared_profile * soft_root)[:, None]], axis=1)  # fmt: skip
    left = np.concatenate([(residual * root).reshape(n, -1), soft[:, None] * soft_root], axis=1)
    own_t, all_t = own.transpose(0, 2, 1), all_of.transpose(0, 2, 1)
    own_block, cross, normal = own_t @ own, own_t @ all_of, all_t @ all_of
    own_right, right = (own_t @ left[..., None])[..., 0], (all_t @ left[..., None])[..., 0]
    precision, _ = _frame_prior(numbers, setting, spread)
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
        weight, pull, _ = _student(numbers.kind[kind], KIND)
        own_at = at[N_SHARED:]
        whole[own_at, own_at] += weight
        whole_right[own_at] -= pull
    weight, pull, _ = _student(numbers.shared, SHARED)
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
