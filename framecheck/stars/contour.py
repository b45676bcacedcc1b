"""The half-maximum contour of a frame's mean star as its pixels show it: the referee of what was fitted.

A profile finer than the pixel must be inferred, and where stars are two pixels wide or doubled the inference may go
astray. What the pixels themselves show, the star blurred by the pixel, needs none: what the fits leave of all stars is
averaged place by place and added to the function as the pixels blur it. How much wider the half-maximum contour of
that sum is than the function's own tells the widths before the pixel, nearly whatever the profile.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]

PLACES: Final = np.linspace(-2, 2, 33)
"""Places along either axis at which the mean star is known, in half-widths of the function. Chosen: an eighth apart."""

NEAR: Final = 0.2
"""Standard deviation of the weights of the pixels around each place. [half-widths of the short axis] Chosen: 0.2 px for
a star of 2 px; what is left of a star does not change faster."""

CELLS: Final = np.linspace(-2.6, 2.6, 261)
"""Places by which light is sorted before it is averaged. [half-widths] Chosen: a fiftieth apart, and three standard
deviations beyond the outermost of `PLACES`."""

MOST_PIXELS: Final = 8000
"""Pixels averaged, those of the brightest stars first. Chosen: a hundred stars of 3 px have no more."""

PIXEL_ADDS_PX2: Final = 0.05
"""How well it is known what the pixel adds to a squared width. [px²] Chosen: a tenth of it, as much as profiles
from Gaussians to turbulent air differ in it."""


@dataclass(frozen=True, slots=True)
class LeftOver:
    """What is left of the stars, pixel by pixel, shape (n_pixels,) each."""

    along: F32
    across: F32
    """Place of each pixel on the long and the short axis. [half-widths along them]"""
    residual: F32
    """As a part of the star's peak."""
    weight: F32
    """Inverse variance of it."""

    def within(self, reach: float) -> "LeftOver":
        """The first of the pixels no farther off along either axis, not more than `MOST_PIXELS`."""
        near = np.flatnonzero((np.abs(self.along) < reach) & (np.abs(self.across) < reach))[:MOST_PIXELS]
        return LeftOver(self.along[near], self.across[near], self.residual[near], self.weight[near])


@dataclass(frozen=True, slots=True)
class ContourAxes:
    """Full widths at half maximum along and across, before the pixel. [px]"""

    long_px: float
    short_px: float
    long_error_px: float
    short_error_px: float


def contour_axes(
    function: F64,
    drawn: F64,
    left: LeftOver,
    function_px: tuple[float, float],
    scale_px: tuple[float, float],
    *,
    round_star: bool,
) -> ContourAxes | None:
    """Axes of the half-maximum contour; None if it does not close within `PLACES`.

    The function fitted, and what is taken for the mean star, are given as pixels blur them, at `PLACES` (rows across),
    shape (33, 33), with what is left against the latter. `function_px` are the function's full widths before the pixel,
    `scale_px` those whose halves `PLACES` count. The area tells both axes of a round star.

    A pixel adds nearly the same to the squared widths of two stars that are nearly alike: those before the pixel differ
    by as much as those after it.
    """
    rest, variance = _averaged(left, NEAR * scale_px[1] / scale_px[0])
    function, star = _calmed(function), _calmed(drawn + rest)
    before, shown = _extents(function, round_star), _extents(star, round_star)
    if before is None or shown is None:
        return None
    out = []
    for axis, (own, now) in enumerate(zip(before, shown, strict=True)):
        more = (now**2 - own**2) * (scale_px[axis] / 2) ** 2
        width = np.sqrt(max(function_px[axis] ** 2 + more, 0.1 * function_px[axis] ** 2))
        sigma = _extent_error(star, variance, axis, now) * now * (scale_px[axis] / 2) ** 2 / width
        out.append((float(width), float(np.hypot(sigma, PIXEL_ADDS_PX2 / (2 * width)))))
    (long_px, long_error), (short_px, short_error) = out
    return ContourAxes(long_px, short_px, long_error, short_error)


def _kernel(near: float) -> F64:
    """Weight of light in each cell for each place along one axis, shape (33, n_cells)."""
    out: F64 = np.exp(-0.5 * ((CELLS - PLACES[:, None]) / near) ** 2)
    return out


def _calmed(star: F64) -> F64:
    """A weighted mean with the neighbours, 1 : 2 : 1 each way: the highest of noisy places would be too high."""
    for _ in range(2):
        padded = np.pad(star, ((1, 1), (0, 0)), mode="edge")
        star = (padded[:-2] + 2 * padded[1:-1] + padded[2:]).T / 4
    return star


def _averaged(left: LeftOver, near_along: float) -> tuple[F64, F64]:
    """Mean of what is left around each place, and the variance of that mean."""
    left = left.within(-CELLS[0])
    cells = tuple(((at - CELLS[0]) / (CELLS[1] - CELLS[0]) + 0.5).astype(np.intp) for at in (left.across, left.along))
    of_weight, of_light = (
        np.bincount(np.ravel_multi_index(cells, (len(CELLS),) * 2), light, len(CELLS) ** 2).reshape(len(CELLS), -1)
        for light in (left.weight, left.weight * left.residual)
    )
    along, across = _kernel(near_along), _kernel(NEAR)
    total = np.maximum(across @ of_weight @ along.T, 1e-30)
    mean = across @ of_light @ along.T / total
    misfit = max(float((left.weight * left.residual**2).sum() / max(np.count_nonzero(left.weight), 1)), 1.0)
    variance = misfit * (across**2 @ of_weight @ (along**2).T) / total**2
    known = total > 1e-3 * total.max()
    return np.where(known, mean, 0.0), np.where(known, variance, 1.0)


def _extents(star: F64, round_star: bool) -> tuple[float, float] | None:
    """Full extents of the half-maximum contour along and across, in half-widths."""
    level = star.max() / 2
    if round_star:
        finer = np.linspace(PLACES[0], PLACES[-1], 8 * len(PLACES) - 7)
        rows = np.stack([np.interp(finer, PLACES, row) for row in star])
        area = float(np.mean([np.mean(np.interp(finer, PLACES, column) > level) for column in rows.T]))
        extent = float(np.sqrt(4 / np.pi * area)) * float(np.ptp(PLACES))
        return (extent, extent) if extent < 0.9 * np.ptp(PLACES) else None
    out = [_extent(star.max(axis=axis), level) for axis in (0, 1)]
    return None if out[0] is None or out[1] is None else (out[0], out[1])


def _extent(ridge: F64, level: float) -> float | None:
    """Width of the part of a ridge around its top that lies above a level."""
    top = int(ridge.argmax())
    below = np.flatnonzero(ridge < level)
    left, right = below[below < top], below[below > top]
    if not len(left) or not len(right):
        return None
    ends = []
    for outside, inside in ((left[-1], left[-1] + 1), (right[0], right[0] - 1)):
        share = (ridge[inside] - level) / (ridge[inside] - ridge[outside])
        ends.append(PLACES[inside] + share * (PLACES[outside] - PLACES[inside]))
    return float(ends[1] - ends[0])


def _extent_error(star: F64, variance: F64, axis: int, extent: float) -> float:
    """Standard error of an extent: noise of the two ends, and of the half of the top, over the slope there."""
    top = np.unravel_index(int(star.argmax()), star.shape)
    cut, spread = star.max(axis=axis), np.take(variance, top[axis], axis=axis)
    slope = np.abs(np.gradient(cut, PLACES))
    ends = PLACES[top[1 - axis]] + np.array([-extent / 2, extent / 2])
    steep = max(float(np.interp(ends, PLACES, slope).mean()), 0.05)
    return float(np.sqrt(np.interp(ends, PLACES, spread).sum() + variance[top]) / steep)
