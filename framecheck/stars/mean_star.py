"""The frame's mean star: what all its stars together say about the profile, beyond the function fitted to each.

A Moffat function is not the shape of every star: seeing has a sharper core, a star out of focus is a ring, a moved
one has a flat top. What a fit leaves of one star drowns in noise; averaged over all stars, ring by ring in units of
each star's own width, it does not. It is added to the function, and the half-maximum contour is read off the sum.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.stars.fit import Fit
from framecheck.stars.profile import E1, E2, F64, FLUX, LN_W, SKY, PixelRule, X, Y, pixel_rule, wing_terms
from framecheck.stars.stamps import Stamps

KNOTS: Final = np.array([0.0, 0.5, 1.0, 1.5, 2.1, 2.8, 3.6])
"""Radii at which the departure from the fitted function is free, in half-widths of the star. Chosen: about a pixel
apart for a star of 3 px; beyond the last it is nothing."""

MOST_STARS: Final = 100
"""Brightest stars averaged. Chosen: more change little."""

PRIOR: Final = 0.02
"""How much a real profile may differ from the function, in units of its peak. Chosen: a departure that noise hides
better than this is not believed."""


SIGNIFICANT: Final = 5.0
"""A difference between the long and the short axis is believed if its chi-square is so many standard deviations above
what noise alone gives. [sigma] Chosen: the fitted function already has both axes right if stars are ellipses or
trails."""


@dataclass(frozen=True, slots=True)
class MeanStar:
    """The mean star against the function fitted to each star."""

    long_factor: float
    short_factor: float
    """Full widths at half maximum, along and across the typical star, over those of the fitted function."""
    factor_error: float
    """Standard error of each factor, where both move together."""
    shear_error: float
    """Standard error of ln(long_factor / short_factor)."""
    image: NDArray[np.float32]
    """The mean star, finer than the pixel, peak 1."""
    pixel_px: float
    """Side of one pixel of `image`. [px]"""


def mean_star(stamps: Stamps, fit: Fit, good: NDArray[np.bool_], elongated: bool) -> MeanStar | None:
    """Average what the fits leave of the brightest good stars.

    Parameters
    ----------
    stamps : Stamps
    fit : Fit
        An elliptical profile's fit to the stamps.
    good : ndarray of bool, shape (n_stars,)
        Stars to average.
    elongated : bool
        Whether the typical star has a long axis; if not, only round departures are looked for.

    Returns
    -------
    MeanStar or None
        None with fewer than five good stars.
    """
    index = np.flatnonzero(good)
    if len(index) < 5:
        return None
    index = index[np.argsort(-fit.p[index, FLUX] / stamps.noise[index], kind="stable")][:MOST_STARS]
    part, p = stamps.part(index), fit.p[index]
    e1, e2 = float(np.median(p[:, E1])), float(np.median(p[:, E2]))
    typical = float(np.exp(np.median(p[:, LN_W])))
    rule = pixel_rule(typical * np.exp(-np.hypot(e1, e2) / 2) / 1.6)
    model = Fit(p, fit.covariance[index], fit.chi2[index], fit.converged[index], fit.wing).models(part.grid, rule)
    residual = part.values - model - p[:, SKY, None].astype(np.float32)
    _, volume, _ = wing_terms(fit.wing)
    peak = (p[:, FLUX] * volume * 4 * np.exp(-2 * p[:, LN_W]) / np.pi).astype(np.float32)[:, None]
    # Stars as bright as that differ from each other by more than their noise: none may rule the mean.
    weight = part.usable * (peak / part.noise[:, None]) ** 2 / (1 + (0.01 * peak / part.noise[:, None]) ** 2)
    basis = _basis(part.half, p, e1, e2, rule, elongated)
    n = len(KNOTS) - 1
    departure, covariance = _least_squares(residual / peak, weight, basis)
    even, twice = departure[:n], np.zeros(n)
    if elongated and _is_significant(departure[n:], covariance[n:, n:]):
        twice = departure[n:]
    factors = [_half_maximum(fit.wing, even + sign * twice) for sign in (1, -1)]
    at_half = int(np.argmin(np.abs(KNOTS - 1)))
    error = float(np.sqrt(covariance[at_half, at_half]) / _slope_at_half(fit.wing))
    shear_error = 0.0
    if twice.any():
        shear_error = float(2 * np.sqrt(covariance[n + at_half, n + at_half]) / _slope_at_half(fit.wing))
    image, pixel = _draw(fit.wing, even, twice, typical, e1, e2)
    return MeanStar(factors[0], factors[1], error, shear_error, image, pixel)


def _cardinal(radius: F64) -> F64:
    """Smooth functions of radius, each 1 at its own knot and 0 at the others, shape (n_knots - 1, ...)."""
    from scipy.interpolate import CubicSpline

    values = np.eye(len(KNOTS))[: len(KNOTS) - 1]
    spline = CubicSpline(KNOTS, values.T, bc_type="clamped")
    inside = radius < KNOTS[-1]
    out = spline(np.where(inside, radius, KNOTS[-1]))
    return np.moveaxis(np.asarray(out) * inside[..., None], -1, 0)


def _basis(half: int, p: F64, e1: float, e2: float, rule: PixelRule, elongated: bool) -> NDArray[np.float32]:
    """The cardinal functions averaged over each pixel, then the same times cos(2 angle).

    Shape (n_functions, n_stars, n_pixels).
    """
    steps = 400
    table = _cardinal(np.linspace(0, KNOTS[-1], steps + 1)).astype(np.float32)
    total: NDArray[np.float32] | None = None
    for u, v, share in rule.offsets:
        radius, angle = _star_coordinates(half, p, e1, e2, u, v)
        at = np.minimum((radius * np.float32(steps / KNOTS[-1]) + np.float32(0.5)).astype(np.intp), steps)
        values = table[:, at] * np.float32(share)
        if elongated:
            values = np.concatenate([values, values * np.cos(2 * angle)])
        total = values if total is None else total + values
    assert total is not None
    return total


def _least_squares(
    residual: NDArray[np.float32], weight: NDArray[np.float32], basis: NDArray[np.float32]
) -> tuple[Any, Any]:
    """Heights of the basis functions with PRIOR as their expected size, and their covariance."""
    flat = basis.reshape(len(basis), -1)
    weighted = flat * weight.ravel()
    normal = (weighted @ flat.T).astype(float) + np.eye(len(flat)) / PRIOR**2
    covariance = np.linalg.inv(normal)
    return covariance @ (weighted @ residual.ravel()).astype(float), covariance


def _star_coordinates(
    half: int, p: F64, e1: float, e2: float, u: float, v: float
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Radius in half-widths and angle from the long axis of each pixel, in the frame of the typical ellipse."""
    grid = np.arange(-half, half + 1, dtype=np.float32)
    dx = grid[None, None, :] + np.float32(u) - p[:, X].astype(np.float32)[:, None, None]
    dy = grid[None, :, None] + np.float32(v) - p[:, Y].astype(np.float32)[:, None, None]
    pa, e = np.arctan2(e2, e1) / 2, np.hypot(e1, e2)
    scale = 2 / np.exp(p[:, LN_W])
    along = (scale * np.exp(-e / 2)).astype(np.float32)[:, None, None] * (
        dx * np.float32(np.cos(pa)) + dy * np.float32(np.sin(pa))
    )
    across = (scale * np.exp(e / 2)).astype(np.float32)[:, None, None] * (
        dy * np.float32(np.cos(pa)) - dx * np.float32(np.sin(pa))
    )
    n = len(p)
    return np.hypot(along, across).reshape(n, -1), np.arctan2(across, along).reshape(n, -1)


def _is_significant(values: F64, covariance: F64) -> bool:
    """Whether values differ from zero by more than noise."""
    chi2 = float(values @ np.linalg.solve(covariance, values))
    return chi2 > len(values) + SIGNIFICANT * np.sqrt(2 * len(values))


def _profile(wing: float, radius: F64) -> F64:
    c, _, _ = wing_terms(wing)
    return np.asarray((1 + c * radius**2) ** (-1 / wing))


def _half_maximum(wing: float, departure: F64) -> float:
    """Radius of the outermost half-maximum of function plus departure, in half-widths of the function."""
    fine = np.linspace(0, KNOTS[-1], 721)
    value = _profile(wing, fine) + departure @ _cardinal(fine)
    level = value.max() / 2
    last = int(np.flatnonzero(value > level)[-1])
    if last + 1 >= len(fine):
        return 1.0
    return float(fine[last] + (fine[1] - fine[0]) * (value[last] - level) / (value[last] - value[last + 1]))


def _slope_at_half(wing: float) -> float:
    step = 0.01
    low, high = _profile(wing, np.array([1 - step, 1 + step]))
    return float((low - high) / (2 * step))


def _draw(
    wing: float, even: F64, twice: F64, fwhm_px: float, e1: float, e2: float
) -> tuple[NDArray[np.float32], float]:
    """The mean star on a fine grid, 3 FWHM wide."""
    n = 61
    pixel = 3 * fwhm_px / n
    grid = (np.arange(n) - n // 2) * pixel
    pa, e = np.arctan2(e2, e1) / 2, np.hypot(e1, e2)
    along = 2 / fwhm_px * np.exp(-e / 2) * (grid[None, :] * np.cos(pa) + grid[:, None] * np.sin(pa))
    across = 2 / fwhm_px * np.exp(e / 2) * (grid[:, None] * np.cos(pa) - grid[None, :] * np.sin(pa))
    radius, angle = np.hypot(along, across), np.arctan2(across, along)
    cardinal = _cardinal(radius)
    image = (
        _profile(wing, radius) + np.tensordot(even, cardinal, 1) + np.tensordot(twice, cardinal, 1) * np.cos(2 * angle)
    )
    return (image / image.max()).astype(np.float32), float(pixel)
