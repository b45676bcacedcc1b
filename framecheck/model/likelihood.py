"""How probable terms are: what was measured against what they predict, and what is believed of them beforehand.

Terms may have axes in front of those that `Numbers` names: as many sets of them, each with its own pulls and cost.
"""

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust
from framecheck.model.responses import misfit
from framecheck.model.terms import AT_FRAME, FRAME, KIND, SHARED, Numbers, Setting, Term, predict
from framecheck.model.zones import drawn_out

Floats = NDArray[np.float64]

STUDENT: Final = 3.0
"""Degrees of freedom of what a frame's profile may be off by. Chosen: a fit may take the wrong branch."""

BOUND: Final = 3.0
"""Standard deviations beyond which shared terms of a normal distribution are hardly believed. [dimensionless] Chosen:
what the laws of the optics miss has an end, and must not explain a night that they do not."""

HUBER: Final = 3.0
"""Residual over its error from which on a zone pulls no harder. [dimensionless] Chosen."""

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


@dataclass(frozen=True, kw_only=True, slots=True)
class Spread:
    """What the night itself tells: how far frames scatter, and how far the model misses."""

    frame: Floats
    """Standard deviation of the frames' terms, shape (N_FRAME,)."""
    floor: Floats
    """Of what is not explained of size, shape, comet and lobes, now so, now so; shape (4,)."""
    alike: Floats
    """The same, here so, there so, but alike in all frames."""


def usual_spread() -> Spread:
    """What is taken before the night has told."""
    frame = np.concatenate([np.full(term.n, term.scale) for term in FRAME])
    return Spread(frame=frame, floor=np.array(FLOORS), alike=MISSED)


def trailed(setting: Setting) -> Floats:
    """How much of each zone's stars is line: as their mean over the field says, or the motion between frames.

    Shape (N, Z).
    """
    line = np.abs(setting.line[:, None] + 1j * setting.turning[:, None] * setting.zones.place) ** 2
    return np.maximum(drawn_out(setting.zones)[:, None], line / (1 + line))


@dataclass(frozen=True, slots=True)
class Data:
    """Measured sizes, shapes and third moments as real numbers, their weights, and how far frames' terms scatter."""

    value: Floats
    """Shape (N, Z, 7)."""
    weight: Floats
    """Shape (N, Z, 7)."""
    scale: Floats
    """Standard deviation of what is believed of each frame's terms, shape (N, N_FRAME)."""


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
    weights = np.stack([weight[k] for k in (0, 1, 1, 2, 2, 3, 3)], -1)
    return Data(np.stack(columns, -1), weights, _frame_scale(setting, spread))


def stacked(numbers: Numbers, setting: Setting, still: Floats | None = None) -> tuple[Floats, Floats]:
    """All that is predicted as real numbers, shapes (..., N, Z, 7) and (..., N)."""
    one = predict(numbers, setting, still=still)
    out = np.empty((*one.size.shape, 7))
    out[..., 0] = one.size
    for k, column in enumerate((one.shape, one.comet, one.lobes)):
        out[..., 2 * k + 1], out[..., 2 * k + 2] = column.real, column.imag
    return out, one.inverse_beta


def zone_pulls(residual: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Huber weights of the zones, quantity by quantity, and the cost."""
    square = residual**2 * weight
    parts = np.stack([square[..., 0], square[..., 1:3].sum(-1), square[..., 3:5].sum(-1), square[..., 5:7].sum(-1)], -1)
    pull = np.sqrt(parts)
    huber = robust.huber_weight(pull, HUBER)
    cost = np.where(pull <= HUBER, parts / 2, HUBER * pull - HUBER**2 / 2)
    return huber[..., [0, 1, 1, 2, 2, 3, 3]], np.asarray(cost.sum(axis=(-3, -2, -1)))


@cache
def _believed(terms: tuple[Term, ...]) -> tuple[Floats, Floats, NDArray[np.bool_], Floats]:
    """Scale, usual value, whether its distribution is normal, and degrees of freedom, of each number of terms."""
    of_each = [term for term in terms for _ in range(term.n)]
    scale, usual = np.array([term.scale for term in of_each]), np.array([term.usual for term in of_each])
    return scale, usual, np.array([term.normal for term in of_each]), np.array([term.freedom for term in of_each])


def student(value: Floats, terms: tuple[Term, ...]) -> tuple[Floats, Floats, Floats]:
    """Weight, pull towards the usual value, and cost of terms under what is believed of them."""
    scale, usual, normal, free = _believed(terms)
    pull = (value - usual) / scale
    bounded = pull**4 / BOUND**4
    weight = np.where(normal, 1 + 3 * bounded, (free + 1) / (free + pull**2)) / scale**2
    cost = np.where(normal, pull**2 / 2 * (1 + bounded), (free + 1) / 2 * np.log1p(pull**2 / free))
    return weight, weight * (value - usual), np.asarray(cost.sum(axis=-1))


def profile_pulls(setting: Setting, predicted: Floats) -> tuple[Floats, Floats, Floats]:
    """Residual, weight and cost of 1 / beta of each frame: Student, since a fit may take the wrong branch."""
    known = np.isfinite(setting.inverse_beta)
    residual = np.where(known, setting.inverse_beta, predicted) - predicted
    coarse, px = COARSE_PROFILE
    soft = SOFT_ERROR + coarse * np.exp(-setting.width2_px2 / px**2)
    error = np.hypot(soft, TRAILED_PROFILE * drawn_out(setting.zones))
    pull = residual / error
    weight = known * (STUDENT + 1) / (STUDENT + pull**2) / error**2
    return residual, weight, np.asarray((STUDENT + 1) / 2 * np.log1p(pull**2 / STUDENT).sum(axis=-1))


def cost_of(numbers: Numbers, setting: Setting, data: Data) -> Floats:
    """Minus the log probability of the terms, but for a constant."""
    predicted, profile = stacked(numbers, setting)
    zones, profiles = zone_pulls(data.value - predicted, data.weight)[1], profile_pulls(setting, profile)[2]
    shared, kinds = student(numbers.shared, SHARED)[2], student(numbers.kind, KIND)[2].sum(axis=-1)
    return zones + profiles + shared + kinds + frame_prior(numbers, data)[1]


def frame_prior(numbers: Numbers, data: Data) -> tuple[Floats, Floats]:
    """Weight of what is believed of the frames' terms, and its cost: Student, one frame may be hit by anything."""
    _, _, normal, free = _believed(FRAME)
    pull = (numbers.frame / data.scale) ** 2
    weight = np.where(normal, 1.0, (free + 1) / (free + pull)) / data.scale**2
    cost = np.where(normal, pull / 2, (free + 1) / 2 * np.log1p(pull / free))
    return weight, np.asarray(cost.sum(axis=(-2, -1)))


def _frame_scale(setting: Setting, spread: Spread) -> Floats:
    scale = np.tile(spread.frame, (len(setting.kind), 1))
    scale[:, AT_FRAME["turning"]] = setting.turning_error[:, None]
    skew = (SKEWED * drawn_out(setting.zones) ** 1.5)[:, None]
    for name in ("comet", "lobes"):
        scale[:, AT_FRAME[name]] = np.hypot(scale[:, AT_FRAME[name]], skew)
    return scale
