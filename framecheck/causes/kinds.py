"""What drew the stars of a group out, frame by frame: the gear, late corrections, knocks, sway or chance.

Each kind of motion says how the smears of all frames are distributed; they are weighed against each other by their
evidence. A smear is a complex number with twice its direction as angle; what the drift makes of it is taken off.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from framecheck import shear
from framecheck.causes.moved import FEWEST_FRAMES, SURE_SIGMA, Complexes, Moved
from framecheck.causes.series import Bools, Floats
from framecheck.model.explain import Explained
from framecheck.model.parts import still_shapes_px2
from framecheck.motion.drift import never_rests

Kind = Literal["chance", "sway", "gear", "after moves", "in a run"]

RESTLESS: Final = np.array([0.0, 0.02, 0.05, 0.12, 0.3])
RESTLESS_BELIEVED: Final = np.log([0.4, 0.25, 0.17, 0.11, 0.07])
"""Scatter of each component of all smears by motion in any direction, over the squared FWHM, and how far each is
believed beforehand. [dimensionless] Chosen: healthy mounts show next to none."""

DRAWN: Final = np.array([0.08, 0.2, 0.5, 1.2])
"""Usual sizes of a smear along one axis, over the squared FWHM; each alike beforehand. [dimensionless] Chosen: from
what is just seen to long lines."""

KNOCKED: Final = np.array([0.1, 0.3, 1.0])
KNOCKS: Final = 0.08
"""The same of a knock in any direction, and the share of the frames that knocks hit. [dimensionless] Chosen."""

ACROSS: Final = 0.1
"""Smear aside of its axis, over the usual smear along it. [dimensionless] Chosen: directions are known to 3 degrees."""

LATE: Final = (0.3, 0.6)
LATE_STILL: Final = 0.3
LATE_IN_RUN: Final = 0.9
"""Share of the moves of the pointing after which corrections come late; chance that they do so in the next frame still;
and share of the frames of a run that they draw out. Chosen."""
SHORTEST_RUN: Final = 3
LONGEST_RUN: Final = 0.85
"""Frames of the shortest run, and share of the frames above which a run is no longer a part of the night. Chosen: a
knock may hit two frames."""
RUN_ENDS: Final = 60
"""Frames at which a run may begin or end, spread over the group. Chosen: for the time that it takes."""

SPEEDS: Final = np.linspace(-3, 3, 13)
SPEEDS_BELIEVED: Final = np.exp(-(SPEEDS**2) / 2) / np.exp(-(SPEEDS**2) / 2).sum()
"""Speeds of the gear inside an exposure, over their rms, and how likely each is: normal."""
LASTING: Final = (0.0, 0.6, 0.85)
"""Correlation of that speed from frame to frame. Chosen: none, where exposures are as long as a turn of the gear."""
SPEED_MISSES: Final = 0.1
"""Share by which the speed from frame to frame misses the smear inside them. Chosen: it is a mean of two intervals."""
FAR_SWING: Final = 1.5
"""Smear along the gear's axis, over that which it exceeds in a tenth of the frames, that is no swing. Chosen."""
SHORT_STEP: Final = 0.3
"""Shortest time between frames that counts, over the usual one. Chosen."""
WITH_DRIFT: Final = (0.0, 1.5)
"""Steady part of the speed over its rms. Chosen."""

AXES_KNOWN: Final = np.radians([-20.0, -10.0, 0.0, 10.0, 20.0])
"""[radian] Twice the angle by which an axis may differ from where it is taken to lie. Chosen."""
DIRECTIONS: Final = 16
"""Directions that are alike beforehand where no axis is known: full circle over step of `AXES_KNOWN`, about half of
it. Chosen."""

WIDENS_THIN: Final = (0.0, 0.5)
WIDENS_THICK: Final = (1.0, 2.0)
"""ln(area) beyond what a smear along one axis makes, per smear: of motion along that axis, and of wind that goes in all
directions; mean and scatter. [dimensionless] First: closed form, with the laws' error; second: chosen."""
LEAST_WIDENS_ERROR: Final = 0.3
"""[dimensionless] Of its measurement. Chosen."""

STEADY: Final = (0.2, 0.1)
"""Smear that stays all night, over the squared FWHM, and its change in half of it, as believed. Chosen."""
STEADY_BELIEVED: Final = 0.2
"""Chance of one that no drift seen explains. Chosen."""

BELIEVED: Final[Mapping[Kind, tuple[float, float]]] = {
    "chance": (0.5, 0.5), "sway": (0.3, 0.08), "gear": (0.03, 0.2), "after moves": (0.08, 0.02),
    "in a run": (0.06, 0.002),
}  # fmt: skip
"""How often each comes, under a guider and without. Chosen: corrections that come late need somebody who corrects."""
KNOCKS_BELIEVED: Final = 0.12
"""Chance of knocks beside any of them. Chosen."""

MOST_OF_DRIFT: Final = 1.3
"""Smear along the drift, over the one that it lets expect, that may be its own. [dimensionless] Chosen."""

WORST: Final = 0.1
"""Share of the frames, the worst, by which a cause that spoils some of them is judged. Chosen."""

LEAST_CHANCE: Final = 1e-6
"""Chance that no story falls below. Chosen: none of them is the whole truth."""

MEDIAN_OF_RAYLEIGH: Final = 1.1774
"""Closed form: sqrt(2 ln 2)."""

TINY: Final = 1e-300


@dataclass(frozen=True, kw_only=True, slots=True)
class Seen:
    """Smears of a group's frames; arrays of shape (n,)."""

    smear: Complexes
    """Over the squared FWHM; counted from right ascension if that is known."""
    error: Floats
    minutes: Floats
    after_move: Bools
    """Frames before which the pointing was moved."""
    from_drift: Complexes
    """What the drift between frames makes of each, as far as it is seen; 0 without one."""
    from_speed: Complexes | None
    """What the speed between each frame and its neighbours makes of it; None if it is not known everywhere."""
    ra_known: bool
    width: Floats
    """FWHM."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Kinds:
    """How likely each kind of motion is, and what it draws."""

    chance: Mapping[Kind, float]
    """Probability of each; 1 together."""
    knocks: float
    """Probability that some frames were knocked."""
    by_gear: Floats
    """Smear that the gear draws in each frame, if it is there; shape (n,)."""
    largest: float
    """Largest smear beside the usual one."""
    late: Floats
    """Smear that late corrections draw in each frame, if they are there; shape (n,)."""

    unguided_gear: float
    """Probability that it is the gear, and that nobody corrects it."""

    @property
    def late_log_odds(self) -> float:
        """Log-odds of corrections that come late."""
        return _log_odds(self.chance["after moves"] + self.chance["in a run"])

    @property
    def gear_log_odds(self) -> float:
        """Log-odds of a gear that nobody corrects."""
        return _log_odds(self.unguided_gear)

    @property
    def knocked_log_odds(self) -> float:
        """Log-odds that some frames were knocked."""
        return _log_odds(self.knocks)


def kinds_of(moved: Moved, explained: Explained | None) -> Kinds | None:
    """Weigh the kinds of motion of one group.

    Parameters
    ----------
    moved : Moved
    explained : Explained, optional
        What the optics make of the session's stars.

    Returns
    -------
    Kinds or None
        None if too few frames show a smear.
    """
    if len(moved.frames) < FEWEST_FRAMES:
        return None
    axes = moved.tracking.axes
    turn = 1.0 if axes is None else shear.turning(-axes.ra_angle_deg)
    smear = moved.smear if explained is None else moved.smear - _changing_optics(moved, explained)
    known = bool(np.isfinite(moved.from_speed).all())
    seen = Seen(
        smear=smear * turn, error=moved.error, minutes=np.nan_to_num(moved.tracking.smears.minutes),
        after_move=after_moves(moved), from_drift=(moved.smear - beside_drift(moved)) * turn,
        from_speed=_as_seen(smear, moved.from_speed) * turn if known else None, ra_known=axes is not None,
        width=moved.tracking.smears.fwhm_px,
    )  # fmt: skip
    return weigh_kinds(seen, moved.tracking.guided_log_odds)


def weigh_kinds(seen: Seen, guided_log_odds: float) -> Kinds:
    """How likely each kind of motion is.

    Parameters
    ----------
    seen : Seen
    guided_log_odds : float
        That corrections were made.

    Returns
    -------
    Kinds
    """
    guided = 1 / (1 + math.exp(-guided_log_odds))
    cases = _cases(seen)
    logs: dict[tuple[Kind, bool, int], float] = {}
    for kind, evidence in LIKELIHOODS.items():
        believed = math.log(guided * BELIEVED[kind][0] + (1 - guided) * BELIEVED[kind][1])
        for knocks in (False, True):
            own = believed + math.log(KNOCKS_BELIEVED if knocks else 1 - KNOCKS_BELIEVED)
            for k, case in enumerate(cases):
                if kind in case.of:
                    logs[kind, knocks, k] = own + case.log_believed + evidence(case.seen, knocks)
    total = np.logaddexp.reduce(list(logs.values()))
    chance = {case: float(np.exp(log - total)) for case, log in logs.items()}
    of_kind = {kind: sum(one for (of, _, _), one in chance.items() if of == kind) for kind in LIKELIHOODS}
    free = (1 - guided) * BELIEVED["gear"][1]
    late = {case: one for case, one in chance.items() if case[0] in ("after moves", "in a run")}
    likeliest, _, beside = max(late, key=lambda one: late[one])
    return Kinds(
        chance=of_kind,
        knocks=sum(one for (_, knocks, _), one in chance.items() if knocks),
        unguided_gear=of_kind["gear"] * free / (free + guided * BELIEVED["gear"][0]),
        by_gear=_gear_smear(seen),
        largest=_largest(seen, of_kind["gear"] > 0.5),
        late=_late_smear(cases[beside].seen, likeliest == "in a run"),
    )


def _changing_optics(moved: Moved, explained: Explained) -> Complexes:
    """How the shape that the optics draw differs from the usual one, over the squared FWHM, in each frame.

    A smear has their usual shape taken off already. Frames that the model was not solved for lie between those it was.
    """
    members = np.array(moved.tracking.smears.frames)
    rows = np.flatnonzero(np.isin(explained.frames, members))
    if len(rows) < FEWEST_FRAMES:
        return np.zeros(len(members), complex)
    at = np.array(explained.frames)[rows]
    turned = np.array([moved.frames[int(np.searchsorted(members, i))].turned_deg for i in at])
    shape = still_shapes_px2(explained)[rows] * shear.turning(-turned)
    off = shape - shear.middle(shape)
    square = moved.tracking.smears.fwhm_px**2
    return np.asarray((np.interp(members, at, off.real) + 1j * np.interp(members, at, off.imag)) / square)


def after_moves(moved: Moved) -> Bools:
    """Frames before which the pointing was moved; shape (n,)."""
    every, jumps = never_rests(moved.motion), frozenset(moved.motion.jumps)
    return np.array([every or i in jumps for i in moved.tracking.smears.frames])


@dataclass(frozen=True, slots=True)
class _Case:
    """Smears without what another motion makes of them, and for which kinds that may be so."""

    of: tuple[Kind, ...]
    log_believed: float
    seen: Seen


def _cases(seen: Seen) -> list[_Case]:
    """Smears as they are, without that of the drift, and without a steady one that no drift explains."""
    steady, occam = _steady(seen)
    others: tuple[Kind, ...] = ("chance", "after moves", "in a run")
    swings: tuple[Kind, ...] = ("gear", "sway")
    cases = [
        _Case(swings, -math.log(2), seen),
        _Case(swings, -math.log(2), replace(seen, smear=seen.smear - seen.from_drift)),
        _Case(others, math.log(STEADY_BELIEVED) + occam, replace(seen, smear=seen.smear - steady)),
    ]
    cases.append(_Case(others, math.log(1 - STEADY_BELIEVED), replace(seen, smear=seen.smear - seen.from_drift)))
    return cases


def beside_drift(moved: Moved) -> Complexes:
    """Smear less what the drift makes, as far as it is seen along it."""
    if moved.drift_seen < SURE_SIGMA:
        return moved.smear
    return np.asarray(moved.smear - _as_seen(moved.smear, moved.from_drift))


def _as_seen(smear: Complexes, expected: Complexes) -> Complexes:
    """As much of an expected smear as there is."""
    return np.asarray(float(np.clip(shear.seen_of(smear, expected), 0.0, MOST_OF_DRIFT)) * expected)


def of_worst(smear: Floats) -> float:
    """Mean smear of the worst tenth of the frames, of which two at the least."""
    worst = max(2, math.ceil(WORST * len(smear)))
    return float(np.mean(np.sort(smear)[-worst:]))


def _log_odds(chance: float) -> float:
    held = min(max(chance, LEAST_CHANCE), 1 - LEAST_CHANCE)
    return math.log(held / (1 - held))


def _steady(seen: Seen) -> tuple[Complexes, float]:
    """Smear that stays, or turns slowly, and what its four numbers cost: log of what is believed over what is known.

    Least squares that outlying frames hardly pull (Cauchy weights; Laplace's approximation of the evidence, textbook).
    """
    t = seen.minutes - seen.minutes.min()
    design = np.column_stack([np.ones(len(t)), 2 * t / max(float(np.ptp(t)), 1e-9) - 1])
    weight = np.ones(len(t))
    for _ in range(12):
        root = np.sqrt(weight)
        fit, *_ = np.linalg.lstsq(design * root[:, None], seen.smear * root, rcond=None)
        off = np.abs(seen.smear - design @ fit)
        scale = max(float(np.median(off)) / MEDIAN_OF_RAYLEIGH, 0.01)
        weight = 1 / (1 + (off / scale) ** 2)
    known2 = (float(np.median(seen.error**2)) + scale**2) / (len(t) * np.array([1.0, 1 / 3]))
    return np.asarray(design @ fit), -float(np.sum(np.log(np.maximum(np.array(STEADY) / np.sqrt(known2), 1.0) ** 2)))


def _normal(off: Floats, variance: Floats) -> Floats:
    """Log of the normal density."""
    return np.asarray(-0.5 * off**2 / variance - 0.5 * np.log(2 * np.pi * variance))


def _restless(seen: Seen) -> Floats:
    """Variance of each component of each smear, (q, n): errors, and motion in any direction."""
    return np.asarray(seen.error**2 + RESTLESS[:, None] ** 2)


def _calm(seen: Seen) -> Floats:
    """Log density of smears in any direction; (q, n)."""
    variance = _restless(seen)
    return _normal(seen.smear.real, variance) + _normal(seen.smear.imag, variance)


def _with_knocks(log: Floats, seen: Seen) -> Floats:
    """Log density where some frames were knocked; the last two axes those of `_restless`, whatever lies before."""
    wide = _restless(seen) + KNOCKED[:, None, None] ** 2
    each = _normal(seen.smear.real, wide) + _normal(seen.smear.imag, wide)
    knocked = np.logaddexp.reduce(each, axis=0) - math.log(len(KNOCKED))
    return np.logaddexp(math.log(1 - KNOCKS) + log, math.log(KNOCKS) + knocked)


def _over_all(log: Floats, axes: Floats | None = None) -> float:
    """Log evidence: over all that is left open, q along the last axis; `axes` is the chance of each of the first."""
    believed = log + RESTLESS_BELIEVED
    if axes is not None:
        believed = believed + np.log(axes).reshape(-1, *[1] * (log.ndim - 1))
    alike = math.prod(log.shape[(0 if axes is None else 1) : -1])
    return float(np.logaddexp.reduce(believed, axis=None) - math.log(max(alike, 1)))


def _at_least_one(log: Floats, none: Floats) -> Floats:
    """Log density of a mixture less that of its case in which nothing happened."""
    return np.asarray(log + np.log(-np.expm1(np.minimum(none - log, -1e-12))))


def _chance(seen: Seen, knocks: bool) -> float:
    calm = _calm(seen)
    if not knocks:
        return _over_all(calm.sum(axis=-1))
    none = (math.log(1 - KNOCKS) + calm).sum(axis=-1)
    return _over_all(_at_least_one(_with_knocks(calm, seen).sum(axis=-1), none))


def _gear_axes(seen: Seen) -> tuple[Floats, Floats]:
    """Directions along which gears move stars, as twice an angle, and the chance of each. [radian]"""
    if seen.ra_known:
        return AXES_KNOWN, np.full(len(AXES_KNOWN), 1 / len(AXES_KNOWN))
    return _likely_axes(seen)


def _late_axes(seen: Seen) -> tuple[Floats, Floats]:
    """The same of late corrections: across right ascension."""
    axes, chance = _gear_axes(seen)
    return (axes + np.pi, chance) if seen.ra_known else (axes, chance)


def _likely_axes(seen: Seen) -> tuple[Floats, Floats]:
    """Directions beside those of the usual and of the larger smears; all others have next to no share."""
    main = [np.angle(np.sum(seen.smear * np.abs(seen.smear) ** power)) for power in (0, 1)]
    axes = np.concatenate([one + AXES_KNOWN for one in main])
    return axes, np.full(len(axes), 0.5 / DIRECTIONS)


def _along(seen: Seen, axes: Floats) -> Complexes:
    """Smears counted from each axis; (axes, n)."""
    return np.asarray(seen.smear * np.exp(-1j * axes)[:, None])


def _drawn(seen: Seen, axes: Floats) -> Floats:
    """Log density of smears along an axis, half normal in size; (axes, sizes, q, n)."""
    from scipy.special import log_ndtr

    along, variance = _along(seen, axes)[:, None, None, :], _restless(seen)
    size2 = DRAWN[:, None, None] ** 2
    both = variance + size2
    one_sided = math.log(2) + _normal(along.real, both) + log_ndtr(along.real * np.sqrt(size2 / variance / both))
    return np.asarray(one_sided + _normal(along.imag, variance + ACROSS**2 * size2))


def _after_moves(seen: Seen, knocks: bool) -> float:
    """After some moves of the pointing corrections come late, for a frame or some."""
    if not seen.after_move.any():
        return -math.inf
    axes, chance = _late_axes(seen)
    drawn, calm = _drawn(seen, axes), _calm(seen)
    still = _with_knocks(calm, seen) if knocks else calm
    spared = math.log(1 - KNOCKS) + calm
    logs = []
    for late in LATE:
        log = _late_for_a_while(seen, drawn, still, late)
        log = _at_least_one(log, seen.after_move.sum() * math.log(1 - late) + still.sum(axis=-1))
        if knocks:
            log = _at_least_one(log, _late_for_a_while(seen, drawn, spared, late))
        logs.append(_over_all(log, chance))
    return float(np.logaddexp.reduce(logs)) - math.log(len(LATE))


def _late_for_a_while(seen: Seen, drawn: Floats, still: Floats, late: float) -> Floats:
    """Log density where, after each move, none or the first few frames are drawn out; the first axes of `drawn`."""
    total = np.broadcast_to(still.sum(axis=-1), drawn.shape[:-1]).copy()
    starts = np.flatnonzero(seen.after_move)
    for first, end in zip(starts, [*starts[1:], len(seen.smear)], strict=True):
        gain = np.cumsum((drawn - still)[..., first:end], axis=-1)
        lasts = math.log(late * (1 - LATE_STILL)) + math.log(LATE_STILL) * np.arange(end - first)
        total += np.logaddexp(math.log(1 - late), np.logaddexp.reduce(gain + lasts, axis=-1))
    return total


def _in_a_run(seen: Seen, knocks: bool) -> float:
    axes, chance = _late_axes(seen)
    still = _with_knocks(_calm(seen), seen) if knocks else _calm(seen)
    inside = np.logaddexp(math.log(1 - LATE_IN_RUN) + still, math.log(LATE_IN_RUN) + _drawn(seen, axes)) - still
    first, last = _runs(len(seen.smear))
    so_far = np.concatenate([np.zeros((*inside.shape[:-1], 1)), np.cumsum(inside, axis=-1)], axis=-1)
    runs = np.logaddexp.reduce(so_far[..., last] - so_far[..., first], axis=-1) - math.log(len(first))
    return _over_all(runs + still.sum(axis=-1), chance)


def _runs(n: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First and last (excluded) frame of all runs that are a part of the night."""
    ends = np.unique(np.linspace(0, n, min(n, RUN_ENDS) + 1).astype(int))
    first, last = (ends[k] for k in np.triu_indices(len(ends), 1))
    part = (last - first >= SHORTEST_RUN) & (last - first <= max(LONGEST_RUN * n, SHORTEST_RUN))
    return first[part], last[part]


def _gear(seen: Seen, knocks: bool) -> float:
    """Speeds along one axis, seen from frame to frame or not."""
    axes, chance = _gear_axes(seen)
    drifts = WITH_DRIFT if np.abs(seen.from_drift).any() else WITH_DRIFT[:1]
    unseen = _swings(seen, axes, chance, knocks, LASTING, drifts)
    if seen.from_speed is None:
        return unseen
    error = np.hypot(seen.error, SPEED_MISSES * np.abs(seen.from_speed))
    beside = replace(seen, smear=seen.smear - seen.from_speed, error=error)
    return float(np.logaddexp(unseen, _chance(beside, knocks)) - math.log(2))


def _sway(seen: Seen, knocks: bool) -> float:
    axes, chance = _likely_axes(seen)
    swings = _swings(seen, axes, chance, knocks, LASTING[:-1], WITH_DRIFT[:1])
    return swings + float(np.logaddexp(0.0, _widens(seen))) - math.log(2)


def _swings(
    seen: Seen, axes: Floats, chance: Floats, knocks: bool, lasting: tuple[float, ...], drifts: tuple[float, ...]
) -> float:
    """Log evidence of a motion along one axis whose speed wanders: each smear is the square of the speed.

    The speeds are a Gaussian process that forgets itself exponentially, on a grid: forward algorithm of a hidden Markov
    chain (textbook).
    """
    along, variance = _along(seen, axes)[:, None, None, None, :], _restless(seen)[:, None, :]
    size = DRAWN[:, None, None]
    step = np.diff(seen.minutes)
    step = np.maximum(step / max(float(np.median(step)), 1e-3), SHORT_STEP)
    logs = []
    for drift in drifts:
        speed2 = 1 + drift**2
        smear = (size * (SPEEDS + drift) ** 2 / speed2)[..., None]
        cell = (size * 2 * np.abs(SPEEDS + drift) * (SPEEDS[1] - SPEEDS[0]) / speed2)[..., None]
        log = _normal(along.real - smear, variance + cell**2 / 12)
        log = log + _normal(along.imag, variance + (ACROSS * size[..., None]) ** 2)
        if knocks:
            log = _with_knocks(log.swapaxes(2, 3), seen).swapaxes(2, 3)
        logs += [_over_all(_chain(log, correlation**step), chance) for correlation in lasting]
    return float(np.logaddexp.reduce(logs)) - math.log(len(logs))


def _chain(log: Floats, correlation: Floats) -> Floats:
    """Log evidence of a chain of speeds, from the log density of each frame at each speed, (..., speeds, n)."""
    now = np.log(SPEEDS_BELIEVED) + log[..., 0]
    for k, lasts in enumerate(correlation):
        top = now.max(axis=-1, keepdims=True)
        now = np.log(np.exp(now - top) @ _next_speed(float(lasts)) + TINY) + top + log[..., k + 1]
    return np.asarray(np.logaddexp.reduce(now, axis=-1))


def _next_speed(lasts: float) -> Floats:
    """Chance of each speed after each; rows are those before."""
    apart = np.exp(-0.5 * (SPEEDS - lasts * SPEEDS[:, None]) ** 2 / (1 - lasts**2))
    return np.asarray(apart / apart.sum(axis=1, keepdims=True))


def _widens(seen: Seen) -> float:
    """Log of how likely stars grow so with their smear if motion goes in all directions, over along one axis only."""
    size = np.abs(seen.smear)
    beyond = 2 * np.log(seen.width) - np.arcsinh(size)
    off = size - size.mean()
    power = max(float((off**2).sum()), 1e-9)
    slope = float((off * beyond).sum()) / power
    rest = beyond - beyond.mean() - slope * off
    error = math.hypot(float(np.sqrt((rest**2).sum() / max(len(rest) - 2, 1) / power)), LEAST_WIDENS_ERROR)
    thick, thin = (
        _normal(np.array(slope - mean), np.array(error**2 + scatter**2))
        for mean, scatter in (WIDENS_THICK, WIDENS_THIN)
    )
    return float(thick - thin)


def _gear_smear(seen: Seen) -> Floats:
    """Smear along the likeliest axis of the gear, beyond that of the drift."""
    axes, _ = _gear_axes(seen)
    axis = axes[int(_along(seen, axes).real.sum(axis=-1).argmax())]
    return np.maximum((_along(seen, np.array([axis]))[0] - np.abs(seen.from_drift)).real, 0.0)


def _largest(seen: Seen, swings: bool) -> float:
    """Largest smear beside the usual one or, if the gear swings, beside its axis and far beyond its other swings."""
    if not swings:
        return float(np.abs(seen.smear - shear.middle(seen.smear)).max())
    axes, _ = _gear_axes(seen)
    along = _along(seen, axes)
    along = along[int(along.real.sum(axis=-1).argmax())]
    far = np.maximum(along.real - FAR_SWING * np.quantile(along.real, 1 - WORST), 0)
    return float(np.hypot(far, along.imag).max())


def _late_smear(seen: Seen, in_a_run: bool) -> Floats:
    """Smear along declination of the frames in which corrections came late, as the likeliest axis and run have it."""
    axes, _ = _late_axes(seen)
    along = _along(seen, axes).real
    calm, drawn = _calm(seen), np.logaddexp.reduce(_drawn(seen, axes), axis=1) - math.log(len(DRAWN))
    share = np.full(len(seen.smear), LATE_IN_RUN)
    if not in_a_run:
        after = seen.after_move.astype(float)
        share = LATE[-1] * np.maximum(after, LATE_STILL * np.concatenate([[0.0], after[:-1]]))
    with np.errstate(divide="ignore"):
        gain = np.logaddexp(np.log(1 - share) + calm, np.log(share) + drawn) - calm
        there = np.log(share) + drawn - calm > np.log(1 - share)
    if not in_a_run:
        axis, q = np.unravel_index(int(gain.sum(axis=-1).argmax()), gain.shape[:-1])
        return np.where(there[axis, q], np.maximum(along[axis], 0), 0.0)
    first, last = _runs(len(seen.smear))
    so_far = np.concatenate([np.zeros((*gain.shape[:-1], 1)), np.cumsum(gain, axis=-1)], axis=-1)
    runs = so_far[..., last] - so_far[..., first] + calm.sum(axis=-1)[..., None]
    axis, q, run = np.unravel_index(int(runs.argmax()), runs.shape)
    k = np.arange(len(seen.smear))
    inside = (k >= first[run]) & (k < last[run]) & there[axis, q]
    return np.where(inside, np.maximum(along[axis], 0), 0.0)


LIKELIHOODS: Final[Mapping[Kind, Callable[[Seen, bool], float]]] = {
    "chance": _chance,
    "sway": _sway,
    "gear": _gear,
    "after moves": _after_moves,
    "in a run": _in_a_run,
}
