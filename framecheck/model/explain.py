"""A session explained: several beginnings, the explanations that remain, and draws of them."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import SURE_SIGMA
from framecheck.model.begin import first_frames, growth_as_focus, motion_as_drift, start, turning_as_astigmatism
from framecheck.model.likelihood import FLOORS, MISSED, Spread, data_of, stacked, usual_spread
from framecheck.model.solve import Mode, solve_all
from framecheck.model.terms import AT, AT_FRAME, N_FRAME, N_KIND, N_SHARED, Numbers, Setting, predict
from framecheck.model.zones import zones_of
from framecheck.night.records import NightFrame
from framecheck.robust import MEDIAN_SQUARE, excess_variance

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

TEMPER: Final = 3.0
"""By what differences of log evidence are divided before explanations are weighed. Chosen: they come from what the laws
of the optics miss as much as from noise."""
MODES_WITHIN: Final = 20.0
"""Log evidence by which another explanation may be worse and still counts. Chosen: one in a thousand after `TEMPER`."""

TOLD_APART: Final = ("tilt", "bend", "pinch", "astigmatism", "decentred", "coma", "drift_0")
"""Shared terms in which, beside the focus, two explanations differ."""
ALIKE: Final = 0.06
"""Difference of the squares of one of them up to which they are one. [squared FWHM] Chosen: less hardly widens a star.
"""
ALIKE_EVIDENCE: Final = 3.0
"""Log evidence by which they may differ then. Chosen: one has not climbed to its end."""

COARSE: Final = 6
"""Frames that all beginnings are tried on. Chosen."""
ROUGHLY: Final = 6
CONTINUED: Final = 6
KEPT: Final = 3
"""Steps of all beginnings; those of them followed further, and on all frames. Chosen: with two steps or two beginnings
fewer, the best explanation of a real night of four filters was lost."""

ROUND: Final = 1.0
"""Round part of the motion over its shape's scatter, at the least. [dimensionless] Chosen: motion along one axis only
is rare."""

WANDERING: Final = 0.2
"""Scatter of the focus from frame to frame where it wanders, to begin with. [FWHM] Chosen."""

STANDS_OUT: Final = 4.0
"""Residual of a zone of stars held back, over the usual one, from which it is its stars'. [dimensionless] Chosen."""

HOLDS: Final = 0.05
"""Scatter of the focus from frame to frame up to which a focuser holds it. [FWHM] Chosen."""
SELDOM: Final = 5.0
"""Log evidence against a focus that wanders from frame to frame. Chosen: focusers hold, mounts shake."""

OWN_SPREADS: Final = (
    ("air", 0.03, 0.25),
    ("focus", 0.01, 0.4),
    ("motion", 0.01, 0.4),
    ("round_motion", 0.01, 0.4),
    ("comet", 0.003, 0.1),
    ("lobes", 0.003, 0.1),
)
"""Terms whose scatter from frame to frame the night tells, and its bounds. Chosen."""
USUAL_WORTH: Final = 4.0
"""Frames that the usual scatter is worth. Chosen."""

BEGINNINGS: Final[tuple[dict[str, float | complex], ...]] = (
    {"focus": 0.1, "own_blur": 1.5},
    {"focus": 0.0, "own_blur": 1.5, "own_wings": 0.4},
    {"focus": 0.1, "bend": 0.05, "own_blur": 0.3},
    {"focus": 0.6, "bend": 0.1},
    {"focus": 0.6, "bend": -0.1},
    {"focus": 0.1, "bend": 0.5},
    {"focus": 0.1, "tilt": 0.5 + 0j},
    {"focus": 0.1, "tilt": 0.5j},
    {"focus": 0.2, "pinch": 0.6 + 0j},
    {"focus": 0.0, "decentred": 0.6},
    {"focus": 0.0, "coma": 0.6},
    {"focus": 1.1},
    {"focus": 0.0, "focus_1": 0.8},
)
"""In focus, out of it on both sides of a bend, bent, tilted through focus, pinched, with tails, far out, through focus.
"""


@dataclass(frozen=True, kw_only=True, slots=True)
class Explained:
    """What may have made the frames of a session look as they do."""

    setting: Setting
    frames: tuple[int, ...]
    """Indices in `Night.frames` of the frames that it was solved from."""
    modes: tuple[Mode, ...]
    """The most probable first."""
    share: Floats
    """Probability of each, shape (n_modes,)."""
    alike: Floats
    """What the zones show in all frames of size, shape, comet and lobes that is not explained; shape (4,)."""


def explain(setting: Setting, frames: tuple[int, ...]) -> Explained:
    """Solve for the terms from several beginnings, and weigh what is found by its evidence."""
    coarse = part_of(setting, COARSE)
    found = _solved(coarse, [start(coarse, begin) for begin in BEGINNINGS], ROUGHLY, rough=True)
    found = _solved(coarse, [one.numbers for one in _distinct(found)[:CONTINUED]], rounds=12)
    begun = [_begun(one, setting) for one in _likely(_distinct(found))[:KEPT]]
    if (away := growth_as_focus(setting)) is not None:
        begun.append(away)
    if (drifts := motion_as_drift(begun[0], setting)) is not None:
        begun.append(drifts)
    modes = _solved(setting, begun, rounds=8)
    if (turning := turning_as_astigmatism(setting)) is not None:
        modes.append(_wandering(setting, turning))
    for _ in range(2):
        modes = _likely(_distinct(_by_evidence(modes)))
        floor, alike = unexplained(modes[0], setting)
        modes = _solved_again(setting, modes, floor, alike)
    modes = _distinct(_by_evidence(modes))
    evidence = np.array([one.log_evidence for one in modes]) - modes[0].log_evidence
    share = np.where(evidence > -MODES_WITHIN, np.exp(evidence / TEMPER), 0)
    return Explained(setting=setting, frames=frames, modes=tuple(modes), share=share / share.sum(), alike=alike)


def _solved(setting: Setting, begins: Sequence[Numbers], rounds: int, *, rough: bool = False) -> list[Mode]:
    """Climb from several beginnings by the usual scatters; the most probable first."""
    return _by_evidence(solve_all(setting, begins, [usual_spread()] * len(begins), rounds, rough=rough))


def _wandering(setting: Setting, begin: Numbers) -> Mode:
    """Climb with a focus that wanders from frame to frame and little motion; by scatters it has itself."""
    spread = usual_spread()
    frame = spread.frame.copy()
    frame[AT_FRAME["focus"]] = WANDERING
    (mode,) = solve_all(setting, [begin], [replace(spread, frame=frame)], rounds=12)
    return _solved_again(setting, [mode], *unexplained(mode, setting))[0]


def _solved_again(setting: Setting, modes: Sequence[Mode], floor: Floats, alike: Floats) -> list[Mode]:
    """Go on from explanations with the scatters that each has itself; a focus that wanders is seldom."""
    spreads = [Spread(frame=scatter(one), floor=floor, alike=alike) for one in modes]
    found = solve_all(setting, [one.numbers for one in modes], spreads, rounds=12)
    wanders = [bool(its.frame[AT_FRAME["focus"]][0] > HOLDS) for its in spreads]
    return [
        replace(one, log_evidence=one.log_evidence - SELDOM * also) for one, also in zip(found, wanders, strict=True)
    ]


def draws(explained: Explained, n: int, seed: int = 0) -> Numbers:
    """Terms drawn from what is known of them, some `n` sets along the first axis."""
    chance = np.random.default_rng(seed)
    parts = []
    for mode, count in zip(explained.modes, np.round(explained.share * n).astype(int), strict=True):
        values, vectors = np.linalg.eigh((mode.covariance + mode.covariance.T) / 2)
        # rounding may turn or swap the vectors, which hardly moves the symmetric root: draws stay as they are
        away = chance.standard_normal((count, len(values))) @ ((vectors * np.sqrt(np.maximum(values, 0))) @ vectors.T)
        root = np.linalg.cholesky(mode.inverse)
        own = np.einsum("fij,sfj->sfi", root, chance.standard_normal((count, len(root), N_FRAME)))
        numbers = mode.numbers
        parts.append(Numbers(
            shared=numbers.shared + away[:, :N_SHARED],
            kind=numbers.kind + away[:, N_SHARED:].reshape(count, *numbers.kind.shape),
            frame=numbers.frame - np.einsum("fkp,sp->sfk", mode.carried, away) + own,
        ))  # fmt: skip
    return Numbers(
        shared=np.concatenate([one.shared for one in parts]), kind=np.concatenate([one.kind for one in parts]),
        frame=np.concatenate([one.frame for one in parts]),
    )  # fmt: skip


def part_of(setting: Setting, most: int) -> Setting:
    """So many frames spread over the night, some of each kind."""
    return setting if len(setting.kind) <= most else frames_of(setting, rows_of(setting, most))


def rows_of(setting: Setting, most: int) -> NDArray[np.intp]:
    """Rows of so many frames spread over the night, some of each kind."""
    n = len(setting.kind)
    firsts = [np.flatnonzero(setting.kind == kind)[:1] for kind in range(setting.n_kinds)]
    return np.unique(np.concatenate([np.linspace(0, n - 1, min(most, n)).astype(int), *firsts]))


def frames_of(setting: Setting, rows: NDArray[np.intp]) -> Setting:
    """Some of the frames."""
    zones = setting.zones
    some = replace(
        zones, frames=tuple(zones.frames[k] for k in rows), place=zones.place[rows], value=zones.value[:, rows],
        weight=zones.weight[:, rows],
    )  # fmt: skip
    return replace(
        setting, zones=some, kind=setting.kind[rows], exposure=setting.exposure[rows], course=setting.course[rows],
        air_course=setting.air_course[rows], focus_course=setting.focus_course[rows],
        ln_airmass=setting.ln_airmass[rows], temperature=setting.temperature[rows],
        inverse_beta=setting.inverse_beta[rows], turning=setting.turning[rows],
        turning_error=setting.turning_error[rows], line=setting.line[rows], line_known=setting.line_known[rows],
    )  # fmt: skip


def frames_only(numbers: Numbers, rows: NDArray[np.intp]) -> Numbers:
    """The numbers of some of the frames."""
    return replace(numbers, frame=numbers.frame[..., rows, :])


def scatter(mode: Mode) -> Floats:
    """Standard deviation of the frames' terms as an explanation has them; shape (N_FRAME,)."""
    frame, usual = mode.numbers.frame, usual_spread().frame
    variance = np.diagonal(mode.inverse, axis1=1, axis2=2)
    sd, n = usual.copy(), len(frame)
    for name, least, most in OWN_SPREADS:
        at = AT_FRAME[name]
        seen = np.median(np.abs(frame[:, at])) ** 2 / MEDIAN_SQUARE[1] + np.mean(variance[:, at])
        both = (n * seen + USUAL_WORTH * usual[at].mean() ** 2) / (n + USUAL_WORTH)
        sd[at] = np.clip(np.sqrt(both), least, most)
    at = AT_FRAME["round_motion"]
    sd[at] = np.maximum(sd[at], ROUND * sd[AT_FRAME["motion"]][0])
    return sd


def unexplained(mode: Mode, setting: Setting) -> tuple[Floats, Floats]:
    """Scatter to add to the zones' errors for the residuals of each quantity to be what chance makes them.

    From frame to frame, and alike in all frames from zone to zone; each of shape (4,).
    """
    plain = data_of(setting, replace(usual_spread(), floor=np.zeros(4), alike=np.zeros(4)))
    left = plain.value - stacked(mode.numbers, setting)[0]
    floor, alike = np.array(FLOORS) / 2, MISSED.copy()
    for k, columns in enumerate(([0], [1, 2], [3, 4], [5, 6])):
        weight, of_k = plain.weight[..., columns[0]], left[..., columns]
        total = weight.sum(axis=0)
        steady = np.sum(of_k * weight[..., None], axis=0) / np.maximum(total, 1e-12)[:, None]
        alike[k] = max(_scatter_beyond(steady, total), alike[k])
        if len(left) > 1:
            floor[k] = max(_scatter_beyond(of_k - steady, weight), floor[k])
    return floor, alike


def _scatter_beyond(left: Floats, weight: Floats) -> float:
    """Standard deviation that residuals, components last, have beyond their errors, judged by their median."""
    square, variance = np.sum(left**2, axis=-1)[weight > 0], 1 / weight[weight > 0]
    return float(np.sqrt(excess_variance(square, variance, MEDIAN_SQUARE[left.shape[-1]])))


def _by_evidence(modes: Iterable[Mode]) -> list[Mode]:
    return sorted(modes, key=lambda one: -one.log_evidence)


def _likely(modes: list[Mode]) -> list[Mode]:
    """Of explanations, the most probable first, those that may still count."""
    return [one for one in modes if one.log_evidence > modes[0].log_evidence - MODES_WITHIN]


def _begun(mode: Mode, setting: Setting) -> Numbers:
    """What a few frames told, for all frames."""
    return Numbers(shared=mode.numbers.shared, kind=mode.numbers.kind, frame=first_frames(setting))


def _distinct(modes: list[Mode]) -> list[Mode]:
    """Explanations that differ in what makes the stars so, or much in evidence; the first of those alike."""
    out: list[Mode] = []
    for one in modes:
        if not any(_alike(one, other) for other in out):
            out.append(one)
    return out


def _alike(one: Mode, other: Mode) -> bool:
    near = np.max(np.abs(_squares(one) - _squares(other))) < ALIKE
    return bool(near and abs(one.log_evidence - other.log_evidence) < ALIKE_EVIDENCE)


def _squares(mode: Mode) -> Floats:
    """Squares of focus, aberrations and drift: nothing may tell their signs."""
    shared = mode.numbers.shared
    squares = [np.sum(shared[AT[name]] ** 2) for name in TOLD_APART]
    return np.concatenate([mode.numbers.kind[:, N_KIND - 1] ** 2, squares])


@dataclass(frozen=True, kw_only=True, slots=True)
class ShareExplained:
    """Share of the variance over field and night that the model explains on stars held back; None without a pattern."""

    size: float | None = None
    """Within frames, about their means."""
    shape: float | None = None
    """Against round stars."""


def share_explained(explained: Explained, frames: Sequence[NightFrame]) -> ShareExplained:
    """Judge the best explanation by the stars that took no part in it, noise taken off.

    Parameters
    ----------
    explained : Explained
    frames : sequence of NightFrame
        The frames that it was solved from, in the same order.
    """
    zones = zones_of(frames, held=True)
    if zones is None:
        return ShareExplained()
    rows = np.array(zones.frames)
    setting = replace(frames_of(explained.setting, rows), zones=zones)
    seen = predict(frames_only(explained.modes[0].numbers, rows), setting)
    size, shape = zones.value[:2] / explained.setting.width2_px2
    variance = 1 / np.where(zones.weight[:2] > 0, zones.weight[:2], np.inf) / explained.setting.width2_px2**2
    there = zones.weight[:2] > 0
    mean = np.sum(size * there[0], axis=1, keepdims=True) / np.maximum(there[0].sum(axis=1, keepdims=True), 1)
    return ShareExplained(
        size=_share(size - mean, size - seen.size, variance[0], there[0], 1),
        shape=_share(shape, shape - seen.shape, variance[1], there[1], 2),
    )


def _share(pattern: Complexes, left: Complexes, variance: Floats, there: NDArray[np.bool_], n: int) -> float | None:
    """One less the variance that is left over that of the pattern, of `n` components."""
    before, after, noise = np.abs(pattern[there]) ** 2, np.abs(left[there]) ** 2, n * variance[there]
    if len(noise) == 0:
        return None
    # where few stars are held back, one that has a neighbour would decide
    pull = after / (noise + np.median(noise))
    usual = pull <= STANDS_OUT**2 * np.median(pull) / MEDIAN_SQUARE[n]
    before, after, noise = before[usual], after[usual], noise[usual]
    weight = 1 / (noise + np.median(noise))
    there_is, by_chance = np.sum(weight * (before - noise)), np.sqrt(2 / n * np.sum((weight * noise) ** 2))
    if there_is < SURE_SIGMA * by_chance:
        return None
    return float(np.clip(1 - np.sum(weight * (after - noise)) / there_is, 0, 1))
