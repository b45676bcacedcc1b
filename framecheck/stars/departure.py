"""Departures from the function fitted to a star: smooth functions of radius, averaged over pixels."""

from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.stars.profile import F64, X, Y
from framecheck.stars.trails import gauss_legendre

KNOTS: Final = np.array([0.0, 0.5, 1.0, 1.5, 2.1, 2.8, 3.6])
"""Radii at which the departure from the fitted function is free, in half-widths of the star. Chosen: about a pixel
apart for a star of 3 px; beyond the last it is nothing."""

RADII: Final = np.linspace(0, KNOTS[-1], 721)
"""Where such departures are worked out. Chosen: to a two hundredth of a half-width."""


def cardinal(radius: F64) -> F64:
    """Smooth functions of radius, each 1 at its own knot and 0 at the others, shape (n_knots - 1, ...).

    Cubic splines, flat at both ends, in Hermite's form; nothing beyond the last knot.
    """
    values = np.eye(len(KNOTS))
    at = np.clip(np.searchsorted(KNOTS, radius, side="right") - 1, 0, len(KNOTS) - 2)
    width = np.diff(KNOTS)[at]
    t = np.clip((radius - KNOTS[at]) / width, 0, 1)
    smooth = t * t * (3 - 2 * t)
    slopes = _slopes_at_knots(KNOTS, values)
    out = values[at].T * (1 - smooth).T + values[at + 1].T * smooth.T
    out += slopes[at].T * (width * t * (1 - t) ** 2).T - slopes[at + 1].T * (width * t * t * (1 - t)).T
    inside = radius < KNOTS[-1]
    return np.asarray(np.swapaxes(out, 1, -1)[:-1] * inside)


@cache
def curves() -> F64:
    """The cardinal functions at `RADII`."""
    return cardinal(RADII)


def departure_at(a: F64, b: F64, even: F64, twice: F64) -> F64:
    """The departure from the function at places on the long and the short axis. [half-widths along them]"""
    radius = np.hypot(a, b)
    out: F64 = np.interp(radius, RADII, even @ curves())
    if twice.any():
        out += np.interp(radius, RADII, twice @ curves()) * (a**2 - b**2) / np.maximum(radius**2, 1e-9)
    return out


def _slopes_at_knots(knots: F64, values: F64) -> F64:
    """Slopes of cubic splines with two continuous derivatives and flat ends, shape as values: (n_knots, n_splines)."""
    width = np.diff(knots)
    steps = 3 * np.diff(values, axis=0) / width[:, None] ** 2
    matrix = np.diag(2 / width[:-1] + 2 / width[1:]) + np.diag(1 / width[1:-1], 1) + np.diag(1 / width[1:-1], -1)
    slopes = np.zeros_like(values)
    slopes[1:-1] = np.linalg.solve(matrix, steps[:-1] + steps[1:])
    return slopes


def basis_over_pixels(
    half: int, p: F64, fwhm_px: F64, axes_px: tuple[float, float], pa: float, elongated: bool
) -> tuple[NDArray[np.intp], NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """The cardinal functions averaged over each pixel that they reach, then the same times cos(2 angle) if elongated.

    Of stars with parameters p in cut-outs of 2 half + 1 pixels a side; `axes_px` and `pa` [rad] are those of the
    typical one. First the places of these pixels among those of all stars, shape (n_near,), and their places along the
    axes; last the functions, shape (n_functions, n_near).
    """
    grid = np.arange(-half, half + 1, dtype=np.float32)
    c, s = np.float32(np.cos(pa)), np.float32(np.sin(pa))
    stretch = np.sqrt(axes_px[0] / axes_px[1])
    scales = ((2 * factor / fwhm_px).astype(np.float32)[:, None, None] for factor in (1 / stretch, stretch))
    long_scale, short_scale = (np.broadcast_to(scale, (len(p), len(grid), len(grid))) for scale in scales)
    dx = grid[None, None, :] - p[:, X].astype(np.float32)[:, None, None]
    dy = grid[None, :, None] - p[:, Y].astype(np.float32)[:, None, None]
    along, across = long_scale * (dx * c + dy * s), short_scale * (dy * c - dx * s)
    near = np.flatnonzero(np.hypot(along, across) < KNOTS[-1] + short_scale)  # and a pixel's own reach
    along, across, long_scale, short_scale = (a.reshape(-1)[near] for a in (along, across, long_scale, short_scale))
    steps, n = len(RADII) - 1, len(KNOTS) - 1
    table = curves().astype(np.float32)
    total = np.zeros((2 * n if elongated else n, len(near)), np.float32)
    for u, v, share in points_in_pixel(axes_px[1]):
        along2 = (along + long_scale * np.float32(c * u + s * v)) ** 2
        across2 = (across + short_scale * np.float32(c * v - s * u)) ** 2
        radius2 = along2 + across2
        place = np.sqrt(radius2) * np.float32(steps / KNOTS[-1]) + np.float32(0.5)
        values = table.take(np.minimum(place, steps).astype(np.intp), axis=1)
        values *= np.float32(share)
        total[:n] += values
        if elongated:
            values *= (along2 - across2) / np.maximum(radius2, np.float32(1e-9))
            total[n:] += values
    return near, along, across, total


def points_in_pixel(short_px: float) -> list[tuple[float, float, float]]:
    """Gauss and Legendre's x, y and weight of points that average the cardinal functions over a pixel. [px, px, 1]"""
    n = 1 if short_px > 4.2 else 2 if short_px > 3.2 else 3 if short_px > 2.2 else 4  # chosen: one for each knot inside
    at, weight = gauss_legendre(n)
    return [(u / 2, v / 2, a * b / 4) for u, a in zip(at, weight, strict=True) for v, b in zip(at, weight, strict=True)]
