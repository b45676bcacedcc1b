"""Calibration: what the odds of each cause were worth on simulated nights whose faults were known.

`calibration.csv` is made anew by `make calibration`, from nights drawn with one seed; the curve and the confusion table
that the project shows are of nights drawn with another.
"""

import csv
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Final

from framecheck.causes.result import chance

MAP_FILE: Final = Path(__file__).with_name("calibration.csv")
"""One row a cause: slope and offset that turn its log-odds into those of its being true, and the cases they rest on."""

Map = Mapping[str, tuple[float, float]]

AS_IT_IS: Final[Map] = MappingProxyType({})
"""No calibration: what the map is fitted to."""


@lru_cache(maxsize=1)
def calibration() -> Map:
    """The map that comes with framecheck: cause -> slope, offset. [dimensionless]"""
    with MAP_FILE.open(encoding="utf-8", newline="") as table:
        return MappingProxyType(
            {row["cause"]: (float(row["slope"]), float(row["offset"])) for row in csv.DictReader(table)}
        )


MOST_SIGNS: Final = 6.0
"""Log-odds of the signs beyond which more do not count. [dimensionless] Chosen: what errs then is not noise."""


def calibrated(cause: str, log_odds: float, by: Map) -> float:
    """Chance that a claim is right, from the log-odds of its signs."""
    slope, offset = by.get(cause, (1.0, 0.0))
    return chance(slope * max(-MOST_SIGNS, min(log_odds, MOST_SIGNS)) + offset)
