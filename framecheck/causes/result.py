"""What a cause answers: a finding, healthy, or that these frames cannot tell; and how sure it is.

The chance that a claim is right is built from statistics with a stated scatter. The statistic stays beside the claim as
log-odds, so that a calibration can map it anew without touching the causes.
"""

import math
from dataclasses import dataclass
from typing import ClassVar, Final

from framecheck.causes.catalogue import CAUSES
from framecheck.causes.cause import Family
from framecheck.causes.cause import Rival as Rival
from framecheck.notebook import small_table
from framecheck.words import likelihood, percent, told, told_healthy

LOGISTIC_PER_SIGMA: Final = 1.702
"""Slope that turns the logistic function into the normal distribution to within 0.01. [dimensionless]
Computed: off by 0.0095 at most. G. Camilli, J. Educ. Behav. Stat. 19, 293 (1994)."""

MOST_LOG_ODDS: Final = math.log(0.98 / 0.02)
"""[dimensionless] Chosen: no single night makes a claim surer than 98 of 100."""

CLAIMED: Final = 0.5
"""[dimensionless] From this confidence on a finding counts as claimed (the contract of night.json)."""

LEAST_CONFIDENCE: Final = 0.2
"""[dimensionless] Chosen: less than this is called healthy."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Evidence:
    """One thing seen, against what a healthy night would show."""

    statement: str
    value: float | None = None
    unit: str | None = None
    expected_if_healthy: str | float | None = None

    @property
    def measured(self) -> str:
        """The value with its unit; empty if unknown."""
        return "" if self.value is None else told(self.value, self.unit)

    @property
    def normal(self) -> str:
        """What a healthy night shows, with its unit; empty if unknown."""
        return "" if self.expected_if_healthy is None else told_healthy(self.expected_if_healthy, self.unit)


@dataclass(frozen=True, kw_only=True, slots=True)
class Finding:
    """A cause that these frames speak for."""

    cause: str
    confidence: float
    """Chance that the claim is right, 0 to 1."""
    affected: frozenset[int] = frozenset()
    """Indices in `Night.frames` of the frames that the cause touches; none in a night that was read again."""
    cost: float | None = None
    """Share of the effective exposure, or of the squared FWHM, that is lost to it."""
    evidence: tuple[Evidence, ...] = ()
    rivals: tuple[Rival, ...] = ()
    cures: tuple[str, ...] = ()
    """Cheapest first."""
    caution: str | None = None
    log_odds: float | None = None
    """The statistic behind `confidence`, before any calibration: natural logarithm of the odds."""
    stands: bool = False
    """Whether it rests on signs that its look-alikes do not make, so that it yields to none of them, nor they to it."""

    WRITTEN: ClassVar = (
        "cause", "family", "confidence", "frames_affected", "cost", "evidence", "rivals", "cures", "caution",
    )  # fmt: skip

    @property
    def family(self) -> Family:
        """Of its cause."""
        return CAUSES[self.cause].family

    @property
    def frames_affected(self) -> int:
        """How many frames the cause touches."""
        return len(self.affected)

    @property
    def first_measured(self) -> Evidence | None:
        """The first number that speaks for it; None if there is none."""
        return next((one for one in self.evidence if one.value is not None), None)

    def _repr_html_(self) -> str:
        """As a notebook shows it."""
        rows = [
            ("Sure", likelihood(self.confidence)),
            ("Cost", "" if self.cost is None else percent(self.cost)),
            ("Frames", str(self.frames_affected)),
        ]
        rows += [("Measured", _in_words(one)) for one in self.evidence]
        rows += [("Fix", cure) for cure in self.cures]
        return small_table(CAUSES[self.cause].title, [*rows, ("Mind", self.caution or "")])


def _in_words(evidence: Evidence) -> str:
    normal = f" (normal: {evidence.normal})" if evidence.normal else ""
    return f"{evidence.statement} {evidence.measured}".rstrip() + normal


@dataclass(frozen=True, kw_only=True, slots=True)
class Undecided:
    """A cause that these frames can neither show nor exclude."""

    cause: str
    because: str
    what_would_settle_it: str

    WRITTEN: ClassVar = ("cause", "family", "because", "what_would_settle_it")

    @property
    def family(self) -> Family:
        """Of its cause."""
        return CAUSES[self.cause].family


CannotTell = Undecided
"""As a cause's own answer."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Healthy:
    """A cause that these frames were asked for and speak against."""

    cause: str
    evidence: tuple[Evidence, ...] = ()
    log_odds: float | None = None
    """The statistic, as in `Finding`; None if there was nothing to weigh."""


Answer = Finding | Healthy | CannotTell


UNKNOWN_LOG_ODDS: Final = -30.0
"""[dimensionless] Of a sign that cannot be read: it neither claims anything nor outweighs another sign. Chosen."""


def log_odds_above(value: float, limit: float, scatter: float) -> float:
    """Log-odds that a quantity exceeds a limit, measured with a normal error.

    Parameters
    ----------
    value, limit, scatter : float
        All in one unit; `scatter` is one standard deviation of measurement and healthy variation together, above 0.

    Returns
    -------
    float
        Natural logarithm of the odds; 0 at the limit itself; those of a sign that is not there if a number is unknown
        (NaN).
    """
    if math.isnan(value) or math.isnan(limit) or math.isnan(scatter):
        return UNKNOWN_LOG_ODDS
    return LOGISTIC_PER_SIGMA * (value - limit) / scatter


def log_odds_of_ratio(value: float, limit: float, scatter: float) -> float:
    """Log-odds that a positive quantity exceeds a limit, with a normal error of its natural logarithm."""
    return log_odds_above(math.log(max(value, 1e-6)), math.log(max(limit, 1e-6)), scatter)


def chance(log_odds: float) -> float:
    """Probability of log-odds, with what no single night can exceed."""
    return 1 / (1 + math.exp(-min(max(log_odds, -MOST_LOG_ODDS), MOST_LOG_ODDS)))


def all_of(*log_odds: float) -> float:
    """Log-odds that several independent things are all so: the product of their chances."""
    return _log_odds(math.prod(_chance(one) for one in log_odds))


def any_of(*log_odds: float) -> float:
    """Log-odds that at least one of several independent things is so."""
    return -all_of(*(-one for one in log_odds))


def answer(
    cause: str,
    log_odds: float,
    *,
    affected: frozenset[int],
    cost: float | None,
    evidence: tuple[Evidence, ...],
    rivals: tuple[Rival, ...] | None = None,
) -> Finding | Healthy:
    """A finding, with its cures, if the odds allow to speak of it, else healthy.

    `cost` is held between 0 and 1. Rivals are those of its row in the table of causes if none are given.
    """
    confidence = chance(log_odds)
    if not confidence >= LEAST_CONFIDENCE:
        return Healthy(cause=cause, evidence=evidence, log_odds=log_odds)
    return Finding(
        cause=cause,
        confidence=confidence,
        affected=affected,
        cost=None if cost is None else min(max(cost, 0.0), 1.0),
        evidence=evidence,
        rivals=CAUSES[cause].rivals if rivals is None else rivals,
        cures=CAUSES[cause].cures,
        caution=CAUSES[cause].caution,
        log_odds=log_odds,
    )


def _chance(log_odds: float) -> float:
    """Probability without the ceiling, but never quite 0 or 1."""
    return 1 / (1 + math.exp(-min(max(log_odds, -30.0), 30.0)))


def _log_odds(chance: float) -> float:
    return math.log(chance) - math.log1p(-chance)
