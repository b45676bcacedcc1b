"""Did a change help? Two nights figure by figure: what belongs to the equipment, and what the weather did."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from math import isfinite
from typing import Final, Literal

from framecheck.decision.estimate import USUAL_LEVEL, Estimate, difference, level_among
from framecheck.decision.night_figures import Measure, measure_for
from framecheck.decision.past_night import Fact, PastNight
from framecheck.decision.quantities import QUANTITIES, NightQuantity
from framecheck.read.rig import ANGLES_AGREE_DEG
from framecheck.read.rig_keys import KEYS

AGREE: Final = 0.02
"""[dimensionless] Numbers that differ by less are the same fact. Chosen: headers round focal lengths so."""
EXPOSURES_AGREE: Final = 0.1
"""[dimensionless] Chosen: a smear that grows with the root of time, or in proportion to it, changes by 5 or 10 %."""
Verdict = Literal["better", "worse", "no change shown", "not comparable", "not known"]


@dataclass(frozen=True, kw_only=True, slots=True)
class FactBeside:
    """A fact of both nights."""

    name: str
    unit: str
    reference: Fact
    other: Fact
    same: bool | None
    """None where one of the nights does not say."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Row:
    """One figure of both nights."""

    quantity: NightQuantity
    unit: str
    reference: Estimate | None
    """With the error of the night itself; None if the night does not tell."""
    other: Estimate | None
    change: Estimate | None
    """Other less reference, with what nights of an unchanged rig differ by in its error; None if not comparable."""
    verdict: Verdict
    because: str = ""
    """Why there is no verdict."""

    def bounds(self, level: float = USUAL_LEVEL) -> tuple[float, float] | None:
        """Interval of the change."""
        return None if self.change is None else self.change.interval(level)

    @property
    def is_hint(self) -> bool:
        """Whether the usual interval excludes no change, but not surely enough for one of so many figures."""
        bounds = self.bounds()
        return self.verdict == "no change shown" and bounds is not None and not bounds[0] <= 0 <= bounds[1]


@dataclass(frozen=True, kw_only=True, slots=True)
class Comparison:
    """A night beside the reference."""

    reference: PastNight
    other: PastNight
    same_rig: bool | None
    """None if too little is known of one of them."""
    facts: tuple[FactBeside, ...]
    rows: tuple[Row, ...]
    measure: Measure
    level: float
    """How sure a single figure has to be for a change to be told."""


def compare(nights: Sequence[PastNight]) -> tuple[Comparison, ...]:
    """Set each night beside the first.

    Parameters
    ----------
    nights : sequence of PastNight
        At least two.

    Returns
    -------
    tuple of Comparison
        One for each night but the first. A change is told where the interval excludes none, at a level that allows for
        the number of figures looked at.
    """
    if len(nights) < 2:
        raise ValueError("a comparison takes two nights")
    measure = measure_for(nights)
    return tuple(_beside(nights[0], other, measure) for other in nights[1:])


def _beside(reference: PastNight, other: PastNight, measure: Measure) -> Comparison:
    facts = facts_beside(reference, other)
    differ = {fact.name for fact in facts if fact.same is False}
    pairs = [(quantity, *_pair(quantity, reference, other, measure, differ)) for quantity in QUANTITIES]
    n_compared = sum(change is not None for _, _, _, change, _ in pairs)
    level = level_among(n_compared)
    rows = tuple(_row(*pair, measure, level) for pair in pairs)
    return Comparison(
        reference=reference,
        other=other,
        same_rig=_same_rig(facts),
        facts=facts,
        rows=rows,
        measure=measure,
        level=level,
    )


def _pair(
    quantity: NightQuantity, reference: PastNight, other: PastNight, measure: Measure, differ: set[str]
) -> tuple[Estimate | None, Estimate | None, Estimate | None, str]:
    """Both estimates, the change, and why there is none."""
    first, second = quantity.estimate(reference, measure), quantity.estimate(other, measure)
    if first is None or second is None:
        lacking = [name for name, one in (("the first", first), ("the other", second)) if one is None]
        which = "neither night has" if len(lacking) == 2 else f"{lacking[0]} night lacks"
        return first, second, None, f"{which} what it takes: {quantity.missing}"
    unlike = [name for name in quantity.alike if name in differ]
    if unlike:
        return first, second, None, f"the nights differ in {' and '.join(unlike)}"
    change = difference(
        second.with_scatter(quantity.nightly(other, second.value, measure)),
        first.with_scatter(quantity.nightly(reference, first.value, measure)),
    )
    if not all(isfinite(one) for one in (change.value, change.down, change.up)):
        return first, second, None, "an interval is not known"
    return first, second, change, ""


def _row(
    quantity: NightQuantity,
    first: Estimate | None,
    second: Estimate | None,
    change: Estimate | None,
    because: str,
    measure: Measure,
    level: float,
) -> Row:
    if change is not None:
        low, high = change.interval(level)
        more, less = low > 0, high < 0
        good, bad = (more, less) if quantity.more_is_better else (less, more)
        verdict: Verdict = "better" if good else "worse" if bad else "no change shown"
    else:
        verdict = "not known" if first is None or second is None else "not comparable"
    return Row(
        quantity=quantity,
        unit=quantity.unit(measure),
        reference=first,
        other=second,
        change=change,
        verdict=verdict,
        because=because,
    )


def _rig_fact(name: str, night: PastNight) -> Fact:
    return night.facts[name]


_FACTS: Final[tuple[tuple[str, str, Callable[[PastNight], Fact]], ...]] = (
    *((key.noun, key.unit, partial(_rig_fact, key.name)) for key in KEYS if key.noun),
    ("f-number", "", lambda night: night.rig.lens_f_number),
    ("field of view", "arcmin", lambda night: None if night.sensor_arcmin is None else max(night.sensor_arcmin)),
    ("exposure", "s", lambda night: None if night.main is None else night.main.exposure_s),
    ("filter", "", lambda night: None if night.main is None else night.main.filter),
    ("target", "", lambda night: None if night.main is None else night.main.target),
)
OF_THE_RIG: Final = ("focal length", "aperture", "pixel size", "binning", "mount", "worm period")
"""Facts that make another rig of it."""
_TELLING: Final = ("focal length", "pixel size", "pixel scale")
"""Facts of which one must be known on both sides before two rigs are called the same."""


def facts_beside(reference: PastNight, other: PastNight) -> tuple[FactBeside, ...]:
    """Facts of both nights that at least one of them knows.

    A lens whose f-number is known is the same one stopped down, whatever that makes of its aperture.
    """
    out = []
    lens = None not in (reference.rig.lens_f_number, other.rig.lens_f_number)
    for name, unit, of in _FACTS:
        if lens and name == "aperture":
            continue
        first, second = of(reference), of(other)
        if first is not None or second is not None:
            same = None if first is None or second is None else _agree(name, first, second)
            out.append(FactBeside(name=name, unit=unit, reference=first, other=second, same=same))
    return tuple(out)


def _agree(name: str, first: float | str, second: float | str) -> bool:
    if isinstance(first, str) or isinstance(second, str):
        return str(first).strip().casefold() == str(second).strip().casefold()
    if name == "camera angle":
        return abs((first - second + 180) % 360 - 180) <= ANGLES_AGREE_DEG
    within = EXPOSURES_AGREE if name == "exposure" else AGREE
    return abs(first - second) <= within * max(abs(first), abs(second))


def _same_rig(facts: Sequence[FactBeside]) -> bool | None:
    by_name = {fact.name: fact.same for fact in facts}
    if any(by_name.get(name) is False for name in (*OF_THE_RIG, "pixel scale")):
        return False
    return True if any(by_name.get(name) for name in _TELLING) else None


def same_rig(first: PastNight, second: PastNight) -> bool | None:
    """Whether two nights were taken with one rig, as far as their facts tell; None if they tell too little."""
    return _same_rig(facts_beside(first, second))


def by_verdict(comparison: Comparison) -> Mapping[Verdict, list[Row]]:
    """Rows of the equipment sorted by what is said of them."""
    out: dict[Verdict, list[Row]] = {}
    for row in comparison.rows:
        if row.quantity.owner == "equipment":
            out.setdefault(row.verdict, []).append(row)
    return out
