"""The frame's mean star: what all its stars together say about the profile, beyond the function fitted to each.

A Moffat function is not the shape of every star: seeing has a sharper core, a star out of focus is a ring, a moved
one has a flat top. What a fit leaves of one star drowns in noise; averaged over all stars, ring by ring in units of
each star's own width, it does not. It is added to the function, and the half-maximum contour is read off the sum.
"""

from dataclasses import dataclass, replace
from functools import cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust, shear
from framecheck.stars.contour import PLACES, ContourAxes, LeftOver, contour_axes
from framecheck.stars.equations import light_of_stars
from framecheck.stars.fit import StarFits
from framecheck.stars.profile import (
    E1,
    E2,
    F64,
    FLUX,
    LN_W,
    SKY,
    PixelRule,
    StampGrid,
    X,
    Y,
    evaluate,
    pixel_rule,
    wing_terms,
)
from framecheck.stars.shapes import Shapes, shapes_of
from framecheck.stars.stamps import Stamps
from framecheck.stars.trails import gauss_legendre
from framecheck.stars.turbulent import turbulent_air

KNOTS: Final = np.array([0.0, 0.5, 1.0, 1.5, 2.1, 2.8, 3.6])
"""Radii at which the departure from the fitted function is free, in half-widths of the star. Chosen: about a pixel
apart for a star of 3 px; beyond the last it is nothing."""

RADII: Final = np.linspace(0, KNOTS[-1], 721)
"""Where such departures are worked out. Chosen: to a two hundredth of a half-width."""

MOST_STARS: Final = 100
"""Brightest stars averaged. Chosen: more change little."""

PRIOR: Final = 0.03
"""How much a real profile may differ from the function, in units of its peak, once it is plain that it does. Chosen."""

DOUBTFUL_PRIOR: Final = 0.004
"""The same while noise could explain what is seen: half of what turbulent air has. Chosen: noise then moves the FWHM
of a frame of 300 stars of SNR 50 by less than 0.5 %."""

HALF_TURBULENT: Final = np.array([-0.0079, -0.0014, 0.0029, -0.0002, -0.0018, 0.0001])
TURBULENT_WINGS: Final = ((0.0, 0.21, 0.3, 0.4), (0.0, 1.0, 1.0, 0.0))
"""Half of the departure, at KNOTS, of stars in turbulent air from Moffat functions with their wings: the transform of
exp(-k^(5/3)) (D. L. Fried, J. Opt. Soc. Am. 56, 1372 (1966)) less the function fitted to it within 1.9
FWHM, whose FWHM is 2 % too small. A few stars cannot tell the two apart, and half-way is expected of them, give or take
the half; by g = 1 / beta less where wings are lighter, for Gaussians have none of it, or heavier than any air's. That
it is the half is chosen."""

FEW_STARS: Final = 20
"""Up to so many stars are a few; of more, less is expected in proportion. Chosen: a hundred tell it by themselves."""

UNUSUAL: Final = 2.5
"""Stars that differ from the typical by more are left out of the mean. [sigma] Chosen."""

SIGNIFICANT: Final = 4.0
"""A departure is plain if its chi-square is so many standard deviations above what noise gives. [sigma] Chosen."""

IN_DOUBT: Final = (2.0, 6.0)
"""Between these the doubt goes over into plainness by degrees, so that no frame's FWHM jumps. [sigma] Chosen."""


CONTOUR_STANDS: Final = (2.0, 4.0)
"""From so many of their common errors on the contour of the pixels' own mean star goes over into the axes that were
inferred, and replaces them. [sigma] Chosen as for any doubt."""

DIFFERENCE: Final = 0.25
"""Share of the difference between the two that counts as an error then. Chosen: on stars of 1.5 to 2 px, moved or
doubled, the contour was off by less."""


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


@dataclass(frozen=True, slots=True)
class _Typical:
    """The function fitted, for the frame's typical star."""

    long_px: float
    short_px: float
    """Full widths at half maximum."""
    pa: float
    """Of the long axis. [rad]"""
    round_px: float
    """FWHM of the round star that was moved, or of the ellipse."""
    trail_px: float
    """Length of the line it was moved along; 0 for an ellipse."""
    wing: float

    def unscaled(self, along: F64, across: F64) -> F64:
        """Profile at points, along and across the long axis [px], as a part of the unmoved star's peak."""
        c, _, _ = wing_terms(self.wing)
        if self.trail_px == 0:
            v = (2 * along / self.long_px) ** 2 + (2 * across / self.short_px) ** 2
            return (1 + c * v) ** (-1 / self.wing)
        at, weight = gauss_legendre(24)
        total = np.zeros(np.broadcast_shapes(along.shape, across.shape))
        for u, share in zip(at * self.trail_px / 2, weight / 2, strict=True):
            v = ((along - u) ** 2 + across**2) * (2 / self.round_px) ** 2
            total += share * (1 + c * v) ** (-1 / self.wing)
        return total

    def profile(self, along: F64, across: F64) -> F64:
        """The same as a part of its own peak."""
        return self.unscaled(along, across) / self.unscaled(np.zeros(1), np.zeros(1))


def _typical(fit: StarFits, shapes: Shapes, index: NDArray[np.intp]) -> _Typical:
    e1, e2 = float(np.median(shapes.e1[index])), float(np.median(shapes.e2[index]))
    long, short = shear.half_maximum_axes(float(np.median(shapes.fwhm_px[index])), float(np.hypot(e1, e2)))
    trailed = bool(np.isfinite(shapes.trail_px[index]).all())
    return _Typical(
        long_px=long,
        short_px=short,
        pa=float(np.arctan2(e2, e1) / 2),
        round_px=float(np.exp(np.median(fit.p[index, LN_W]))),
        trail_px=float(np.median(shapes.trail_px[index])) if trailed else 0.0,
        wing=fit.wing,
    )


def mean_star(
    stamps: Stamps, fit: StarFits, shapes: Shapes, good: NDArray[np.bool_], elongated: bool, gain: float | None = None
) -> MeanStar | None:
    """Average what the fits leave of the brightest good stars.

    Parameters
    ----------
    stamps : Stamps
    fit : StarFits
        Of the stamps, ellipses or moved round stars.
    shapes : Shapes
        The axes that the fit gives.
    good : ndarray of bool, shape (n_stars,)
        Stars to average.
    elongated : bool
        Whether the typical star has a long axis; if not, only round departures are looked for.
    gain : float or None
        Electrons an ADU.

    Returns
    -------
    MeanStar or None
        None with fewer than five good stars.
    """
    index = np.flatnonzero(good & _usual(fit, good))
    if len(index) < 5:
        return None
    # By flux alone: the sky's noise is known so roughly star by star that it would change which ones are taken.
    index = index[np.argsort(-fit.p[index, FLUX], kind="stable")][:MOST_STARS]
    part, p = stamps.part(index), fit.p[index]
    typical = _typical(fit, shapes, index)
    rule = pixel_rule(typical.short_px)
    model = StarFits(p, fit.covariance[index], fit.chi2[index], fit.converged[index], fit.wing, fit.profile).models(
        part.grid, rule
    )
    residual = part.values - model - p[:, SKY, None].astype(np.float32)
    turbulent, air_error = None, 0.0
    if rule.parts > 1 and fit.profile is evaluate:
        air = turbulent_air(part, p, fit.wing, rule, gain, KNOTS[:-1])
        residual, turbulent, air_error = residual - air.explained, air.departure, air.size_error
    _, volume, _ = wing_terms(fit.wing)
    peak = (p[:, FLUX] * volume * 4 * np.exp(-2 * p[:, LN_W]) / np.pi).astype(np.float32)[:, None]
    peak *= np.float32(typical.unscaled(np.zeros(1), np.zeros(1))[0])
    # Stars as bright as that differ from each other by more than their noise: none may rule the mean.
    weight = part.usable * (peak / part.noise[:, None]) ** 2 / (1 + (0.01 * peak / part.noise[:, None]) ** 2)
    near, along, across, basis = _basis(part.half, p, shapes.fwhm_px[index], typical, elongated)
    residual, weight = (residual / peak).ravel()[near], weight.ravel()[near]
    n = len(KNOTS) - 1
    usual = _expected(fit.wing, len(index)) if turbulent is None else np.zeros(n)
    expected = np.pad(usual, (0, len(basis) - n))
    departure, covariance = _least_squares(residual, weight, basis, PRIOR)
    plain = float(np.interp(_excess_sigma(departure[:n], covariance[:n, :n]), IN_DOUBT, (0, 1)))
    if plain < 1:
        prior = DOUBTFUL_PRIOR * (PRIOR / DOUBTFUL_PRIOR) ** plain
        departure, covariance = _least_squares(residual, weight, basis, prior, expected)
    even, twice = departure[:n], np.zeros(n)
    if elongated and _excess_sigma(departure[n:], covariance[n:, n:]) > SIGNIFICANT:
        twice = departure[n:]
    rest = residual - np.concatenate([even, twice])[: len(basis)].astype(np.float32) @ basis
    even = even if turbulent is None else even + turbulent
    zero = np.zeros_like(RADII)
    long_cut = typical.profile(RADII * typical.long_px / 2, zero)
    short_cut = typical.profile(zero, RADII * typical.short_px / 2)
    factors = [
        _half_maximum(RADII, cut + (even + sign * twice) @ _curves()) / _half_maximum(RADII, cut)
        for sign, cut in ((1, long_cut), (-1, short_cut))
    ]
    at_half = int(np.argmin(np.abs(KNOTS - 1)))
    slope = float(np.interp(0.99, RADII, short_cut) - np.interp(1.01, RADII, short_cut)) / 0.02
    error = float(np.hypot(np.sqrt(covariance[at_half, at_half]) / slope, air_error))
    shear_error = float(2 * np.sqrt(covariance[n + at_half, n + at_half]) / slope) if twice.any() else 0.0
    image, pixel = _draw(typical, even, twice)
    star = MeanStar(factors[0], factors[1], error, shear_error, image, pixel)
    shown = _shown(fit, index, typical, even, twice)
    left = LeftOver(along, across, rest, weight)
    axes = contour_axes(*shown.maps, left, shown.axes_px, (typical.long_px, typical.short_px), round_star=not elongated)
    return star if axes is None else _refereed(star, axes, typical)


def _expected(wing: float, n_stars: int) -> F64:
    """The departure expected of some stars before they are looked at."""
    return HALF_TURBULENT * float(np.interp(wing, *TURBULENT_WINGS)) * min(FEW_STARS / n_stars, 1.0)


def _refereed(star: MeanStar, axes: ContourAxes, typical: _Typical) -> MeanStar:
    """The mean star with the axes of its contour where these are not those inferred before, by more than their errors.

    By degrees, so that no frame's FWHM jumps; the error then holds the contour's own and a part of the difference.
    """
    long_factor, short_factor = axes.long_px / typical.long_px, axes.short_px / typical.short_px
    long_error, short_error = axes.long_error_px / typical.long_px, axes.short_error_px / typical.short_px
    apart = np.array([long_factor - star.long_factor, short_factor - star.short_factor])
    sigma = np.hypot([long_error, short_error], star.factor_error)
    doubt = float(np.interp(np.abs(apart / sigma).max(), CONTOUR_STANDS, (0, 1)))
    if doubt == 0:
        return star
    size_error = np.hypot(long_error, short_error) / 2
    return replace(
        star,
        long_factor=star.long_factor + doubt * float(apart[0]),
        short_factor=star.short_factor + doubt * float(apart[1]),
        factor_error=float(np.hypot(max(star.factor_error, doubt * size_error), DIFFERENCE * doubt * apart.mean())),
        shear_error=float(np.hypot(max(star.shear_error, 2 * doubt * size_error), DIFFERENCE * doubt * np.ptp(apart))),
    )


@dataclass(frozen=True, slots=True)
class _Shown:
    """The typical star as pixels blur it."""

    maps: tuple[F64, F64]
    """The function fitted, and the same with the departure from it, at `PLACES`."""
    axes_px: tuple[float, float]
    """Of the function."""


def _shown(fit: StarFits, index: NDArray[np.intp], typical: _Typical, even: F64, twice: F64) -> _Shown:
    """Blur the typical star by the pixel."""
    p = np.median(fit.p[index], axis=0)[None, :]
    p[:, [X, Y, SKY]] = 0
    p[:, FLUX] = 1.0
    own = shapes_of(replace(fit.part(index[:1]), p=p))
    long_half, short_half = typical.long_px / 2, typical.short_px / 2
    c, s = np.cos(typical.pa), np.sin(typical.pa)
    along, across = (at.ravel() for at in np.meshgrid(PLACES * long_half, PLACES * short_half))
    grid = StampGrid((c * along - s * across).astype(np.float32), (s * along + c * across).astype(np.float32))
    light = light_of_stars(p, fit.wing, grid, PixelRule(2), fit.profile)[0].astype(float)
    _, volume, _ = wing_terms(fit.wing)
    peak = volume * 4 * np.exp(-2 * p[0, LN_W]) / np.pi * typical.unscaled(np.zeros(1), np.zeros(1))[0]
    departure = np.zeros_like(light)
    for u, v, share in _points_in_pixel(typical.short_px):
        a, b = (along + c * u + s * v) / long_half, (across + c * v - s * u) / short_half
        departure += share * _departure(a, b, even, twice)
    shape = len(PLACES), len(PLACES)
    function = (light / peak).reshape(shape)
    axes = shear.half_maximum_axes(own.fwhm_px[0], np.hypot(own.e1[0], own.e2[0]))
    return _Shown((function, function + departure.reshape(shape)), axes)


def _usual(fit: StarFits, good: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Stars of the usual width and shape for their errors: the brightest objects of a crowd are unseen pairs."""
    keep = np.ones(len(fit.p), bool)
    if good.sum() < 10:
        return keep
    for column in (LN_W, E1, E2):
        off = fit.p[:, column] - np.median(fit.p[good, column])
        spread = robust.spread(off[good])
        error = np.sqrt(np.maximum(fit.covariance[:, column, column], 0))
        keep &= np.abs(off) < UNUSUAL * np.minimum(np.hypot(error, 0.01), max(spread, 1e-6))
    return keep


def _cardinal(radius: F64) -> F64:
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
def _curves() -> F64:
    """The cardinal functions at `RADII`."""
    return _cardinal(RADII)


def _departure(a: F64, b: F64, even: F64, twice: F64) -> F64:
    """The departure from the function at places on the long and the short axis. [half-widths along them]"""
    radius = np.hypot(a, b)
    out: F64 = np.interp(radius, RADII, even @ _curves())
    if twice.any():
        out += np.interp(radius, RADII, twice @ _curves()) * (a**2 - b**2) / np.maximum(radius**2, 1e-9)
    return out


def _slopes_at_knots(knots: F64, values: F64) -> F64:
    """Slopes of cubic splines with two continuous derivatives and flat ends, shape as values: (n_knots, n_splines)."""
    width = np.diff(knots)
    steps = 3 * np.diff(values, axis=0) / width[:, None] ** 2
    matrix = np.diag(2 / width[:-1] + 2 / width[1:]) + np.diag(1 / width[1:-1], 1) + np.diag(1 / width[1:-1], -1)
    slopes = np.zeros_like(values)
    slopes[1:-1] = np.linalg.solve(matrix, steps[:-1] + steps[1:])
    return slopes


def _basis(
    half: int, p: F64, fwhm_px: F64, typical: _Typical, elongated: bool
) -> tuple[NDArray[np.intp], NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """The cardinal functions averaged over each pixel that they reach, then the same times cos(2 angle).

    Returns
    -------
    near : ndarray, shape (n_near,)
        Places of these pixels among those of all stars.
    basis : ndarray, shape (n_functions, n_near)
    """
    grid = np.arange(-half, half + 1, dtype=np.float32)
    c, s = np.float32(np.cos(typical.pa)), np.float32(np.sin(typical.pa))
    stretch = np.sqrt(typical.long_px / typical.short_px)
    scales = ((2 * factor / fwhm_px).astype(np.float32)[:, None, None] for factor in (1 / stretch, stretch))
    long_scale, short_scale = (np.broadcast_to(scale, (len(p), len(grid), len(grid))) for scale in scales)
    dx = grid[None, None, :] - p[:, X].astype(np.float32)[:, None, None]
    dy = grid[None, :, None] - p[:, Y].astype(np.float32)[:, None, None]
    along, across = long_scale * (dx * c + dy * s), short_scale * (dy * c - dx * s)
    near = np.flatnonzero(np.hypot(along, across) < KNOTS[-1] + short_scale)  # and a pixel's own reach
    along, across, long_scale, short_scale = (a.reshape(-1)[near] for a in (along, across, long_scale, short_scale))
    steps, n = len(RADII) - 1, len(KNOTS) - 1
    table = _curves().astype(np.float32)
    total = np.zeros((2 * n if elongated else n, len(near)), np.float32)
    for u, v, share in _points_in_pixel(typical.short_px):
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


def _points_in_pixel(short_px: float) -> list[tuple[float, float, float]]:
    """Gauss and Legendre's x, y and weight of points that average the cardinal functions over a pixel. [px, px, 1]"""
    n = 1 if short_px > 4.2 else 2 if short_px > 3.2 else 3 if short_px > 2.2 else 4  # chosen: one for each knot inside
    at, weight = gauss_legendre(n)
    return [(u / 2, v / 2, a * b / 4) for u, a in zip(at, weight, strict=True) for v, b in zip(at, weight, strict=True)]


def _least_squares(
    residual: NDArray[np.float32],
    weight: NDArray[np.float32],
    basis: NDArray[np.float32],
    prior: float,
    expected: F64 | float = 0.0,
) -> tuple[Any, Any]:
    """Heights of the basis functions, and their covariance; known before: those expected, by as much and by `prior`."""
    expected, weighted = np.broadcast_to(expected, len(basis)), basis * weight
    known = np.linalg.inv(prior**2 * np.eye(len(basis)) + np.outer(expected, expected))
    covariance = np.linalg.inv((weighted @ basis.T).astype(float) + known)
    return covariance @ ((weighted @ residual).astype(float) + known @ expected), covariance


def _excess_sigma(values: F64, covariance: F64) -> float:
    """How far the chi-square of values against zero stands above what noise gives. [sigma]"""
    chi2 = float(values @ np.linalg.solve(covariance, values))
    return (chi2 - len(values)) / float(np.sqrt(2 * len(values)))


def _half_maximum(radius: F64, value: F64) -> float:
    """Radius of the outermost half-maximum of a profile; 1 if it does not fall to a half."""
    level = value.max() / 2
    last = int(np.flatnonzero(value > level)[-1])
    if last + 1 >= len(radius):
        return 1.0
    step = radius[1] - radius[0]
    return float(radius[last] + step * (value[last] - level) / (value[last] - value[last + 1]))


def _draw(typical: _Typical, even: F64, twice: F64) -> tuple[NDArray[np.float32], float]:
    """The mean star on a fine grid, 3 FWHM wide."""
    n = 61
    pixel = 3 * float(np.sqrt(typical.long_px * typical.short_px)) / n
    grid = (np.arange(n) - n // 2) * pixel
    c, s = np.cos(typical.pa), np.sin(typical.pa)
    along, across = grid[None, :] * c + grid[:, None] * s, grid[:, None] * c - grid[None, :] * s
    image = typical.profile(along, across)
    image += _departure(2 * along / typical.long_px, 2 * across / typical.short_px, even, twice)
    return (image / image.max()).astype(np.float32), float(pixel)
