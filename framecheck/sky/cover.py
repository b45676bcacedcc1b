"""What hides the sky, on a coarse grid: stars where they crowd, ground."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Cover:
    """Where the sky is not seen, on a coarse grid."""

    covered: NDArray[np.bool_]
    """Cells, rows along y; the last ones go on to the end of the image."""
    cell_px: int

    @property
    def share(self) -> float:
        """Part of the image that is covered."""
        return float(self.covered.mean())

    def crossings(self, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> NDArray[np.bool_]:
        """Which crossings of rows and columns of the image are covered, shape (n_rows, n_columns)."""
        last_y, last_x = self.covered.shape[0] - 1, self.covered.shape[1] - 1
        here = self.covered[np.minimum(rows // self.cell_px, last_y)]
        return here[:, np.minimum(columns // self.cell_px, last_x)]

    def at(self, x: NDArray[Any], y: NDArray[Any]) -> NDArray[np.bool_]:
        """Which points of the image are covered, shape (n,)."""
        row, column = (
            np.clip(np.rint(at).astype(np.intp) // self.cell_px, 0, n - 1)
            for at, n in zip((y, x), self.covered.shape, strict=True)
        )
        return np.asarray(self.covered[row, column])

    def blanked(self, values: NDArray[Any], rows: NDArray[np.intp], columns: NDArray[np.intp]) -> NDArray[Any]:
        """Pixels of some rows and columns with the covered ones undefined."""
        return np.where(self.crossings(rows, columns), np.float32(np.nan), values.astype(np.float32))

    def and_also(self, other: "Cover | None") -> "Cover":
        """Covered by either, on this one's grid."""
        if other is None:
            return self
        rows, columns = (np.arange(n) * self.cell_px + self.cell_px // 2 for n in self.covered.shape)
        return Cover(self.covered | other.crossings(rows, columns), self.cell_px)


@dataclass(frozen=True, kw_only=True, slots=True)
class Ground:
    """What hides the sky at an edge of the frame."""

    cover: Cover
    fringe: Cover
    """That and a cell more on all sides, where teeth of its line may be that are finer than cells."""
    textured: bool
    """Whether its texture alone tells it from sky; if not, only the lack of stars can."""
    smooth: bool = False
    """Whether its line is as smooth as a rim's: then it must be shown to lack stars."""

    def other_part(self) -> "Ground":
        """The rest of the frame as ground instead."""
        there, cell = ~self.cover.covered, self.cover.cell_px
        wider = np.pad(there, 1)
        n_y, n_x = there.shape
        fringe = np.logical_or.reduce([wider[i : i + n_y, j : j + n_x] for i in range(3) for j in range(3)])
        return Ground(cover=Cover(there, cell), fringe=Cover(fringe, cell), textured=False)
