"""Calibration: what the odds of each cause were worth on simulated nights whose faults were known.

`CALIBRATION` is made anew by `make calibration`, from nights drawn with one seed; the curve and the confusion table
that the project shows are of nights drawn with another.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from framecheck.causes.result import chance

CALIBRATION: Final[Mapping[str, tuple[float, float]]] = MappingProxyType({})
"""Cause -> slope and offset that turn its log-odds into those of its being true. [dimensionless]"""


def calibrated(cause: str, log_odds: float) -> float:
    """Chance that a claim is right, from the log-odds of its signs."""
    slope, offset = CALIBRATION.get(cause, (1.0, 0.0))
    return chance(slope * log_odds + offset)
