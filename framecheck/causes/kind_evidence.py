"""Evidence of each kind of motion: chance, sway, hunting corrections, the gear, and corrections that come late."""

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from framecheck.causes.series import Floats
from framecheck.causes.smears import (
    ACROSS,
    DRAWN,
    KNOCKS,
    Seen,
    along_axes,
    at_least_one,
    drawn_along,
    gear_axes,
    late_axes,
    likely_axes,
    log_calm,
    log_normal,
    over_all,
    restless,
    with_knocks,
)

Kind = Literal["chance", "sway", "hunting", "gear", "after moves", "in a run"]

LATE: Final = (0.3, 0.6)
LATE_STILL: Final = 0.3
LATE_IN_RUN: Final = 0.9
"""Share of the moves of the pointing after which corrections come late; chance that they do so in the next frame still;
and share of the frames of a run that they draw out. Chosen."""

SHORTEST_RUN: Final = 3
LONGEST_RUN: Final = 0.85
"""Frames of the shortest run, and share of the frames above which a run is no longer a part of the night. Chosen: a
knock may hit two frames. Where `RUN_ENDS` lie further apart, the shortest is as long as they are."""

RUN_ENDS: Final = 60
"""Frames at which a run may begin or end, spread over the group. Chosen: for the time that it takes."""

SPEEDS: Final = np.linspace(-3, 3, 13)
SPEEDS_BELIEVED: Final = np.exp(-(SPEEDS**2) / 2) / np.exp(-(SPEEDS**2) / 2).sum()
"""Speeds of the gear inside an exposure, over their rms, and how likely each is: normal."""

LASTING: Final = (0.0, 0.6, 0.85)
"""Correlation of that speed from frame to frame. Chosen: none, where exposures are as long as a turn of the gear."""

AVERAGED: Final = (4.0, 16.0, 64.0)
"""Independent swings of the corrections in one exposure, where it is longer than they are. Chosen: an exposure of a
minute or some has so many."""
USUAL: Final = np.geomspace(0.06, 1.5, 18)
"""Their mean squares, over the squared FWHM; each alike beforehand. [dimensionless] Chosen: as `DRAWN`, and finer than
the scatter of the most swings."""

PURE_SWING: Final = 4.0
"""Swings over which smears would scatter as those of one sinusoid do, whose squared speed has a variance of half its
squared mean. [dimensionless] Closed form."""

AXES_SETTLED: Final = 60
EXCLUDED: Final = 20.0
"""Frames that tell along which of the directions a motion goes, and log odds against one from which it is left out.
Chosen: for the time that many frames take."""

SPEED_MISSES: Final = 0.25
"""Share by which the speed from frame to frame misses the smear inside them. Chosen: it is a mean of two intervals, and
misses 15 % at the crest of a swing of nine frames (closed form, 1 - sinc²), 43 % of one of five."""

SHORT_STEP: Final = 0.3
"""Shortest time between frames that counts, over the usual one. Chosen."""

ACROSS_DRIFT: Final = (0j, 0.2j)
WITH_DRIFT: Final = (*ACROSS_DRIFT, 1.5 + 0j)
"""Steady part of the speed over its rms, across the gear's axis, and along it where a drift is seen. Chosen: an axis a
little off the pole draws stars in declination, so that swings to either side turn the smear to either side."""

WIDENS_THIN: Final = (0.0, 0.5)
WIDENS_THICK: Final = (1.0, 2.0)
"""ln(area) beyond what a smear along one axis makes, per smear: of motion along that axis, and of wind that goes in all
directions; mean and scatter. [dimensionless] First: closed form, with the laws' error; second: chosen."""

MOST_WIDENS: Final = 2.0
"""Log-odds that this may give. Chosen: what changes with the air, as smears over the width do, is no motion's doing."""

LEAST_WIDENS_ERROR: Final = 0.3
"""[dimensionless] Of its measurement. Chosen."""

TINY: Final = 1e-300


def _chance(seen: Seen, knocks: bool) -> float:
    calm = log_calm(seen)
    if not knocks:
        return over_all(calm.sum(axis=-1))
    none = (math.log(1 - KNOCKS) + calm).sum(axis=-1)
    return over_all(at_least_one(with_knocks(calm, seen).sum(axis=-1), none))


def _after_moves(seen: Seen, knocks: bool) -> float:
    """After some moves of the pointing corrections come late, for a frame or some."""
    if not seen.after_move.any():
        return -math.inf
    axes, chance = late_axes(seen)
    drawn, calm = drawn_along(seen, axes), log_calm(seen)
    still = with_knocks(calm, seen) if knocks else calm
    spared = math.log(1 - KNOCKS) + calm
    logs = []
    for late in LATE:
        log = _late_for_a_while(seen, drawn, still, late)
        log = at_least_one(log, seen.after_move.sum() * math.log(1 - late) + still.sum(axis=-1))
        if knocks:
            log = at_least_one(log, _late_for_a_while(seen, drawn, spared, late))
        logs.append(over_all(log, chance))
    return float(np.logaddexp.reduce(logs)) - math.log(len(LATE))


def _late_for_a_while(seen: Seen, drawn: Floats, still: Floats, late: float) -> Floats:
    """Log density where, after each move, none or the first few frames are drawn out; the first axes of `drawn`."""
    total = np.broadcast_to(still.sum(axis=-1), drawn.shape[:-1]).copy()
    starts, gain = np.flatnonzero(seen.after_move), drawn - still
    for first, end in zip(starts, [*starts[1:], len(seen.smear)], strict=True):
        so_far = np.cumsum(gain[..., first:end], axis=-1)
        lasts = math.log(late) + math.log(LATE_STILL) * np.arange(end - first)
        lasts[:-1] += math.log(1 - LATE_STILL)  # the last one lasts until the next move, or longer
        total += np.logaddexp(math.log(1 - late), np.logaddexp.reduce(so_far + lasts, axis=-1))
    return total


def _in_a_run(seen: Seen, knocks: bool) -> float:
    axes, chance = late_axes(seen)
    still = with_knocks(log_calm(seen), seen) if knocks else log_calm(seen)
    inside = np.logaddexp(math.log(1 - LATE_IN_RUN) + still, math.log(LATE_IN_RUN) + drawn_along(seen, axes)) - still
    first, last = runs_of(len(seen.smear))
    so_far = np.concatenate([np.zeros((*inside.shape[:-1], 1)), np.cumsum(inside, axis=-1)], axis=-1)
    runs = np.logaddexp.reduce(so_far[..., last] - so_far[..., first], axis=-1) - math.log(len(first))
    return over_all(runs + still.sum(axis=-1), chance)


def runs_of(n: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First and last (excluded) frame of all runs that are a part of the night."""
    ends = np.unique(np.linspace(0, n, min(n, RUN_ENDS) + 1).astype(int))
    first, last = (ends[k] for k in np.triu_indices(len(ends), 1))
    part = (last - first >= SHORTEST_RUN) & (last - first <= max(LONGEST_RUN * n, SHORTEST_RUN))
    return first[part], last[part]


def _gear(seen: Seen, knocks: bool) -> float:
    """Speeds along one axis, seen from frame to frame or not."""
    axes, chance = gear_axes(seen)
    drifts = WITH_DRIFT if np.abs(seen.from_drift).any() else ACROSS_DRIFT
    wandering = _swings(seen, axes, chance, knocks, LASTING, drifts)
    unseen = float(np.logaddexp(wandering, _averaged(seen, axes, chance, knocks, PURE_SWING)) - math.log(2))
    if seen.from_speed is None:
        return unseen
    error = np.hypot(seen.error, SPEED_MISSES * np.abs(seen.from_speed))
    beside = replace(seen, smear=seen.smear - seen.from_speed, error=error)
    return float(np.logaddexp(unseen, _chance(beside, knocks)) - math.log(2))


def _corrections(seen: Seen, knocks: bool) -> tuple[float, float]:
    """Corrections that hunt along one axis, now more and now less: slower than the exposures, or many times in each.

    And sway: motion that goes in all directions, more along one axis, so that stars grow more than they stretch.
    """
    axes, chance = likely_axes(seen)
    slow = _swings(seen, axes, chance, knocks, LASTING[:-1], ACROSS_DRIFT[:1])
    fast = [_averaged(seen, axes, chance, knocks, swings) for swings in AVERAGED]
    hunting = float(np.logaddexp.reduce([slow, *fast])) - math.log(1 + len(fast))
    return hunting, hunting + _widens(seen)


def _swings(
    seen: Seen, axes: Floats, chance: Floats, knocks: bool, lasting: tuple[float, ...], drifts: tuple[complex, ...]
) -> float:
    """Log evidence of a motion along one axis whose speed wanders: each smear is the square of the speed.

    The speeds are a Gaussian process that forgets itself exponentially, on a grid: forward algorithm of a hidden Markov
    chain (textbook).
    """
    step = np.diff(seen.minutes)
    step = np.maximum(step / max(float(np.median(step)), 1e-3), SHORT_STEP)
    logs = []
    for drift in drifts:
        log = _at_speeds(seen, axes, knocks, drift)
        lasts, likely = np.array(lasting)[:, None] ** step, np.arange(len(axes))
        if len(step) > 2 * AXES_SETTLED:  # a direction that so many frames exclude is not asked further
            first = _chains(log[..., : AXES_SETTLED + 1], lasts[:, :AXES_SETTLED]).max(axis=(0, 2, 3))
            likely = np.flatnonzero(first > first.max() - EXCLUDED)
        logs += [over_all(one, chance[likely]) for one in _chains(log[likely], lasts)]
    return float(np.logaddexp.reduce(logs)) - math.log(len(logs))


def _averaged(seen: Seen, axes: Floats, chance: Floats, knocks: bool, swings: float) -> float:
    """Log evidence of motion along one axis that swings many times in each exposure.

    A smear is the mean of the squares of so many speeds: its variance is 2 / n of its squared mean (closed form).
    """
    along, variance = along_axes(seen, axes)[:, None, None, :], restless(seen)
    size = USUAL[:, None, None]
    log = log_normal(along.real - size, variance + 2 / swings * size**2)
    log = log + log_normal(along.imag, variance + (ACROSS * size) ** 2)
    return over_all((with_knocks(log, seen) if knocks else log).sum(axis=-1), chance)


def _at_speeds(seen: Seen, axes: Floats, knocks: bool, drift: complex) -> Floats:
    """Log density of each frame's smear at each speed; (axes, sizes, q, speeds, n)."""
    along, variance = along_axes(seen, axes)[:, None, None, None, :], restless(seen)[:, None, :]
    size, speed = DRAWN[:, None, None] / (1 + abs(drift) ** 2), SPEEDS + drift
    smear = (size * speed**2)[..., None]
    cell = (size * 2 * speed * (SPEEDS[1] - SPEEDS[0]))[..., None]
    log = log_normal(along.real - smear.real, variance + cell.real**2 / 12)
    aside = cell.imag**2 / 12 + (ACROSS * DRAWN[:, None, None, None]) ** 2
    log = log + log_normal(along.imag - smear.imag, variance + aside)
    return with_knocks(log.swapaxes(2, 3), seen).swapaxes(2, 3) if knocks else log


def _chains(log: Floats, correlation: Floats) -> Floats:
    """Log evidence of chains of speeds, from the log density of each frame at each speed, (..., speeds, n).

    One for each row of correlations from frame to frame, shape (m, n - 1), along the first axis of what is returned.
    """
    speeds, n = log.shape[-2:]
    top = log.max(axis=-2)
    likely = np.exp(np.moveaxis(log - top[..., None, :], -1, 0)).reshape(n, -1, speeds)  # each frame's in one piece
    usual, which = np.unique(np.round(correlation, 3), return_inverse=True)
    next_speed = np.stack([_next_speed(float(lasts)) for lasts in usual])[which.reshape(correlation.shape).T]
    now = np.tile(SPEEDS_BELIEVED * likely[0], (len(correlation), 1, 1))
    total = np.zeros(now.shape[:-1])
    for follows, here in zip(next_speed, likely[1:], strict=True):
        now = (now @ follows) * here
        norm = now.sum(axis=-1) + TINY
        total += np.log(norm)
        now /= norm[..., None]
    total += np.log(now.sum(axis=-1) + TINY)
    return np.asarray(total.reshape(len(correlation), *top.shape[:-1]) + top.sum(axis=-1))


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
        log_normal(np.array(slope - mean), np.array(error**2 + scatter**2))
        for mean, scatter in (WIDENS_THICK, WIDENS_THIN)
    )
    return float(np.clip(thick - thin, -MOST_WIDENS, MOST_WIDENS))


def evidence_of(kinds: tuple[Kind, ...], seen: Seen, knocks: bool) -> dict[Kind, float]:
    """Log evidence of some kinds of motion.

    Parameters
    ----------
    kinds : tuple of str
    seen : Seen
    knocks : bool
        Whether some frames were knocked as well.
    """
    logs = {kind: ask(seen, knocks) for kind, ask in _ASKED.items() if kind in kinds}
    if "hunting" in kinds or "sway" in kinds:
        logs["hunting"], logs["sway"] = _corrections(seen, knocks)
    return logs


_ASKED: Final[Mapping[Kind, Callable[[Seen, bool], float]]] = {
    "chance": _chance,
    "gear": _gear,
    "after moves": _after_moves,
    "in a run": _in_a_run,
}
