"""Stars drawn out into lines: found by their own shape, fitted as a round star moved along a line."""

from collections.abc import Callable
from functools import cache
from math import lgamma
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import BEYOND_NOISE_SIGMA
from framecheck.read.cells import mean_cells
from framecheck.sky.model import Sky
from framecheck.stars.order import brightest_first
from framecheck.stars.peaks import Peaks
from framecheck.stars.pilot import Pilot
from framecheck.stars.profile import (
    E1,
    E2,
    F32,
    F64,
    FLUX,
    LN_W,
    N_PARAMETERS,
    SKY,
    PixelRule,
    StampGrid,
    X,
    Y,
    bending,
    contour_terms,
    midpoint_planes,
)

TRAIL_X, TRAIL_Y = E1, E2
"""In a trail's parameters the two columns of the shear hold the line's length along x and y. [px]"""

KNOTS: Final = 40
"""Lengths of lines at which the widths of moved stars are worked out. Chosen: between them they are right to 1e-4."""

NODES_A_WIDTH: Final = 2.2
"""Nodes for each width of the star that a line is long. [1/FWHM] In the middle they lie pi / 2 times as far apart as on
average (closed form), 0.7 FWHM: what ripples they leave, 1e-3 of a Gaussian star, do not hold up the fit. Chosen; at
1.4 there were ripples of a tenth, and one fit in five of long trails went to and fro between them."""
MOST_NODES: Final = 64
"""Chosen: for the longest line that a stamp holds, of stars 2 px wide."""

NEWTON_STEPS: Final = 6
"""Chosen: from where they begin, four leave nothing."""

BAND_CELLS: Final = 256
"""Rows of cells filtered together. Chosen: some megabytes."""


def find_trail_peaks(pixels: NDArray[Any], sky: Sky, pilot: Pilot, finest: int = 1) -> Peaks:
    """Find the middles of trails as maxima of the frame under a filter of the trail's shape.

    Single hot cells are cut down to what their neighbours show, so that they do not become trails. The whole frame is
    filtered: slower than looking at peaks, but a trail has many peaks, and its middle need not be one. Cells are whole
    multiples of the finest ones.
    """
    cell = finest * max(1, round(pilot.short_px / (2 * finest)))
    n_y, n_x = pixels.shape[0] // cell, pixels.shape[1] // cell
    kernel = _trail_kernel(pilot, cell)
    kernel -= kernel.mean()
    strength = float((kernel**2).sum())
    noise = float(np.median(sky.noise_adu)) / cell
    places, responses = [], []
    for top in range(0, n_y, BAND_CELLS):
        bottom = min(top + BAND_CELLS, n_y)
        first, last = max(top - len(kernel), 0), min(bottom + len(kernel), n_y)
        image = mean_cells(pixels[first * cell : last * cell, : n_x * cell], cell)
        image -= sky.crossings((np.arange(first, last) + 0.5) * cell - 0.5, np.arange(n_x) * cell + (cell - 1) / 2)
        np.nan_to_num(image, copy=False)
        # with a row on either side, to compare
        response = _filtered(image, kernel, noise)[max(top - 1, 0) - first : min(bottom + 1, n_y) - first]
        bright, around = _with_neighbours(response, BEYOND_NOISE_SIGMA * noise * strength**0.5)
        light = response.ravel()[bright]
        highest = light >= around.max(axis=0)
        places.append(bright[highest] + max(top - 1, 0) * n_x)
        responses.append(light[highest])
    light = np.concatenate(responses)
    order = brightest_first(light)
    row, column = np.divmod(np.concatenate(places)[order], n_x)
    own = _one_a_trail(column * cell, row * cell, pilot)
    x, y = (at[own] * cell + (cell - 1) / 2 for at in (column, row))
    return Peaks(x.astype(np.float32), y.astype(np.float32), (light[order][own] / strength).astype(np.float32))


def _filtered(image: F32, kernel: F64, noise: float) -> F32:
    """The image, which counts as dark beyond its edges, under a kernel; single hot cells are cut down."""
    from scipy.fft import irfft2, next_fast_len, rfft2

    _cut_down_spikes(image, noise)
    shape = [next_fast_len(n + m - 1, real=True) for n, m in zip(image.shape, kernel.shape, strict=True)]
    out = irfft2(rfft2(image, shape) * rfft2(kernel[::-1, ::-1].astype(np.float32), shape), shape)
    half = len(kernel) // 2
    return np.ascontiguousarray(out[half : half + image.shape[0], half : half + image.shape[1]])


def _one_a_trail(x: NDArray[Any], y: NDArray[Any], pilot: Pilot) -> NDArray[np.intp]:
    """Indices of peaks with no stronger one on the same trail; inputs are strongest first."""
    from scipy.spatial import cKDTree

    c, s = np.cos(np.radians(pilot.pa_deg)), np.sin(np.radians(pilot.pa_deg))
    tree = cKDTree(np.column_stack([(c * x + s * y) / (0.7 * pilot.long_px), (c * y - s * x) / (1.5 * pilot.short_px)]))
    kept = np.ones(len(x), bool)
    for stronger, beside in enumerate(tree.query_ball_point(tree.data, 1.0)):
        if kept[stronger]:
            kept[[i for i in beside if i > stronger]] = False
    return np.flatnonzero(kept)


def _with_neighbours(image: F32, above: float) -> tuple[NDArray[np.intp], F32]:
    """Cells above a level, as places in the flat image, and the eight around each; shape (8, n).

    Those on the rim are left out: a trail there is cut off.
    """
    n_x = image.shape[1]
    inside = np.zeros(image.shape, bool)
    np.greater(image[1:-1, 1:-1], above, out=inside[1:-1, 1:-1])
    place = np.flatnonzero(inside)
    beside = np.array([dy * n_x + dx for dy in (-1, 0, 1) for dx in (-1, 0, 1) if dy or dx])
    return place, image.ravel()[place + beside[:, None]]


def _cut_down_spikes(image: F32, noise: float) -> None:
    """Cells that stand alone are set to the level of their brightest neighbour."""
    place, around = _with_neighbours(image, 8 * noise)
    brightest = around.max(axis=0)
    alone = image.ravel()[place] > 3 * brightest
    image.ravel()[place[alone]] = brightest[alone]


def _trail_kernel(pilot: Pilot, cell: int) -> F64:
    """A line of the trail's length, as wide as the star, sampled in cells."""
    half = int(np.ceil(0.75 * pilot.long_px / cell)) + 2
    grid = np.arange(-half, half + 1.0)
    c, s = np.cos(np.radians(pilot.pa_deg)), np.sin(np.radians(pilot.pa_deg))
    along = (c * grid[None, :] + s * grid[:, None]) * cell
    across = (c * grid[:, None] - s * grid[None, :]) * cell
    sigma = pilot.short_px / 2.355
    beyond = np.maximum(np.abs(along) - max(pilot.long_px - pilot.short_px, 0) / 2, 0)
    kernel: F64 = np.exp(-(across**2 + beyond**2) / (2 * sigma**2))
    return kernel


def evaluate_trail(
    p: F64, wing: float, grid: StampGrid, rule: PixelRule, *, wing_slope: bool = False
) -> tuple[F32, F32]:
    """Profiles of round stars moved evenly along a line during the exposure; arguments and results as `evaluate`.

    The line is sampled at Gauss-Legendre nodes.
    """
    along, share, offsets = _nodes(p, rule)
    moved = np.repeat(p, len(along), axis=0)
    moved[:, [X, Y]] += offsets.reshape(-1, 2)
    moved[:, FLUX] *= np.tile(share, len(p))
    moved[:, [E1, E2, SKY]] = 0
    contour = contour_terms(moved[:: len(along)])
    planes = midpoint_planes(moved, contour, wing, grid, rule)
    each = len(p), len(along), int(np.prod(grid.shape))
    light = planes.light.reshape(each).sum(axis=1)
    jacobian = np.empty((len(p), N_PARAMETERS + wing_slope, each[-1]), np.float32)
    scale = contour.scale.astype(np.float32)[:, None]
    _slopes(jacobian, p, grid, scale, planes.by_v.reshape(each), along, offsets, bending(wing) * rule.side**2)
    jacobian[:, LN_W] -= np.float32(rule.side**2 / 3) * scale * jacobian[:, FLUX] + 2 * light
    jacobian[:, FLUX] = light / p[:, FLUX, None].astype(np.float32)
    jacobian[:, SKY] = 1
    if wing_slope:
        jacobian[:, N_PARAMETERS] = planes.by_wing(wing).reshape(each).sum(axis=1)
    return light + p[:, SKY, None].astype(np.float32), jacobian


def _slopes(
    jacobian: F32, p: F64, grid: StampGrid, scale: F32, by_v: F32, along: F64, offsets: F64, bend: float
) -> None:
    """Fill in the derivatives by place, width and line; in place of that by the flux, the sum of f' over the nodes.

    They need f' summed over the nodes times 1, times what each lies off, and times its place on the line: no more.
    """
    off_x, off_y, at = offsets[..., 0], offsets[..., 1], np.broadcast_to(along, offsets.shape[:2])
    factors = np.stack([np.ones_like(at), off_x, off_y, off_x**2 + off_y**2, at, at * off_x, at * off_y], axis=1)
    total, by_x, by_y, square, slanted, slanted_x, slanted_y = (factors.astype(np.float32) @ by_v).swapaxes(0, 1)
    x, y = (np.broadcast_to(one, grid.shape).ravel() for one in (grid.x, grid.y))
    dx, dy = (one - p[:, column, None].astype(np.float32) for one, column in ((x, X), (y, Y)))
    bent = np.float32(bend) * scale
    pull = -2 * scale * (1 - bent)
    jacobian[:, X], jacobian[:, TRAIL_X] = pull * (dx * total - by_x), pull * (dx * slanted - slanted_x)
    jacobian[:, Y], jacobian[:, TRAIL_Y] = pull * (dy * total - by_y), pull * (dy * slanted - slanted_y)
    from_line = (dx**2 + dy**2) * total - 2 * (dx * by_x + dy * by_y) + square
    jacobian[:, LN_W] = -2 * scale * (1 - 2 * bent) * from_line
    jacobian[:, FLUX] = total


def _nodes(p: F64, rule: PixelRule) -> tuple[F64, F64, F64]:
    """Points along the line and within the pixel at which the round star is evaluated.

    Place on the line, -1/2 to 1/2, and share of the light, shape (n_nodes,) each; how far the star lies off the middle
    of its line there, as seen from the middle of a square of the pixel, shape (n_stars, n_nodes, 2). [px]
    """
    nodes = points_on_line(p)
    at, weight = gauss_legendre(nodes)
    u, v = rule.middles
    along, share = np.repeat(at / 2, len(u)), np.repeat(weight / 2 / len(u), len(u))
    offsets = along[:, None] * p[:, None, TRAIL_X : TRAIL_Y + 1] - np.tile(np.stack([u, v], axis=1), (nodes, 1))
    return along, share, offsets


def points_on_line(p: F64) -> int:
    """How many points stand for the lines of some trails, whose parameters have the shape (n, 7)."""
    ratios = np.sort(np.hypot(p[:, TRAIL_X], p[:, TRAIL_Y]) * np.exp(-p[:, LN_W]))
    longest = float(ratios[19 * (len(p) - 1) // 20]) if len(p) else 0.0
    return int(np.clip(np.ceil(NODES_A_WIDTH * longest - 0.5) + 1, 2, MOST_NODES))


@cache
def gauss_legendre(nodes: int) -> tuple[F64, F64]:
    """Points between -1 and 1, and their weights: `numpy` works them out anew each time."""
    at, weight = np.polynomial.legendre.leggauss(nodes)
    return at, weight


def half_maximum_widths(fwhm: F64, wing: float, length: F64) -> tuple[F64, F64]:
    """Full widths at half maximum, along and across, of a round Moffat star moved along a line; shape (n,) each. [px]

    Both are the round star's width times a function of length over width alone (`stretches`).
    """
    ratio = length / fwhm
    along, across = (np.exp(curve(ratio)[0]) for curve in stretches(wing, float(ratio.max(initial=0.0))))
    return fwhm * along, fwhm * across


Curve = Callable[[F64], tuple[F64, F64]]
"""A function and its derivative."""


def stretches(wing: float, longest: float) -> tuple[Curve, Curve]:
    """Logarithms of the widths along and across a moved star over those of the round one.

    Their argument is the length of the line over the round star's FWHM, up to `longest`.

    Closed form at their knots: the integral a of (1 + x²)^-b is an incomplete beta function; across the line the
    integrand scales with 1 + y². The half-maxima are found by Newton's method, and have derivatives in closed form too.
    """
    from scipy.special import betainc

    ratio = np.linspace(0, 1, KNOTS) ** 2 * max(1.01 * longest, 1.0)  # the first steps are the finest
    beta, core = 1 / wing, 2 * np.sqrt(2**wing - 1)  # FWHM over the Moffat core radius
    half = ratio[1:] * core / 2
    total = float(np.exp(lgamma(0.5) + lgamma(beta - 0.5) - lgamma(beta))) / 2

    def integral(x: F64) -> F64:
        out: F64 = total * np.sign(x) * betainc(0.5, beta - 0.5, x**2 / (1 + x**2))
        return out

    def integrand(x: F64) -> F64:
        return (1 + x**2) ** -beta

    middle, below = integral(half), integrand(half)
    r, y = np.sqrt(half**2 + core**2 / 4), np.full_like(half, core / 2)
    for _ in range(NEWTON_STEPS):
        by_r = integrand(r + half) - integrand(r - half)
        r = r - (integral(r + half) - integral(r - half) - middle) / by_r
        wide = 1 + y**2
        part, edge = integral(half / np.sqrt(wide)), integrand(half / np.sqrt(wide))
        by_y = -2 * y * wide ** (-0.5 - beta) * ((2 * beta - 1) * part + edge * half / np.sqrt(wide))
        y = y - (2 * wide ** (0.5 - beta) * part - middle) / by_y
    r_slope = (below - integrand(r + half) - integrand(r - half)) / by_r
    y_slope = (below - 2 * wide**-beta * edge) / by_y
    return _curve(ratio, 2 * r / core, r_slope), _curve(ratio, 2 * y / core, y_slope)


def _curve(ratio: F64, stretch: F64, slope: F64) -> Curve:
    """The logarithm of a stretch between knots, by cubic polynomials that keep values and slopes.

    At the first knot it is 0, and flat: a short line widens a star by its square.
    """
    value, slope = np.concatenate([[0.0], np.log(stretch)]), np.concatenate([[0.0], slope / stretch])
    width = np.diff(ratio)
    rise = np.diff(value)
    second = (3 * rise / width - 2 * slope[:-1] - slope[1:]) / width
    third = (slope[:-1] + slope[1:] - 2 * rise / width) / width**2

    def at(where: F64) -> tuple[F64, F64]:
        i = np.clip(np.searchsorted(ratio, where, side="right") - 1, 0, len(width) - 1)
        d = where - ratio[i]
        return (
            value[i] + d * (slope[i] + d * (second[i] + d * third[i])),
            slope[i] + d * (2 * second[i] + d * 3 * third[i]),
        )

    return at


__all__ = ["N_PARAMETERS", "TRAIL_X", "TRAIL_Y", "evaluate_trail", "find_trail_peaks", "half_maximum_widths"]
