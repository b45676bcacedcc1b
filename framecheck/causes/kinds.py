"""Kinds of motion: what drew the stars of a group out, frame by frame, and how likely each is.

Each kind says how the smears of all frames are distributed; they are weighed against each other by their evidence.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from framecheck import shear
from framecheck.causes.drawn_by import gear_smear, hunted_smear, knocked_smear, late_smear
from framecheck.causes.kind_evidence import Kind, evidence_of
from framecheck.causes.moved import FEWEST_FRAMES, SURE_SIGMA, Complexes, Moved, all_moved, places_px
from framecheck.causes.optics import Optics
from framecheck.causes.repeating import repeats, with_the_moves
from framecheck.causes.series import Bools, Floats
from framecheck.causes.smears import WORST, Seen
from framecheck.model.explain import Explained
from framecheck.model.parts import still_shapes_px2
from framecheck.motion.drift import never_rests
from framecheck.motion.night import Night

LATE_KINDS: Final[tuple[Kind, ...]] = ("after moves", "in a run")
"""Of corrections that come late along declination."""

STEADY: Final = ((0.2,), (0.2, 0.1), (0.2, 0.1, 0.05))
"""Smear that stays all night, over the squared FWHM, for two nights in three its change in half of it and, for one, how
that changes, as believed. Chosen."""

STEADY_BELIEVED: Final = 0.2
"""Chance of one that no drift seen explains. Chosen."""

BELIEVED: Final[Mapping[Kind, tuple[float, float]]] = {
    "chance": (0.58, 0.696), "sway": (0.1, 0.08), "hunting": (0.15, 0.002), "gear": (0.03, 0.2),
    "after moves": (0.08, 0.02), "in a run": (0.06, 0.002),
}  # fmt: skip
"""How often each comes, under a guider and without. Chosen: corrections that come late need somebody who corrects."""

ONE_AXIS: Final = 1e-3
"""By what the chance of late corrections is multiplied on a tracker. Chosen: it drives no declination that could come
late, but what is called a tracker may be a small mount with both."""

WITH_THE_MOVES: Final = 0.1
"""Chance that the period of a gear is that of the moves of the pointing, or two of them. Chosen: of periods from two
frames to a third of the night, about so many lie within a tenth of it."""

REPEATS_BELIEVED: Final = 0.25
"""Chance that what swings along one axis beside corrections repeats itself. Chosen: guiders leave a part of gears."""

MOST_BETWEEN_MOVES: Final = 6
FEWEST_MOVES: Final = 4
MUCH_LONGER: Final = 1.9
NO_MOVE: Final = 0.8
"""Frames between regular moves of the pointing, moves, and usual step of a move over the given quantile of the steps of
other frames, for which moves are regular. Chosen: dithers come every few frames; late corrections let the stars drift
in between; of 1,500 drawn nights with a random move before each of 12 frames or more, 1 in 100 reaches the ratio."""

KNOCKS_BELIEVED: Final = 0.12
"""Chance of knocks beside any of them. Chosen."""

OPTICS_MISS: Final = 0.15
"""Share of what the optics draw differently in a frame that their laws may miss; all of it in frames before or after
those that the model was solved for. [dimensionless] Chosen: long stars out of focus lie at the edge of the laws."""

MOST_OF_DRIFT: Final = 1.3
"""Smear along the drift, over the one that it lets expect, that may be its own. [dimensionless] Chosen."""

LEAST_SHARE: Final = 0.05
"""Probability of an explanation of the optics below which it is left out here. Chosen: for the time that it takes."""
SAME_SHAPES: Final = 0.02
"""Difference of what two of them draw in a frame, over the squared FWHM, up to which they count as one. Chosen: the
usual error of a frame's smear."""

WORST_SCATTER: Final = 0.3
"""Error of the logarithm of the worst frames' smear. [dimensionless] Chosen: they are few."""

BACK: Final = 0.2
"""How near, over how far it was aside, the pointing comes back to where it was, when a frame was knocked. Chosen."""

LEAST_CHANCE: Final = 1e-6
"""Chance that no kind falls below. Chosen: none of them is the whole truth."""

MEDIAN_OF_RAYLEIGH: Final = 1.1774
"""Closed form: sqrt(2 ln 2)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Swings:
    """Why smears along one axis change, and how likely each reason is."""

    gear: float
    """Probability of a gear that nobody corrects, or that repeats itself beside all corrections."""
    hunting: float
    """Probability of corrections that hunt, but not for slack."""
    by_slack: float
    """Probability of corrections that hunt because slack makes them late, or that come late after regular moves."""
    hunted: Floats
    """Smear that hunting corrections draw in each frame, if they are there; shape (n,)."""
    period_min: float | None
    """Period of smears that a gear rather repeats than not. [min]"""


@dataclass(frozen=True, kw_only=True, slots=True)
class Kinds:
    """How likely each kind of motion is, and what it draws."""

    chance: Mapping[Kind, float]
    """Probability of each; 1 together."""
    knocks: float
    """Probability that some frames were knocked."""
    by_gear: Floats
    """Smear that the gear draws in each frame, if it is there; shape (n,)."""
    knocked: Floats
    """Smear that knocks draw in each frame, if they are there; shape (n,)."""
    late: Floats
    """Smear that late corrections draw in each frame, if they are there; shape (n,)."""
    steady: float
    """Probability of a smear that stays, or turns slowly, and that no drift explains."""
    steady_smear: float
    """Its usual size, if it is there."""
    swings: Swings
    """What swings along one axis."""

    @property
    def late_chance(self) -> float:
        """Probability of corrections that come late."""
        return self.chance["after moves"] + self.chance["in a run"] + self.swings.by_slack

    @property
    def late_log_odds(self) -> float:
        """Log-odds of corrections that come late."""
        return _log_odds(self.late_chance)

    @property
    def hunting_log_odds(self) -> float:
        """Log-odds of corrections that hunt, but not for slack."""
        return _log_odds(self.swings.hunting)

    @property
    def gear_log_odds(self) -> float:
        """Log-odds of a gear whose swings are seen."""
        return _log_odds(self.swings.gear)

    @property
    def others_log_odds(self) -> float:
        """Log-odds that it is neither."""
        return _log_odds(1 - self.late_chance - self.swings.gear)

    @property
    def knocked_log_odds(self) -> float:
        """Log-odds that some frames were knocked."""
        return _log_odds(self.knocks)


@dataclass(frozen=True, slots=True)
class Beforehand:
    """What is found of a session before the causes are asked that look at what is left."""

    optics: Optics | None
    """Its stars as the model explains them; None if too few say anything."""
    kinds: Mapping[str, Kinds]
    """Group id -> kinds of motion, where enough frames show a smear."""

    def kinds_of(self, moved: Moved) -> Kinds | None:
        """Kinds of motion of one group; None if too few frames show a smear."""
        return self.kinds.get(moved.series.group.id)


def found_beforehand(night: Night, optics: Optics | None) -> Beforehand:
    """Weigh the kinds of motion of all groups of a session.

    Parameters
    ----------
    night : Night
    optics : Optics or None

    Returns
    -------
    Beforehand
    """
    explained, one_axis = None if optics is None else optics.explained, night.rig.mount_type == "tracker"
    found = {moved.series.group.id: kinds_of(moved, explained, one_axis=one_axis) for moved in all_moved(night)}
    return Beforehand(optics, {group: kinds for group, kinds in found.items() if kinds is not None})


def kinds_of(moved: Moved, explained: Explained | None, *, one_axis: bool = False) -> Kinds | None:
    """Weigh the kinds of motion of one group.

    Parameters
    ----------
    moved : Moved
    explained : Explained, optional
        What the optics make of the session's stars.
    one_axis : bool
        Whether the mount drives right ascension alone.

    Returns
    -------
    Kinds or None
        None if too few frames show a smear.
    """
    if len(moved.frames) < FEWEST_FRAMES:
        return None
    parts = [(1.0, np.zeros_like(moved.smear), np.zeros(len(moved.smear)))]
    if explained is not None:
        parts = _changing_optics(moved, explained)
    guided = moved.tracking.guided_log_odds
    weighed = [weigh_kinds(_seen(moved, optics, missed), guided, one_axis=one_axis) for _, optics, missed in parts]
    return all_together(np.array([share for share, _, _ in parts]), weighed)


def _seen(moved: Moved, optics: Complexes, missed: Floats) -> Seen:
    """What motion has drawn in each frame, where the optics drew so much."""
    axes = moved.tracking.axes
    turn = 1.0 if axes is None else shear.turning(-axes.ra_angle_deg)
    smear = moved.smear - optics
    known = bool(np.isfinite(moved.from_speed).all())
    return Seen(
        smear=smear * turn, error=np.hypot(moved.error, missed), minutes=np.nan_to_num(moved.tracking.smears.minutes),
        after_move=after_moves(moved), from_drift=(moved.smear - beside_drift(moved)) * turn,
        from_speed=_as_seen(smear, moved.from_speed) * turn if known else None, ra_known=axes is not None,
        moved_every=_moved_every(moved), width=moved.tracking.smears.fwhm_px,
    )  # fmt: skip


def all_together(share: Floats, weighed: Sequence[Kinds]) -> Kinds:
    """Mean over explanations of the optics; what a kind draws is taken from the one that makes it likeliest.

    Parameters
    ----------
    share : ndarray, shape (n,)
        How likely each explanation is.
    weighed : sequence of Kinds
        What each leaves to motion.

    Returns
    -------
    Kinds
    """

    def mean(values: Sequence[float]) -> float:
        return float(share @ values / share.sum())

    def where(of: Callable[[Kinds], float]) -> Kinds:
        return weighed[int(np.argmax(share * [of(one) for one in weighed]))]

    swings = where(lambda one: one.swings.hunting + one.swings.gear).swings
    return Kinds(
        chance={kind: mean([one.chance[kind] for one in weighed]) for kind in BELIEVED},
        knocks=mean([one.knocks for one in weighed]),
        by_gear=where(lambda one: one.chance["gear"]).by_gear,
        knocked=where(lambda one: one.knocks).knocked,
        late=where(lambda one: one.late_chance).late,
        steady=mean([one.steady for one in weighed]),
        steady_smear=where(lambda one: one.steady).steady_smear,
        swings=replace(
            swings, gear=mean([one.swings.gear for one in weighed]),
            hunting=mean([one.swings.hunting for one in weighed]),
            by_slack=mean([one.swings.by_slack for one in weighed]),
        ),
    )  # fmt: skip


def weigh_kinds(seen: Seen, guided_log_odds: float, *, one_axis: bool = False) -> Kinds:
    """How likely each kind of motion is.

    Parameters
    ----------
    seen : Seen
    guided_log_odds : float
        That corrections were made.
    one_axis : bool
        Whether the mount drives right ascension alone.

    Returns
    -------
    Kinds
    """
    guided = 1 / (1 + math.exp(-guided_log_odds))
    cases = _cases(seen)
    believed = {kind: math.log(guided * one + (1 - guided) * other) for kind, (one, other) in BELIEVED.items()}
    if one_axis:
        believed |= {kind: believed[kind] + math.log(ONE_AXIS) for kind in LATE_KINDS}
    logs: dict[tuple[Kind, bool, int], float] = {}
    for knocks, common in ((False, 1 - KNOCKS_BELIEVED), (True, KNOCKS_BELIEVED)):
        for k, case in enumerate(cases):
            for kind, log in evidence_of(case.of, case.seen, knocks).items():
                logs[kind, knocks, k] = log + believed[kind] + math.log(common) + case.log_believed
    total = np.logaddexp.reduce(list(logs.values()))
    chance = {case: float(np.exp(log - total)) for case, log in logs.items()}
    of_kind = {kind: sum(one for (of, _, _), one in chance.items() if of == kind) for kind in BELIEVED}
    swings = _swings(seen, of_kind, guided)
    late = {case: one for case, one in chance.items() if case[0] in LATE_KINDS}
    likeliest, _, beside = max(late, key=lambda one: late[one])
    by_late = late_smear(cases[beside].seen, likeliest == "in a run")
    late_is_there = of_kind["after moves"] + of_kind["in a run"] > 0.5
    struck = {case: one for case, one in chance.items() if case[1]}
    by_knocks = cases[max(struck, key=lambda case: struck[case])[2]].seen
    of_case = [sum(one for (_, _, k), one in chance.items() if k == case) for case in range(len(cases))]
    steady = [k for k, case in enumerate(cases) if case.steady is not None]
    stays = cases[max(steady, key=lambda k: of_case[k])].steady
    return Kinds(
        chance=of_kind,
        knocks=sum(one for (_, knocks, _), one in chance.items() if knocks),
        swings=swings,
        by_gear=gear_smear(seen),
        knocked=knocked_smear(by_knocks, of_kind["gear"] > 0.5, by_late if late_is_there else 0 * by_late),
        late=by_late if swings.by_slack < of_kind["after moves"] + of_kind["in a run"] else swings.hunted,
        steady=sum(of_case[k] for k in steady),
        steady_smear=0.0 if stays is None else float(np.median(np.abs(stays))),
    )


def _swings(seen: Seen, of_kind: Mapping[Kind, float], guided: float) -> Swings:
    """Split what swings along one axis between a gear, corrections that hunt, and slack."""
    free = (1 - guided) * BELIEVED["gear"][1]
    free = of_kind["gear"] * free / (free + guided * BELIEVED["gear"][0])
    hunted, slack = hunted_smear(seen)
    log_repeats, period_min = repeats(seen)
    repeating = 1 / (1 + math.exp(-log_repeats) * (1 / REPEATS_BELIEVED - 1))
    comes_again = (of_kind["gear"] + of_kind["hunting"]) * repeating
    hunting = of_kind["hunting"] * (1 - repeating)
    late = 0.0
    if with_the_moves(seen, period_min):  # if anybody corrects, slack makes corrections late after each of them
        corrected = comes_again - free * repeating
        late = comes_again * corrected / max(corrected + WITH_THE_MOVES * free * repeating, 1e-12)
    return Swings(
        gear=free * (1 - repeating) + comes_again - late,
        hunting=(1 - slack) * hunting,
        by_slack=slack * hunting + late,
        hunted=hunted,
        period_min=period_min if repeating > 0.5 and late < comes_again / 2 else None,
    )


def _changing_optics(moved: Moved, explained: Explained) -> list[tuple[float, Complexes, Floats]]:
    """How the shape that the optics draw differs from the usual one, over the squared FWHM, in each frame; its error.

    For each explanation that draws another, with its probability. A smear has their usual shape taken off already.
    Frames that the model was not solved for lie between those it was.
    """
    members = np.array(moved.tracking.smears.frames)
    rows = np.flatnonzero(np.isin(explained.frames, members))
    if len(rows) < FEWEST_FRAMES:
        return [(1.0, np.zeros(len(members), complex), np.zeros(len(members)))]
    at = np.array(explained.frames)[rows]
    turned = np.array([moved.frames[int(np.searchsorted(members, i))].turned_deg for i in at])
    missed = np.where((members < at[0]) | (members > at[-1]), 1.0, OPTICS_MISS)
    square = moved.tracking.smears.fwhm_px**2
    shares: list[float] = []
    drawn: list[Complexes] = []
    for mode, share in enumerate(explained.share):
        if mode and share < LEAST_SHARE:
            continue
        shape = still_shapes_px2(explained, mode)[rows] * shear.turning(-turned)
        off = shape - shear.middle(shape)
        differs = (np.interp(members, at, off.real) + 1j * np.interp(members, at, off.imag)) / square
        same = [k for k, other in enumerate(drawn) if np.max(np.abs(other - differs)) < SAME_SHAPES]
        if same:
            shares[same[0]] += float(share)
        else:
            shares.append(float(share))
            drawn.append(differs)
    return [(share, differs, missed * np.abs(differs)) for share, differs in zip(shares, drawn, strict=True)]


def after_moves(moved: Moved) -> Bools:
    """Frames before which the pointing was moved; shape (n,). If it was at all, then before the first one, too."""
    every, jumps = never_rests(moved.motion), frozenset(moved.motion.jumps)
    after = np.array([every or i in jumps for i in moved.tracking.smears.frames]) & ~_came_back(moved)
    after[0] = after.any()
    return after


def _moved_every(moved: Moved) -> int | None:
    """Frames from one move to the next, if one step in so many is always much longer than the others."""
    step = np.abs(np.diff(places_px(moved)))
    found: dict[int, float] = {}
    for every in range(2, min(MOST_BETWEEN_MOVES, len(step) // FEWEST_MOVES) + 1):
        for first in range(every):
            long = np.arange(len(step)) % every == first
            others = max(float(np.quantile(step[~long], NO_MOVE)), 1e-9)
            found[every] = max(found.get(every, 0.0), float(np.median(step[long])) / others)
    best = max(found, key=lambda every: found[every], default=None)
    return best if best is not None and found[best] > MUCH_LONGER else None


def _came_back(moved: Moved) -> Bools:
    """Frames that lie aside of both their neighbours, and the next ones: the stars were knocked, nobody moved them."""
    step = np.diff(places_px(moved))
    once = np.abs(step[1:] + step[:-1]) < BACK * np.minimum(np.abs(step[1:]), np.abs(step[:-1]))
    return np.concatenate([[False], once, [False]]) | np.concatenate([[False, False], once])


@dataclass(frozen=True, slots=True)
class _Beside:
    """Smears without what another motion makes of them, and for which kinds that may be so."""

    of: tuple[Kind, ...]
    log_believed: float
    seen: Seen
    steady: Complexes | None = None
    """The steady smear that was taken off."""


def _cases(seen: Seen) -> list[_Beside]:
    """Smears as they are, without that of the drift, and without a steady one that no drift explains."""
    others: tuple[Kind, ...] = ("chance", *LATE_KINDS)
    corrected: tuple[Kind, ...] = ("sway", "hunting")
    cases = []
    for believed in STEADY:
        steady, occam = _steady(seen, np.array(believed))
        chance = math.log(STEADY_BELIEVED / len(STEADY)) + occam
        cases.append(_Beside((*others, *corrected), chance, replace(seen, smear=seen.smear - steady), steady))
    without = math.log(1 - STEADY_BELIEVED)
    if not seen.from_drift.any():
        return [*cases, _Beside(("gear",), 0.0, seen), _Beside((*others, *corrected), without, seen)]
    none, half = np.zeros_like(seen.from_drift), math.log(2)
    alone = replace(seen, smear=seen.smear - seen.from_drift, from_drift=none, from_speed=None)
    return [
        *cases,
        *(_Beside(("gear",), -half, one) for one in (seen, alone)),
        *(_Beside(corrected, without - half, one) for one in (seen, alone)),
        _Beside(others, without, alone),
    ]


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


def _steady(seen: Seen, believed: Floats) -> tuple[Complexes, float]:
    """Smear that stays, or turns slowly, and what its numbers cost: log of what is believed over what is known.

    Least squares that outlying frames hardly pull (Cauchy weights; Laplace's approximation of the evidence, textbook).
    """
    t = seen.minutes - seen.minutes.min()
    course = 2 * t / max(float(np.ptp(t)), 1e-9) - 1
    narrower = np.median(seen.width) ** 2 / seen.width**2  # what draws stars out evenly makes less of wide ones
    design = np.polynomial.legendre.legvander(course, len(believed) - 1) * narrower[:, None]
    weight = np.ones(len(t))
    for _ in range(12):
        root = np.sqrt(weight)
        fit, *_ = np.linalg.lstsq(design * root[:, None], seen.smear * root, rcond=None)
        off = np.abs(seen.smear - design @ fit)
        scale = max(float(np.median(off)) / MEDIAN_OF_RAYLEIGH, 0.01)
        weight = 1 / (1 + (off / scale) ** 2)
    known2 = max(float(np.median(seen.error**2)), scale**2) / (len(t) / (2 * np.arange(len(believed)) + 1))
    cost = np.log(np.maximum(believed**2 / known2, 1.0)) + np.abs(fit) ** 2 / (2 * believed**2)
    return np.asarray(design @ fit), -float(np.sum(cost))
