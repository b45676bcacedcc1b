"""Places of a frame's stars, as registration needs them."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.field.result import FrameResult
from framecheck.field.similarity import Floats
from framecheck.stars.flags import StarFlag

NO_STAR: Final = StarFlag.HOT_PIXEL | StarFlag.COSMIC_RAY
NO_PLACE: Final = NO_STAR | StarFlag.BAD_FIT

ENOUGH: Final = 12
"""With fewer stars than this, those whose fit failed are taken too: a rough place is better than none. Chosen."""

LEAST_ERROR_PX: Final = 0.002
"""[px] Chosen: no centroid of a real frame is better, whatever the fit claims."""

UNKNOWN_ERROR_PX: Final = 0.3
"""[px] Chosen: for a place whose error is not known."""


@dataclass(frozen=True, slots=True)
class Sources:
    """Stars with a place, brightest first."""

    points: Floats
    """Shape (n, 2). [px]"""
    variance: Floats
    """Of the places, shape (n, 2). [px²]"""
    rows: NDArray[np.intp]
    """Row of each in the frame's star table."""

    def __len__(self) -> int:
        return len(self.rows)

    def part(self, chosen: NDArray[Any]) -> "Sources":
        """Some of them, by index or mask, in the same order."""
        return Sources(self.points[chosen], self.variance[chosen], self.rows[chosen])

    def brightest(self, n: int) -> "Sources":
        """The first `n`."""
        return self.part(np.arange(min(n, len(self))))


def sources_of(result: FrameResult) -> Sources:
    """The stars of a frame that have a place, brightest first; blended ones too, hot pixels and tracks not."""
    table = result.stars.table
    finite = np.isfinite(table["x"]) & np.isfinite(table["y"])
    usable = finite & ((table["flags"] & NO_PLACE) == 0)
    if usable.sum() < ENOUGH:
        usable = finite & ((table["flags"] & NO_STAR) == 0)
    rows = np.flatnonzero(usable)
    flux = np.nan_to_num(table["flux_adu"][rows], nan=0.0)
    # places settle ties, so that the order of the table does not matter
    rows = rows[np.lexsort((table["y"][rows], table["x"][rows], -flux))]
    points = np.column_stack([table["x"][rows], table["y"][rows]]).astype(np.float64)
    error = np.column_stack([table["x_error"][rows], table["y_error"][rows]]).astype(np.float64)
    error = np.where(np.isfinite(error) & (error > 0), np.maximum(error, LEAST_ERROR_PX), UNKNOWN_ERROR_PX)
    return Sources(points, error**2, rows)
