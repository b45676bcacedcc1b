"""Locations and scales that a few outliers do not turn."""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import SIGMA_PER_MAD

OUTSTANDING: Final = 1.5
"""Motion over that of the upper quarter of the frames, from which one counts no more. [dimensionless] Chosen."""


def spread(deviations: NDArray[Any]) -> float:
    """Standard deviation of normal numbers, from the median of their absolute deviations (textbook).

    Parameters
    ----------
    deviations : ndarray
        About their middle, of any shape and unit.
    """
    return SIGMA_PER_MAD * float(np.median(np.abs(deviations)))


def held_rms(sizes: NDArray[np.float64]) -> float:
    """Root mean square of sizes, those that stand far out held back, or one knock would speak for the night.

    Parameters
    ----------
    sizes : ndarray, shape (n,)
        Not negative, in any unit; at least one.
    """
    most = OUTSTANDING * float(np.quantile(sizes, 0.75))
    return float(np.sqrt(np.mean(np.minimum(sizes, most) ** 2)))
