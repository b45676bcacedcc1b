"""How far the sky of each colour of a mosaic lies above that of its first green pixels; the second differ, too."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust
from framecheck.read.exposure import Frame
from framecheck.sky.meshes import CellGrid, by_mesh, median_of_nine, over_neighbours
from framecheck.sky.model import bilinear

MESH_CELLS: Final = 256
"""Side of a mesh. [cells of 2 x 2 pixels] Chosen: the colour of skies changes slowly, and the level of a mesh then
comes out to a thirtieth of the noise."""

ROWS_A_MESH: Final = 8
"""Rows of cells looked at in each mesh. Chosen: whole rows are quickly read."""

CELLS_WANTED: Final = 50_000
"""Cells looked at, about. Chosen: see MESH_CELLS."""


@dataclass(frozen=True, slots=True)
class Colours:
    """The sky of the four places of a 2 x 2 mosaic less that of the first green; linear between the meshes' centres."""

    above_green_adu: NDArray[np.float32]
    """Shape (4, n_y, n_x); places row by row. [ADU]"""
    x_centres: NDArray[np.float32]
    y_centres: NDArray[np.float32]
    """Mesh centres. [px]"""

    def at(self, x: NDArray[Any], y: NDArray[Any]) -> NDArray[np.float32]:
        """What to take off at points of the image, for each place of the mosaic; shape (n, 4). [ADU]"""
        return np.stack([bilinear(mesh, self.x_centres, self.y_centres, x, y) for mesh in self.above_green_adu], axis=1)


def measure_colours(frame: Frame) -> Colours | None:
    """Compare the sky of the colours, cell by cell, so that gradients drop out; None without a mosaic."""
    if frame.mosaic is None:
        return None
    grid = CellGrid.over(frame.pixels, MESH_CELLS, ROWS_A_MESH, CELLS_WANTED)
    rows, columns = grid.rows, grid.columns
    lines = frame.pixels[grid.lines].reshape(rows.size, 2, -1)
    places = [lines[:, k // 2, 2 * columns.ravel() + k % 2].astype(np.float32) for k in range(4)]
    green = places[frame.mosaic.index("G")]  # the one whose level the sky's is (`green_lattice`)
    above = [over_neighbours(_median(by_mesh(place - green, rows, columns)), median_of_nine) for place in places]
    y_centres, x_centres = (
        ((np.arange(n) + 0.5) * 2 * side - 0.5).astype(np.float32)
        for n, side in zip(above[0].shape, grid.sides, strict=True)
    )
    return Colours(np.array(above, np.float32), x_centres, y_centres)


def _median(samples: NDArray[np.float32]) -> NDArray[np.float64]:
    """Median of each mesh; undefined samples do not count, and a mesh without any is even with green."""
    return np.nan_to_num(robust.medians(samples, axis=2))
