"""Stars that are drawn out alike in all frames, and that no drift explains: by the optics rather than by motion."""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from framecheck import shear
from framecheck.causes.kinds import WORST_SCATTER, Beforehand, Kinds, beside_drift
from framecheck.causes.moved import SEEN, SURE_SIGMA, Moved, all_moved
from framecheck.causes.result import (
    CLAIMED,
    Answer,
    CannotTell,
    Evidence,
    Finding,
    Rival,
    all_of,
    answer,
    any_of,
    log_odds_of_ratio,
)
from framecheck.motion.drift import never_rests
from framecheck.motion.night import Night

BY_OPTICS: Final = (0.7, 0.35)
"""Chance that it is the optics that draw stars out alike in all frames, where places from frame to frame show no drift,
and where they do not tell. Chosen: motion changes from frame to frame; what does not may still be one that repeats
itself in each of them."""


def drawn_by_optics(night: Night, beforehand: Beforehand) -> dict[str, float]:
    """Probability that a smear stays the same and is drawn by the optics, by id of the group, of one session."""
    groups = ((moved, beforehand.kinds_of(moved)) for moved in all_moved(night))
    return {moved.series.group.id: _by_optics(moved, kinds) for moved, kinds in groups if kinds is not None}


def _by_optics(moved: Moved, kinds: Kinds) -> float:
    if moved.drift_seen > SURE_SIGMA and float(np.median(np.abs(moved.from_drift))) > SEEN:
        return 0.0  # the drift draws them out, all alike
    tells = moved.motion.drift_px_per_min is not None and not never_rests(moved.motion)
    return BY_OPTICS[0 if tells else 1] * kinds.steady


def astigmatism(by_model: Answer, others: Sequence[Answer], night: Night, beforehand: Beforehand) -> Answer:
    """Astigmatism: by the model, which asks for a focus that moves, or by stars that are drawn out alike in all frames.

    Parameters
    ----------
    by_model : Finding, Healthy or CannotTell
        What the model says.
    others : sequence of Finding, Healthy or CannotTell
        What else draws all stars out alike: the tails of comets, and low in the sky the air's dispersion. Where one of
        them is claimed, astigmatism is asked of the model alone.
    night : Night
        A session.
    beforehand : Beforehand
    """
    groups = [(moved, kinds) for moved in all_moved(night) if (kinds := beforehand.kinds_of(moved)) is not None]
    claimed = any(isinstance(one, Finding) and one.confidence >= CLAIMED for one in others)
    if isinstance(by_model, CannotTell) or claimed or not groups:
        return by_model
    moved, kinds = max(groups, key=lambda one: _log_odds(*one))
    alike, changes = _log_odds(moved, kinds), by_model.log_odds
    if changes is None or alike < changes:
        return by_model
    seen = answer(
        "astigmatism",
        any_of(alike, changes),
        affected=moved.every_frame,
        cost=float(shear.cost_of(_size(moved, kinds))),
        evidence=_evidence(moved, kinds),
        rivals=(
            Rival(cause="guiding-noise", why_less_likely="motion changes from frame to frame; one that repeats itself "
                  "in each exposure isn't ruled out"),
            Rival(cause="differential-flexure", why_less_likely="the frames don't drift along the smear"),
        ),
    )  # fmt: skip
    return seen if isinstance(seen, Finding) else by_model


def _size(moved: Moved, kinds: Kinds) -> float:
    """Of the smear that stays, beside what the drift makes of it."""
    return min(kinds.steady_smear, abs(shear.middle(beside_drift(moved))))


def _log_odds(moved: Moved, kinds: Kinds) -> float:
    chance = min(max(_by_optics(moved, kinds), 1e-6), 1 - 1e-6)
    return all_of(math.log(chance / (1 - chance)), log_odds_of_ratio(_size(moved, kinds), SEEN, WORST_SCATTER))


def _evidence(moved: Moved, kinds: Kinds) -> tuple[Evidence, ...]:
    changes = float(np.median(np.abs(moved.smear - moved.middle)))
    return (
        Evidence(
            statement="all frames draw the stars out alike, to", value=float(shear.ratio_of(_size(moved, kinds))),
            unit="long over short axis", expected_if_healthy=f"below {shear.ratio_of(SEEN):.2f}",
        ),
        Evidence(
            statement="motion would change that by a fifth and more from frame to frame; it changes by",
            value=100 * changes / max(kinds.steady_smear, 1e-6), unit="percent",
        ),
        Evidence(
            statement="the drift between frames draws a star out in one exposure by",
            value=float(np.median(moved.line_px)), unit="px",
        ),
    )  # fmt: skip
