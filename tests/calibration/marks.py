"""Marks of a judged set: who was named for whom, how often rightly, and how far confidence can be trusted."""

import csv
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np

from framecheck.causes.calibration import MOST_SIGNS
from framecheck.causes.catalogue import CAUSES

CLAIM: Final = 0.5
CLEAR: Final = 1.0
BINS: Final = (0.0, 0.05, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 0.95, 1.0)
SLOPE_SD: Final = 0.35
OFFSET_SD: Final = 0.35
"""How far slope and offset of the map may lie from 1 and 0, one standard deviation. [dimensionless] Chosen: even odds
are worth even odds, unless many cases show that they are not."""


@dataclass(frozen=True, slots=True)
class Judged:
    """One night with what is true and what was said of it."""

    name: str
    visibility: Mapping[str, float]
    causes: frozenset[str]
    slight: frozenset[str]
    confidence: Mapping[str, float]
    log_odds: Mapping[str, float]
    undecided: frozenset[str]
    seconds: float

    @property
    def claims(self) -> frozenset[str]:
        """Causes claimed."""
        return frozenset(cause for cause, value in self.confidence.items() if value >= CLAIM)

    @property
    def healthy(self) -> bool:
        """Neither mount nor optics is at fault, not even slightly on purpose."""
        return not any(CAUSES[cause].family in ("mount", "optics") for cause in self.causes)


@dataclass(frozen=True, slots=True)
class CauseMarks:
    """How one cause did over the set; None where there was no case."""

    cause: str
    n_true: int
    recall_clear: float | None
    """At visibility 1 and above."""
    recall_half: float | None
    """From 0.5 to 1."""
    precision: float | None
    n_claims: int
    n_false: int
    false_on_healthy: int
    n_undecided: int
    """Of the nights where it is true."""
    brier: float


def marks_of(cause: str, nights: Sequence[Judged]) -> CauseMarks:
    """Marks of one cause; slight cases count neither way."""
    counted = [night for night in nights if cause not in night.slight]
    true = [night for night in counted if cause in night.causes]
    clear = [cause in night.claims for night in true if night.visibility[cause] >= CLEAR]
    half = [cause in night.claims for night in true if night.visibility[cause] < CLEAR]
    claims = [night for night in counted if cause in night.claims]
    false = [night for night in claims if cause not in night.causes]
    return CauseMarks(
        cause=cause,
        n_true=len(true),
        recall_clear=_share(clear),
        recall_half=_share(half),
        precision=_share([cause in night.causes for night in claims]),
        n_claims=len(claims),
        n_false=len(false),
        false_on_healthy=sum(night.healthy for night in false),
        n_undecided=sum(cause in night.undecided for night in true),
        brier=float(np.mean([_squared(night, cause) for night in counted])) if counted else 0.0,
    )


def _share(values: Sequence[bool]) -> float | None:
    return float(np.mean(values)) if values else None


def _squared(night: Judged, cause: str) -> float:
    return (night.confidence.get(cause, 0.0) - (cause in night.causes)) ** 2


def brier(nights: Sequence[Judged], causes: Iterable[str] = CAUSES) -> float:
    """Mean squared difference of confidence and truth over nights and causes, slight ones left out."""
    return float(np.mean([_squared(night, cause) for night in nights for cause in causes if cause not in night.slight]))


def write_results(nights: Sequence[Judged], folder: Path) -> None:
    """All tables and the figure."""
    _write(folder / "per_cause.csv", _per_cause(nights))
    _write(folder / "confusion.csv", _confusion(nights))
    curve = _curve(nights)
    _write(folder / "curve.csv", curve)
    _draw_curve(curve, folder / "curve.png")


def _write(path: Path, rows: Sequence[Mapping[str, object]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def _text(value: float | None) -> str:
    return "" if value is None else f"{value:.3f}"


def _per_cause(nights: Sequence[Judged]) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for cause in CAUSES:
        one = marks_of(cause, nights)
        rows.append(
            {
                "cause": cause, "family": CAUSES[cause].family, "true": one.n_true,
                "recall_clear": _text(one.recall_clear), "recall_half": _text(one.recall_half),
                "precision": _text(one.precision), "claims": one.n_claims, "false": one.n_false,
                "false_on_healthy": one.false_on_healthy, "undecided": one.n_undecided, "brier": f"{one.brier:.4f}",
            }
        )  # fmt: skip
    return rows


def _confusion(nights: Sequence[Judged]) -> list[dict[str, object]]:
    """Rows: what is true, "nothing" for nights without a cause; columns: what was claimed."""
    counts: dict[str, Counter[str]] = {cause: Counter() for cause in (*CAUSES, "nothing")}
    for night in nights:
        for true in night.causes or {"nothing"}:
            counts[true].update(night.claims - night.slight or {"nothing"})
            counts[true]["nights"] += 1
    return [
        {"true": true, "nights": row["nights"], **{claimed: row[claimed] for claimed in (*CAUSES, "nothing")}}
        for true, row in counts.items()
    ]


def _curve(nights: Sequence[Judged]) -> list[dict[str, object]]:
    said, true = [], []
    for night in nights:
        for cause, value in night.confidence.items():
            if cause not in night.slight:
                said.append(value)
                true.append(cause in night.causes)
    values, truths = np.array(said), np.array(true, bool)
    rows: list[dict[str, object]] = []
    for low, high in pairwise(BINS):
        inside = (values >= low) & ((values < high) | (high == 1.0))
        n = int(inside.sum())
        share = float(truths[inside].mean()) if n else float("nan")
        error = float(np.sqrt(max(share * (1 - share), 0.25 / (n + 1)) / n)) if n else float("nan")
        mean = float(values[inside].mean()) if n else (low + high) / 2
        rows.append(
            {
                "from": low, "to": high, "mean_confidence": f"{mean:.3f}", "share_true": f"{share:.3f}",
                "error": f"{error:.3f}", "n": n,
            }
        )  # fmt: skip
    return rows


def _draw_curve(rows: Sequence[Mapping[str, object]], path: Path) -> None:
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot as plt

    known = [row for row in rows if row["n"]]
    x, y, error = (
        np.array([float(str(row[key])) for row in known]) for key in ("mean_confidence", "share_true", "error")
    )
    figure, axes = plt.subplots(figsize=(4.5, 4.2), dpi=120)
    axes.plot([0, 1], [0, 1], color="0.6", linewidth=1)
    axes.errorbar(x, y, error, fmt="o", color="black", capsize=2)
    for row, at_x, at_y in zip(known, x, y, strict=True):
        axes.annotate(str(row["n"]), (at_x, at_y), textcoords="offset points", xytext=(6, -9), fontsize=7)
    axes.set(xlim=(0, 1), ylim=(0, 1), xlabel="confidence stated", ylabel="share that was true")
    figure.tight_layout()
    figure.savefig(path, metadata={"Software": None})
    plt.close(figure)


def fit_map(nights: Sequence[Judged], path: Path) -> None:
    """Fit, for each cause, probability = logistic(slope x log-odds + offset), and write the table.

    Where a cause answered "healthy" its log-odds are not told and it stays as it is. Few cases leave slope and offset
    near 1 and 0: normal priors.
    """
    rows: list[dict[str, object]] = []
    for cause in CAUSES:
        cases = [
            (night.log_odds[cause], cause in night.causes)
            for night in nights
            if cause in night.log_odds and cause not in night.slight
        ]
        slope, offset = fitted([odds for odds, _ in cases], [true for _, true in cases])
        rows.append({"cause": cause, "slope": f"{slope:.4f}", "offset": f"{offset:.4f}", "cases": len(cases)})
    _write(path, rows)


def fitted(log_odds: Sequence[float], true: Sequence[bool]) -> tuple[float, float]:
    """Slope and offset of the logistic map, most probable under the prior."""
    from scipy.optimize import minimize

    if not log_odds:
        return 1.0, 0.0
    x, y = np.clip(np.array(log_odds), -MOST_SIGNS, MOST_SIGNS), np.array(true, float)

    def misfit(p: np.ndarray) -> float:
        z = p[0] * x + p[1]
        likelihood = np.sum(np.logaddexp(0, z) - y * z)
        return float(likelihood + ((p[0] - 1) / SLOPE_SD) ** 2 / 2 + (p[1] / OFFSET_SD) ** 2 / 2)

    best = minimize(misfit, np.array([1.0, 0.0]), bounds=[(0.05, 5.0), (-6.0, 6.0)])
    return float(best.x[0]), float(best.x[1])


def summary(nights: Sequence[Judged], worst: int) -> Iterator[str]:
    """Lines of a page for people."""
    clean = [night for night in nights if night.healthy]
    seconds = [night.seconds for night in nights]
    yield f"{len(nights)} nights, {len(clean)} of them without a fault of mount or optics; judged in " + (
        f"{np.median(seconds):.2f} s each (longest {max(seconds):.1f} s)\n"
    )
    columns = ("true", "clear", "half", "prec.", "claims", "false", "f.hlty", "undec.", "Brier")
    yield f"{'cause':22s} " + " ".join(f"{column:>7s}" for column in columns)
    for cause in CAUSES:
        one = marks_of(cause, nights)
        shares = ["-" if v is None else f"{v:.2f}" for v in (one.recall_clear, one.recall_half, one.precision)]
        counts = [str(n) for n in (one.n_claims, one.n_false, one.false_on_healthy, one.n_undecided)]
        values = (str(one.n_true), *shares, *counts, f"{one.brier:.4f}")
        yield f"{cause:22s} " + " ".join(f"{value:>7s}" for value in values)
    yield ""
    for family in ("mount", "optics", "camera", "sky"):
        causes = [cause for cause in CAUSES if CAUSES[cause].family == family]
        false = sum(bool((night.claims - night.causes - night.slight) & set(causes)) for night in clean)
        yield f"{family}: {_family(nights, causes)}; false on {false} of {len(clean)} healthy nights"
    yield f"all: {_family(nights, list(CAUSES))}\n"
    for row in _curve(nights):
        share = f"{row['share_true']} true (+- {row['error']}), n = {row['n']}"
        yield f"confidence {row['from']:.2f} to {row['to']:.2f}: {share}"
    yield "\nWorst mistakes"
    for cost, line in sorted(_mistakes(nights), reverse=True)[:worst]:
        yield f"{cost:5.2f} {line}"


def _family(nights: Sequence[Judged], causes: Sequence[str]) -> str:
    right = wrong = 0
    clear: list[bool] = []
    half: list[bool] = []
    for night in nights:
        for cause in causes:
            if cause in night.slight:
                continue
            if cause in night.claims:
                right += cause in night.causes
                wrong += cause not in night.causes
            if cause in night.causes:
                (clear if night.visibility[cause] >= CLEAR else half).append(cause in night.claims)
    shares = [f"{np.mean(one):.2f}" if one else "-" for one in (clear, half)]
    precision = f"{right / (right + wrong):.2f}" if right + wrong else "-"
    return (
        f"recall clear {shares[0]} ({len(clear)}), half {shares[1]} ({len(half)}), precision {precision} "
        f"({right + wrong}), Brier {brier(nights, causes):.4f}"
    )


def _mistakes(nights: Sequence[Judged]) -> Iterable[tuple[float, str]]:
    """Each night's sum of squared mistakes, with what is true and what was said."""
    for night in nights:
        wrong = {
            cause: _squared(night, cause)
            for cause in CAUSES
            if cause not in night.slight and _squared(night, cause) > 0.2
        }
        if not wrong:
            continue
        true = ", ".join(f"{cause} {night.visibility[cause]:.2f}" for cause in sorted(night.causes)) or "nothing"
        said = ", ".join(f"{cause} {night.confidence[cause]:.2f}" for cause in sorted(night.claims)) or "nothing"
        missed = ", ".join(
            f"{cause}{' (undecided)' if cause in night.undecided else ''}" for cause in wrong if cause in night.causes
        )
        extra = ", ".join(cause for cause in wrong if cause not in night.causes)
        text = f"{night.name}: true {true}; claimed {said}"
        text += f"; MISSED {missed}" if missed else ""
        text += f"; FALSE {extra}" if extra else ""
        yield sum(wrong.values()), text
