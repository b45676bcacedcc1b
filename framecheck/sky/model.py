"""The sky's level and noise over the image."""

import math
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import USUAL_READ_E
from framecheck.sky.cover import Ground

Floats = NDArray[np.float32]

LEAST_LIGHT: Final = 1.0
"""Light of the sky below which nothing is told relative to it. [noise of a pixel] Chosen: zero points drift by a good
part of the read noise, and such a sky adds little to it."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Sky:
    """The sky under the stars, on a coarse mesh; between mesh centres it is linear."""

    level_adu: Floats
    """Sky level of each mesh, pedestal included, shape (n_y, n_x). [ADU]"""
    noise_adu: Floats
    """Standard deviation of one pixel of blank sky in each mesh, same shape. [ADU]"""
    x_centres: Floats
    """Mesh centres along x, shape (n_x,). [px]"""
    y_centres: Floats
    """Mesh centres along y, shape (n_y,). [px]"""
    shape: tuple[int, ...]
    """Height and width of the image. [px]"""
    uneven: NDArray[np.bool_] | None = None
    """Meshes in which, or beside which, pixels differ by more than noise and slope: lit by more than stars and sky."""
    ground: Ground | None = None
    """What hides the sky; level and noise behind it are those of the nearest sky."""
    ground_told: bool = True
    """False if the image cannot tell whether there is ground in view."""

    @property
    def ground_share(self) -> float | None:
        """Share of the image that is ground or obstruction; None if that cannot be told."""
        if not self.ground_told:
            return None
        return 0.0 if self.ground is None else self.ground.cover.share

    def noise_rows(self, y: NDArray[Any], x: NDArray[Any], pitch: int = 1) -> Floats:
        """Noise of one pixel at the crossings of rows and columns, both in units of `pitch`. [ADU]"""
        return np.maximum(_mesh_rows(self.noise_adu, self, y * pitch, x * pitch), self._least_noise_adu)

    def level_at(self, x: NDArray[Any], y: NDArray[Any]) -> Floats:
        """Level at points of the image, shape (n,). [ADU]"""
        return bilinear(self.level_adu, self.x_centres, self.y_centres, x, y)

    def crossings(self, y: NDArray[Any], x: NDArray[Any]) -> Floats:
        """Level at the crossings of rows and columns of the image, shape (n_y, n_x). [ADU]"""
        return _mesh_rows(self.level_adu, self, y, x)

    def level_and_noise_at(self, x: NDArray[Any], y: NDArray[Any]) -> tuple[Floats, Floats]:
        """Both at points of the image, shape (n,) each; quicker than one after the other. [ADU]"""
        both = np.empty(self.level_adu.shape, np.complex64)  # a number of two parts, picked at one go
        both.real, both.imag = self.level_adu, self.noise_adu
        there = bilinear(both, self.x_centres, self.y_centres, x, y)
        return np.ascontiguousarray(there.real), np.maximum(there.imag, self._least_noise_adu)

    def uneven_at(self, x: NDArray[Any], y: NDArray[Any]) -> NDArray[np.bool_]:
        """Whether points of the image lie in an uneven mesh, shape (n,)."""
        if self.uneven is None or not self.uneven.any():
            return np.zeros(len(x), bool)
        column, row = (
            np.clip(np.rint(sum(_between(centres, at))), 0, len(centres) - 1).astype(np.intp)
            for at, centres in ((x, self.x_centres), (y, self.y_centres))
        )
        return np.asarray(self.uneven[row, column])

    @property
    def uneven_share(self) -> float:
        """Part of the image in uneven meshes."""
        return 0.0 if self.uneven is None else float(self.uneven.mean())

    @property
    def _least_noise_adu(self) -> np.floating:
        """Beyond the outer meshes a straight line may go down to nothing: the noise is no less than half the lowest."""
        return self.noise_adu.min() / 2

    def summary(self, pedestal_adu: float | None = None) -> "SkySummary":
        """The sky in a few numbers."""
        level = float(np.median(_in_view(self)))
        summary = SkySummary(
            level_adu=level,
            noise_adu=_noise_at_level(self, level),
            gradient_percent=float("nan"),
            level_mesh_adu=_coarse(self),
            ground_share=self.ground_share,
            ground_cells=None if self.ground is None else self.ground.cover.covered,
            ground_cell_px=0 if self.ground is None else self.ground.cover.cell_px,
        )
        return summary.above(pedestal_adu)


@dataclass(frozen=True, kw_only=True, slots=True)
class SkySummary:
    """The sky of one frame in a few numbers."""

    level_adu: float
    """Median sky level over the image, pedestal included. [ADU]"""
    noise_adu: float
    """Standard deviation of one pixel of blank sky at that level. [ADU]"""
    gradient_percent: float
    """Range of the sky level over the image, from the 5th to the 95th percentile of its meshes, in per cent of the
    median level above the pedestal; NaN where that is unknown, or hardly below the sky."""
    level_mesh_adu: Floats
    """Coarse map of the sky level, shape (up to 12, up to 16), rows along y. [ADU]"""
    ground_share: float | None = None
    """Share of the frame that is ground or obstruction; 0 without, None if it cannot be told."""
    ground_cells: NDArray[np.bool_] | None = None
    """Which cells of a coarse grid are ground, rows along y; None without ground in view."""
    ground_cell_px: int = 0
    """Side of such a cell. [px]"""

    def gain_shown(self, pedestal_adu: float) -> float:
        """Gain at which the sky's own light and a usual read noise make the noise that is seen. [e/ADU]

        Of g² noise² = g (level - pedestal) + read² the positive root: photon transfer with one level (J. R. Janesick,
        Photon Transfer, 2007, from memory). In a dark sky the read noise decides, which is known to a factor.
        """
        light, variance = max(self.level_adu - pedestal_adu, 0.0), max(self.noise_adu, 1e-6) ** 2
        return (light + math.sqrt(light**2 + 4 * variance * USUAL_READ_E**2)) / (2 * variance)

    def above(self, pedestal_adu: float | None) -> "SkySummary":
        """The same sky, its gradient measured against what lies above a pedestal. [ADU]"""
        light = float("nan") if pedestal_adu is None else self.level_adu - pedestal_adu
        gradient = float("nan")
        if light > LEAST_LIGHT * self.noise_adu:
            low, high = np.percentile(self.level_mesh_adu, [5, 95])
            gradient = float(100 * (high - low) / light)
        return replace(self, gradient_percent=gradient)


def _mesh_rows(values: Floats, sky: Sky, y: NDArray[Any], x: NDArray[Any]) -> Floats:
    """A mesh's values, linear between its centres, at the crossings of rows and columns; shape (n_y, n_x)."""
    left, along = _between(sky.x_centres, x)
    low, across = _between(sky.y_centres, y)
    first, last = low.min(), min(low.max() + 2, len(sky.y_centres))
    mesh = values[first:last]
    right = np.minimum(left + 1, mesh.shape[1] - 1)
    fine = mesh[:, left] + (mesh[:, right] - mesh[:, left]) * along.astype(np.float32)
    low = low - first
    high = np.minimum(low + 1, len(fine) - 1)
    out: Floats = fine[low] + (fine[high] - fine[low]) * across[:, None].astype(np.float32)
    return out


def _between(centres: Floats, at: NDArray[Any]) -> tuple[NDArray[np.intp], NDArray[np.floating]]:
    """Index of the mesh centre below each point, and the share of the way to the next; straight on beyond the ends."""
    if len(centres) == 1:
        return np.zeros(len(at), dtype=np.intp), np.zeros(len(at))
    position = np.clip((at - centres[0]) / (centres[1] - centres[0]), -0.5, len(centres) - 0.5)
    low = np.clip(np.floor(position).astype(np.intp), 0, len(centres) - 2)
    return low, position - low


def bilinear(mesh: NDArray[Any], xs: Floats, ys: Floats, x: NDArray[Any], y: NDArray[Any]) -> NDArray[Any]:
    """A mesh of numbers, shape (n_y, n_x), whose columns and rows lie at xs and ys, at points x and y. [px]"""
    i, u = _between(xs, np.asarray(x))
    j, v = _between(ys, np.asarray(y))
    right, up = (i < len(xs) - 1), len(xs) * (j < len(ys) - 1)
    u, v = u.astype(np.float32), v.astype(np.float32)
    flat, at = mesh.ravel(), j * len(xs) + i
    low, high = flat[at], flat[at + up]
    low += (flat[at + right] - low) * u
    high += (flat[at + up + right] - high) * u
    low += (high - low) * v
    return low


def _in_view(sky: Sky) -> Floats:
    """The level at the centres of 64 x 64 equal parts of the image, but for those behind ground; one at the least."""
    everywhere = _over_image(sky, 64, 64)
    if sky.ground is None:
        return everywhere
    y, x = (np.rint(at).astype(np.intp) for at in _centres(sky, 64, 64))
    clear = ~sky.ground.cover.crossings(y, x)
    return everywhere[clear] if clear.any() else everywhere


def _over_image(sky: Sky, rows: int, columns: int) -> Floats:
    """The level at the centres of `rows` x `columns` equal parts of the image."""
    y, x = _centres(sky, rows, columns)
    return _mesh_rows(sky.level_adu, sky, y, x)


def _centres(sky: Sky, rows: int, columns: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where the centres of equal parts of the image lie along y and x. [px]"""
    y, x = ((np.arange(count) + 0.5) * n / count - 0.5 for n, count in zip(sky.shape, (rows, columns), strict=True))
    return y, x


def _noise_at_level(sky: Sky, level_adu: float) -> float:
    """Noise of one pixel where the sky has a level: on uneven sky the variance of photons rises in proportion.

    All meshes tell of it, not the few at that level alone: each is brought there along the slope that the brightest
    and the darkest third give.
    """
    variance, above = sky.noise_adu.astype(float).ravel() ** 2, sky.level_adu.astype(float).ravel() - level_adu
    order, third = np.argsort(above, kind="stable"), len(above) // 3
    if third:
        dark, bright = order[:third], order[-third:]
        rise = np.median(above[bright]) - np.median(above[dark])
        gain = (np.median(variance[bright]) - np.median(variance[dark])) / max(rise, 1e-9)
        at_level = np.maximum(variance - max(gain, 0.0) * above, 0)
    else:
        at_level = variance
    return float(np.sqrt(np.median(at_level)))


def _coarse(sky: Sky) -> Floats:
    """The level averaged over at most 12 x 16 equal parts of the image."""
    n_y, n_x = min(12, len(sky.y_centres)), min(16, len(sky.x_centres))
    return _over_image(sky, 4 * n_y, 4 * n_x).reshape(n_y, 4, n_x, 4).mean(axis=(1, 3))
