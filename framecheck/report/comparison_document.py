"""A comparison for programs."""

from collections.abc import Sequence
from typing import Any

from framecheck.decision.compare import Comparison, Row
from framecheck.decision.estimate import USUAL_LEVEL, Estimate
from framecheck.decision.night_document import Generator
from framecheck.decision.past_night import PastNight
from framecheck.decision.quantities import NightQuantity
from framecheck.document import plain_values
from framecheck.report.comparison_words import answer, caution, rig_words


def comparison_document(comparisons: Sequence[Comparison]) -> dict[str, Any]:
    """All comparisons as plain values; unknown is None, units beside every number.

    `change` is the other night less the reference, in `unit`, with its 95 % interval; `told_from` is the interval that
    has to exclude 0 for a verdict, wider since several figures are looked at.
    """
    plain: dict[str, Any] = plain_values(
        {
            "schema": 1,
            "generator": Generator(),
            "reference": _night(comparisons[0].reference),
            "comparisons": [_comparison(one) for one in comparisons],
        }
    )
    return plain


def _night(night: PastNight) -> dict[str, Any]:
    start = None if night.start_utc is None else night.start_utc.isoformat()
    return {
        "name": night.name,
        "folder": night.source.folder,
        "start_utc": start.replace("+00:00", "Z") if start is not None and night.by_utc else None,
        "start_local": None if start is None or night.by_utc else start.removesuffix("+00:00"),
        "target": None if night.main is None else night.main.target,
        "n_frames": len(night.frames),
    }


def _comparison(comparison: Comparison) -> dict[str, Any]:
    return {
        "night": _night(comparison.other),
        "answer": answer(comparison),
        "same_rig": comparison.same_rig,
        "rig_in_words": rig_words(comparison),
        "facts": comparison.facts,
        "figures": [_row(row, comparison.level) for row in comparison.rows],
        "level": USUAL_LEVEL,
        "told_from_level": comparison.level,
        "caution": caution(comparison),
    }  # fmt: skip


def _row(row: Row, level: float) -> dict[str, Any]:
    return {
        "figure": row.quantity.key,
        "name": row.quantity.name,
        "unit": row.unit,
        "belongs_to": row.quantity.owner,
        "reference": _estimate(row.reference, row.quantity),
        "other": _estimate(row.other, row.quantity),
        "change": _estimate(row.change),
        "told_from": _bounds(row, level),
        "verdict": row.verdict,
        "is_hint": row.is_hint,
        "because": row.because or None,
    }


def _estimate(estimate: Estimate | None, quantity: NightQuantity | None = None) -> dict[str, float | None] | None:
    """A value with its interval; that of a night inside what its quantity can be."""
    if estimate is None:
        return None
    low, high = estimate.interval() if quantity is None else quantity.bounds(estimate)
    return {"value": estimate.value, "low": low, "high": high}


def _bounds(row: Row, level: float) -> dict[str, float | None] | None:
    bounds = row.bounds(level)
    return None if bounds is None else {"low": bounds[0], "high": bounds[1]}
