"""The frame's mean star: what all its stars together say about the profile, beyond the function fitted to each.

A Moffat function is not the shape of every star: seeing has a sharper core, a star out of focus is a ring, a moved
one has a flat top. What a fit leaves of one star drowns in noise; averaged over all stars, ring by ring in units of
each star's own width, it does not. It is added to the function, and the half-maximum contour is read off the sum.
"""

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust, shear
from framecheck.constants import SURE_SIGMA
from framecheck.stars.contour import PLACES, ContourAxes, LeftOver, contour_axes
from framecheck.stars.departure import KNOTS, RADII, basis_over_pixels, curves, departure_at, points_in_pixel
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

N_CURVES: Final = len(KNOTS) - 1

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
    """Average what the fits leave of the brightest good stars; None with fewer than five.

    If the typical star has no long axis only round departures are looked for.
    """
    index = np.flatnonzero(good & _usual(fit, good))
    if len(index) < 5:
        return None
    # By flux alone: the sky's noise is known so roughly star by star that it would change which ones are taken.
    index = index[np.argsort(-fit.p[index, FLUX], kind="stable")][:MOST_STARS]
    part, p = stamps.part(index), fit.p[index]
    typical = _typical(fit, shapes, index)
    residual, turbulent, air_error = _left_by_fit(part, fit.part(index), typical, gain)
    _, volume, _ = wing_terms(fit.wing)
    peak = (p[:, FLUX] * volume * 4 * np.exp(-2 * p[:, LN_W]) / np.pi).astype(np.float32)[:, None]
    peak *= np.float32(typical.unscaled(np.zeros(1), np.zeros(1))[0])
    # Stars as bright as that differ from each other by more than their noise: none may rule the mean.
    weight = part.usable * (peak / part.noise[:, None]) ** 2 / (1 + (0.01 * peak / part.noise[:, None]) ** 2)
    near, along, across, basis = basis_over_pixels(
        part.half, p, shapes.fwhm_px[index], (typical.long_px, typical.short_px), typical.pa, elongated
    )
    residual, weight = (residual / peak).ravel()[near], weight.ravel()[near]
    usual = _expected(fit.wing, len(index)) if turbulent is None else np.zeros(N_CURVES)
    even, twice, covariance = _departures(residual, weight, basis, usual)
    rest = residual - np.concatenate([even, twice])[: len(basis)].astype(np.float32) @ basis
    even = even if turbulent is None else even + turbulent
    star = _with_departures(typical, even, twice, covariance, air_error)
    shown = _shown(fit, index, typical, even, twice)
    left = LeftOver(along, across, rest, weight)
    axes = contour_axes(*shown.maps, left, shown.axes_px, (typical.long_px, typical.short_px), round_star=not elongated)
    return star if axes is None else _refereed(star, axes, typical)


def _left_by_fit(
    part: Stamps, fit: StarFits, typical: _Typical, gain: float | None
) -> tuple[NDArray[np.float32], F64 | None, float]:
    """What the fits leave of the stars [ADU]; of air's departure, where it was taken out, the curve and its error."""
    rule = pixel_rule(typical.short_px)
    residual = part.values - fit.models(part.grid, rule) - fit.p[:, SKY, None].astype(np.float32)
    if rule.parts == 1 or fit.profile is not evaluate:
        return residual, None, 0.0
    air = turbulent_air(part, fit.p, fit.wing, rule, gain, KNOTS[:-1])
    return residual - air.explained, air.departure, air.size_error


def _departures(
    residual: NDArray[np.float32], weight: NDArray[np.float32], basis: NDArray[np.float32], usual: F64
) -> tuple[F64, F64, F64]:
    """Departure alike in all directions, that with twice the angle where it is plain, and the covariance of both."""
    n = N_CURVES
    departure, covariance = _least_squares(residual, weight, basis, PRIOR)
    plain = float(np.interp(_excess_sigma(departure[:n], covariance[:n, :n]), IN_DOUBT, (0, 1)))
    if plain < 1:
        prior = DOUBTFUL_PRIOR * (PRIOR / DOUBTFUL_PRIOR) ** plain
        expected = np.pad(usual, (0, len(basis) - n))
        departure, covariance = _least_squares(residual, weight, basis, prior, expected)
    even, twice = departure[:n], np.zeros(n)
    if len(basis) > n and _excess_sigma(departure[n:], covariance[n:, n:]) > SURE_SIGMA:
        twice = departure[n:]
    return even, twice, covariance


def _with_departures(typical: _Typical, even: F64, twice: F64, covariance: F64, air_error: float) -> MeanStar:
    """The mean star whose axes are those of the function with the departures added."""
    zero = np.zeros_like(RADII)
    long_cut = typical.profile(RADII * typical.long_px / 2, zero)
    short_cut = typical.profile(zero, RADII * typical.short_px / 2)
    factors = [
        _half_maximum(RADII, cut + (even + sign * twice) @ curves()) / _half_maximum(RADII, cut)
        for sign, cut in ((1, long_cut), (-1, short_cut))
    ]
    at_half = int(np.argmin(np.abs(KNOTS - 1)))
    of_twice = N_CURVES + at_half
    slope = float(np.interp(0.99, RADII, short_cut) - np.interp(1.01, RADII, short_cut)) / 0.02
    error = float(np.hypot(np.sqrt(covariance[at_half, at_half]) / slope, air_error))
    shear_error = float(2 * np.sqrt(covariance[of_twice, of_twice]) / slope) if twice.any() else 0.0
    image, pixel = _draw(typical, even, twice)
    return MeanStar(factors[0], factors[1], error, shear_error, image, pixel)


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
    for u, v, share in points_in_pixel(typical.short_px):
        a, b = (along + c * u + s * v) / long_half, (across + c * v - s * u) / short_half
        departure += share * departure_at(a, b, even, twice)
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
    image += departure_at(2 * along / typical.long_px, 2 * across / typical.short_px, even, twice)
    return (image / image.max()).astype(np.float32), float(pixel)
