"""Numbers of which some are unknown (NaN)."""

from typing import Any

import numpy as np
from numpy.typing import NDArray


def typical(values: NDArray[Any]) -> float:
    """Median of those that are known; NaN where none is."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")
