"""The table of reference values, `shared/reference_values.csv`, by id."""

import csv
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest

TABLE = Path(__file__).parents[2] / "shared" / "reference_values.csv"


@dataclass(frozen=True, kw_only=True, slots=True)
class Reference:
    """One published, computed or customary number."""

    id: str
    quantity: str
    inputs: str
    value: float
    unit: str
    relative: float | None
    absolute: float | None
    source: str
    source_kind: str

    @property
    def approx(self) -> Any:
        """What a measurement is compared with: `assert measured == reference("PSF-01").approx`."""
        if self.relative is not None:
            return pytest.approx(self.value, rel=self.relative, abs=0)
        return pytest.approx(self.value, rel=0, abs=self.absolute)

    def within(self, *, rel: float | None = None, abs: float | None = None) -> Any:
        """The value with a tolerance of the test's own, where noise or pixels add to the table's."""
        return pytest.approx(self.value, rel=rel, abs=abs)


def _tolerance(text: str) -> tuple[float | None, float | None]:
    kind, _, size = text.partition(":")
    if kind not in ("rel", "abs"):
        raise ValueError(f"{text!r} is no tolerance: write rel:0.01 or abs:0.5")
    return (float(size), None) if kind == "rel" else (None, float(size))


@cache
def all_references() -> dict[str, Reference]:
    """Every row of the table by its id."""
    with TABLE.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    table = {}
    for row in rows:
        relative, absolute = _tolerance(row["tolerance"])
        table[row["id"]] = Reference(
            id=row["id"],
            quantity=row["quantity"],
            inputs=row["inputs"],
            value=float(row["value"]),
            unit=row["unit"],
            relative=relative,
            absolute=absolute,
            source=row["source"],
            source_kind=row["source_kind"],
        )
    if len(table) != len(rows):
        raise ValueError(f"{TABLE.name} has an id twice")
    return table


def reference(row_id: str) -> Reference:
    """The row of this id."""
    return all_references()[row_id]
