"""A comparison in words: what helped, what cannot be told, and what else was different."""

from collections.abc import Sequence
from typing import Final

from framecheck.decision.compare import OF_THE_RIG, Comparison, FactBeside, Row, by_verdict
from framecheck.decision.past_night import PastNight
from framecheck.report.time_axis import date_of
from framecheck.words import SHORT_UNITS, UNKNOWN, counted, fixed, listed, number, plain, sentence

_DECIMALS: Final = {"percent": 1, "min/h": 0}
"""Of figures; all others have two."""


def night_label(night: PastNight) -> str:
    """Date and target of a night; its name if it tells neither."""
    target = night.main.target if night.main is not None else None
    parts = [plain(target) if target else "", "" if night.start_utc is None else date_of(night.start_utc)]
    return ", ".join(part for part in parts if part) or plain(night.name)


def night_labels(nights: Sequence[PastNight]) -> list[str]:
    """Labels that tell the nights apart: by their names where date and target do not."""
    labels = [night_label(night) for night in nights]
    return [
        label if labels.count(label) == 1 else f"{label} ({plain(night.name)})"
        for label, night in zip(labels, nights, strict=True)
    ]


def figure(value: float | None, unit: str) -> str:
    """A figure with its unit."""
    return fixed(value, _DECIMALS.get(unit, 2)) + ("" if value is None else SHORT_UNITS[unit])


def said(row: Row) -> str:
    """What is told of a figure."""
    return "a hint, not sure enough" if row.is_hint else row.verdict


def change_words(row: Row) -> str:
    """By how much a figure changed, with its interval: "12.0 % less (7.1 to 16.9)"."""
    bounds = row.bounds()
    if row.change is None or bounds is None:
        return UNKNOWN
    decimals = _DECIMALS.get(row.unit, 2)
    low, high = bounds
    points = " points" if row.unit == "percent" else SHORT_UNITS[row.unit]
    if low <= 0 <= high:
        return f"between {fixed(-low, decimals)} less and {fixed(high, decimals)}{points} more"
    word = "more" if row.change.value > 0 else "less"
    near, far = sorted((abs(low), abs(high)))
    return (
        f"{fixed(abs(row.change.value), decimals)}{points} {word} ({fixed(near, decimals)} to {fixed(far, decimals)})"
    )


def went(row: Row) -> str:
    """A change that is told, as a clause."""
    first, second = (None if one is None else one.value for one in (row.reference, row.other))
    return f"{row.quantity.name} went from {figure(first, row.unit)} to {figure(second, row.unit)}, {change_words(row)}"


def short_answer(comparison: Comparison) -> str:
    """Whether the change helped, in three words."""
    found = by_verdict(comparison)
    if found.get("better") and found.get("worse"):
        return "It helped in part"
    if found.get("better") or found.get("worse"):
        return "It helped" if found.get("better") else "It made things worse"
    return "No change shown" if found.get("no change shown") else "Can't tell"


def answer(comparison: Comparison) -> str:
    """Whether the change helped, in a sentence or two."""
    sorted_rows = by_verdict(comparison)
    better, worse = sorted_rows.get("better", []), sorted_rows.get("worse", [])
    if better and not worse:
        return f"It helped: {_all(better)}."
    if worse and not better:
        return f"It made things worse: {_all(worse)}."
    if better and worse:
        return f"It helped in part: {_all(better)}. But {_all(worse)}."
    looked = sorted_rows.get("no change shown", [])
    if not looked:
        return "Can't tell whether it helped: nothing of the equipment could be compared."
    hints = [row.quantity.name for row in looked if row.is_hint]
    hinted = f" There are hints, not sure enough among so many figures, in {listed(hints)}." if hints else ""
    n = len(looked)
    which = (
        f"none of {n} figures of the equipment differs" if n > 1 else "the one figure of the equipment doesn't differ"
    )
    return (
        f"No change is shown: {which} by more than such a rig and such nights do by themselves. A smaller change is "
        "possible; the intervals say how much smaller." + hinted
    )


def _all(rows: Sequence[Row]) -> str:
    return "; ".join(went(row) for row in rows)


def rig_words(comparison: Comparison) -> str:
    """Same rig or not, and by which facts."""
    differ = [fact for fact in comparison.facts if fact.same is False]
    of_rig = [fact for fact in differ if fact.name in (*OF_THE_RIG, "pixel scale")]
    others = [fact for fact in differ if fact not in of_rig]
    open_ones = [fact.name for fact in comparison.facts if fact.same is None and fact.name in OF_THE_RIG]
    if comparison.same_rig is None:
        text = "Can't tell whether it was the same rig: only nights that both state focal length and pixels show that."
    elif comparison.same_rig:
        text = "The same rig, as far as headers and rig file tell."
    else:
        text = f"Not the same rig: {listed([_fact(fact) for fact in of_rig])}."
    if open_ones:
        text += f" Only one night says: {listed(open_ones)}."
    if others:
        text += f" Also different: {listed([_fact(fact) for fact in others])}."
    return text


def _fact(fact: FactBeside) -> str:
    if fact.name == "f-number":
        return f"lens at f/{fact.reference:g}, then at f/{fact.other:g}"
    values = [plain(one) if isinstance(one, str) else number(one, 4) for one in (fact.reference, fact.other)]
    return f"{fact.name} {values[0]}{SHORT_UNITS[fact.unit]}, then {values[1]}{SHORT_UNITS[fact.unit]}"


def air_words(comparison: Comparison) -> str:
    """What the air did, and that it was taken out."""
    rows = {row.quantity.key: row for row in comparison.rows}
    air = rows["air_at_zenith"]
    known = air.reference is not None and air.other is not None
    if not known:
        return "What the air did is not known in both nights; the field's terms are still compared at one star width."
    first, second = (None if one is None else figure(one.value, air.unit) for one in (air.reference, air.other))
    return (
        f"The air itself made stars of {first}, then of {second} (FWHM as at the zenith, from the budgets): it is "
        "taken out of the equipment's figures."
    )


def missing_words(comparison: Comparison) -> list[str]:
    """What could not be compared, and why: one sentence a reason."""
    reasons: dict[str, list[str]] = {}
    for row in comparison.rows:
        if row.change is None:
            reasons.setdefault(row.because, []).append(row.quantity.name)
    return [f"{sentence(listed(names)).rstrip('.')}: {because}." for because, names in reasons.items()]


def caution(comparison: Comparison) -> str:
    """How far the intervals reach."""
    n = sum(row.change is not None for row in comparison.rows)
    return (
        "Intervals hold the truth in 95 of 100 cases. They allow for frames of a night being alike, and for what "
        "nights of an unchanged rig usually differ by. A change counts only where "
        f"{100 * comparison.level:.1f} of 100 would show it, with {counted(n, 'figure')} compared. One night on "
        "either side can't tell your change from anything else that changed between them: another night of each would."
    )
