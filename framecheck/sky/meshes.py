"""Meshes over an image: where their samples lie, and how each is mended by its neighbours."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

LIFTED: Final = 2.0
"""A mesh is lifted by a star if it stands so far above its neighbours. [sigma] Chosen: nebulosity
bends less in one mesh."""

MIDDLE_OF_NINE: Final = (
    *((1, 2), (4, 5), (7, 8), (0, 1), (3, 4), (6, 7), (1, 2), (4, 5), (7, 8)),
    *((0, 3), (5, 8), (4, 7), (3, 6), (1, 4), (2, 5), (4, 7), (4, 2), (6, 4), (4, 2)),
)
"""Exchanges of the lower and the higher of two, after which the fifth of nine values is their median: three columns
sorted, then the middle of their lowest, middle and highest. A network of comparisons; shown right by a test."""


def mesh_side(length: int, wanted: int) -> int:
    """Side of meshes, about as wide as wanted, that cover a length but for less than one pixel a mesh. [px]"""
    return length // max(1, round(length / wanted))


def in_meshes(length: int, side: int, step: int) -> NDArray[np.intp]:
    """Every so many pixels along an axis, as many in each mesh; shape (n_meshes, n_samples)."""
    return np.arange(length // side)[:, None] * side + np.arange(side % step // 2, side, step)


@dataclass(frozen=True, slots=True)
class CellGrid:
    """Cells of 2 x 2 pixels that are looked at, as many in each mesh; a few whole rows are quickly read."""

    sides: list[int]
    """Of the meshes, along y and x. [cells]"""
    rows: NDArray[np.intp]
    """Shape (n_meshes, n_samples), as of `in_meshes`. [cells]"""
    columns: NDArray[np.intp]

    @classmethod
    def over(cls, pixels: NDArray[Any], mesh_cells: int, rows_a_mesh: int, wanted: int) -> "CellGrid":
        """Over an image, with about so many cells in all."""
        height, width = (n // 2 for n in pixels.shape)
        sides = [mesh_side(n, mesh_cells) for n in (height, width)]
        rows = in_meshes(height, sides[0], max(1, sides[0] // rows_a_mesh))
        columns = in_meshes(width, sides[1], max(1, min(sides[1] // 8, rows.size * width // wanted)))
        return cls(sides, rows, columns)

    @property
    def lines(self) -> NDArray[np.intp]:
        """Both rows of pixels of each row of cells."""
        return np.asarray((2 * self.rows.reshape(-1, 1) + [0, 1]).ravel())


def by_mesh(picked: NDArray[Any], rows: NDArray[np.intp], columns: NDArray[np.intp]) -> NDArray[Any]:
    """Samples at the crossings of rows and columns, those of each mesh together; shape (n_y, n_x, n_samples).

    `picked` has the shape (n_rows, n_columns), rows and columns are those of `in_meshes`.
    """
    blocks = picked.reshape(*rows.shape, *columns.shape).swapaxes(1, 2)
    return blocks.reshape(len(rows), len(columns), -1)


def picked_by_mesh(pixels: NDArray[Any], sides: list[int], step: int) -> NDArray[Any]:
    """Pixels `in_meshes` along both axes, shape (n_y, n_x, n_samples); read from their places in one pass."""
    n_y, n_x = (n // side for n, side in zip(pixels.shape, sides, strict=True))
    meshes = pixels[: n_y * sides[0], : n_x * sides[1]].reshape(n_y, sides[0], n_x, sides[1])
    down, across = (slice(side % step // 2, None, step) for side in sides)
    return meshes[:, down, :, across].swapaxes(1, 2).reshape(n_y, n_x, -1)


def filled(mesh: NDArray[np.float64], *, sloping: bool = False) -> NDArray[np.float64]:
    """The mesh with its undefined cells like the nearest of the others; if sloping, those beside them straight on."""
    unknown = ~np.isfinite(mesh)
    if not unknown.any():
        return mesh
    if unknown.all():
        return np.zeros_like(mesh)
    from scipy.ndimage import distance_transform_edt

    near = distance_transform_edt(unknown, return_distances=False, return_indices=True)
    out: NDArray[np.float64] = mesh[tuple(near)]
    if sloping:
        here = np.indices(mesh.shape)
        beyond = np.clip(2 * near - here, 0, np.array(mesh.shape)[:, None, None] - 1)
        rise = out - mesh[tuple(beyond)]
        straight = unknown & np.isfinite(rise) & (np.abs(near - here).max(axis=0) == 1)
        out[straight] += rise[straight]
    return out


def over_neighbours(mesh: NDArray[np.float64], typical: Callable[..., Any]) -> NDArray[np.float64]:
    """Median or mean over 3 x 3 meshes, so that one bright star does not lift a patch of sky; slopes stay."""
    straight_on = min(mesh.shape) > 1
    padded = np.pad(mesh, 1, mode="reflect", reflect_type="odd") if straight_on else np.pad(mesh, 1, mode="edge")
    n_y, n_x = mesh.shape
    return typical([padded[i : i + n_y, j : j + n_x] for i in range(3) for j in range(3)])


def median_of_nine(nine: list[NDArray[np.float64]]) -> NDArray[np.float64]:
    """Median of nine arrays, value by value; by exchanges, which is quicker than to sort many rows of nine."""
    nine = list(nine)
    for low, high in MIDDLE_OF_NINE:
        nine[low], nine[high] = np.minimum(nine[low], nine[high]), np.maximum(nine[low], nine[high])
    return nine[4]


def mean_of_nine(nine: list[NDArray[np.float64]]) -> NDArray[np.float64]:
    """Mean of nine arrays, value by value."""
    out: NDArray[np.float64] = sum(nine[1:], nine[0]) / 9
    return out


def without_lifted_meshes(
    level: NDArray[np.float64], noise: NDArray[np.float64], n_samples: int
) -> NDArray[np.float64]:
    """Levels with those of meshes that a bright star lifts set to the median of their neighbours; shape (n_y, n_x)."""
    around = over_neighbours(level, median_of_nine)
    own_error = np.sqrt(np.pi / 2 / n_samples)  # of a median, in units of the noise
    return np.where(level - around > max(5 * own_error, LIFTED) * noise, around, level)


def slope_variance(level: NDArray[np.float64]) -> NDArray[np.float64]:
    """Variance that a plane of the mesh's slope has within the mesh: (rise across)²/12 for each axis. [ADU²]"""
    total = np.zeros_like(level)
    for axis in (0, 1):
        if level.shape[axis] > 1:
            total += np.gradient(level, axis=axis, edge_order=2 if level.shape[axis] > 2 else 1) ** 2 / 12
    return total
