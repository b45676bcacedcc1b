"""The normal equations of a fit: for many stars at once, weighted by the noise of sky and of the stars' own light.

Two ways to the same matrices. Any profile gives its derivatives pixel by pixel, and they are multiplied. For Moffat
stars that are evaluated at the middle of each pixel there is a shorter way: all their derivatives but two are one
function of the pixel, f' = df/dv, times a polynomial of the second degree in x and y. So their products are moments of
f'² up to the fourth degree: one product of matrices for all stars, instead of 28 products of derivatives for each.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from framecheck.stars.profile import (
    F32,
    F64,
    POWERS,
    SKY,
    PixelRule,
    StampGrid,
    contour_terms,
    derivatives_as_sums,
    evaluate,
    midpoint_planes,
    star_light,
)
from framecheck.stars.stamps import Stamps

Profile = Callable[..., tuple[Any, Any]]
"""`profile.evaluate` or `trails.evaluate_trail`."""

SKY_PRIOR_SIGMA: Final = 0.15
"""How well the mesh knows the sky under a star, in units of a pixel's noise. Chosen: some ten times its statistical
error, so that nebulosity within a mesh does not bend the profile, yet a small stamp need not find the sky alone."""

_PRODUCTS: Final = tuple((n - i, i) for n in range(5) for i in range(n + 1))
"""The same of the products of two of them."""

_PRODUCT_AT: Final = np.array([[_PRODUCTS.index((a + c, b + d)) for c, d in POWERS] for a, b in POWERS])
_PAIRS: Final = tuple(divmod(int(np.argmax(k == _PRODUCT_AT)), len(POWERS)) for k in range(len(_PRODUCTS)))
"""Where a product of two powers is found, and two powers that make it."""


@dataclass(frozen=True, slots=True)
class Equations:
    """What a step of Gauss and Newton needs of each star."""

    normal: F64
    """Shape (n_stars, n_parameters, n_parameters)."""
    slope: F64
    """Right-hand side, shape (n_stars, n_parameters)."""
    chi2: F64
    n_pixels: F64

    @classmethod
    def joined(cls, parts: Sequence["Equations"]) -> "Equations":
        """Those of several sets of stars."""
        names = ("normal", "slope", "chi2", "n_pixels")
        return cls(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))


def normal_equations(
    stamps: Stamps,
    p: F64,
    wing: float,
    rule: PixelRule,
    gain: float | None,
    profile: Profile = evaluate,
    *,
    wing_slope: bool = False,
) -> Equations:
    """Normal equations of stars at given parameters; the sky's level is held near that of the mesh.

    `wing` is g = 1 / beta, common to the stars, and the eighth parameter with `wing_slope`.
    """
    if profile is evaluate and rule.parts == 1:
        out = _by_moments(stamps, p, wing, rule, gain, wing_slope)
    else:
        out = _by_pixels(stamps, p, *profile(p, wing, stamps.grid, rule, wing_slope=wing_slope), gain)
    prior = 1 / (SKY_PRIOR_SIGMA * stamps.noise.astype(float)) ** 2
    out.normal[:, SKY, SKY] += prior
    out.slope[:, SKY] -= prior * p[:, SKY]
    return out


def light_of_stars(p: F64, wing: float, grid: StampGrid, rule: PixelRule, profile: Profile = evaluate) -> F32:
    """Profiles without the sky under them, shape (n_stars, n_pixels). [ADU]"""
    if profile is evaluate:
        return star_light(p, wing, grid, rule)
    model: F32 = profile(p, wing, grid, rule)[0]
    model -= p[:, SKY, None].astype(np.float32)
    return model


def inverse_variance(stamps: Stamps, light: F32, gain: float | None) -> F32:
    """Inverse variance of each pixel under stars of some light, 0 where it does not count. [1/ADU²]

    Shape (n_stars, n_pixels), as the light. Without a gain [e/ADU] the noise of the sky alone counts.
    """
    variance = (stamps.noise**2)[:, None]
    if gain is not None:
        variance = np.maximum(light, 0) * np.float32(1 / gain) + variance
    out: F32 = stamps.usable / variance
    return out


def _by_pixels(stamps: Stamps, p: F64, model: F32, jacobian: F32, gain: float | None) -> Equations:
    weight = inverse_variance(stamps, model - p[:, SKY, None].astype(np.float32), gain)
    residual = stamps.values - model
    weighted = jacobian * weight[:, None, :]
    return Equations(
        normal=np.matmul(weighted, jacobian.transpose(0, 2, 1)).astype(float),
        slope=np.matmul(weighted, residual[:, :, None])[:, :, 0].astype(float),
        chi2=np.einsum("sp,sp,sp->s", weight, residual, residual).astype(float),
        n_pixels=np.count_nonzero(stamps.usable, axis=1).astype(float),
    )


def _by_moments(
    stamps: Stamps, p: F64, wing: float, rule: PixelRule, gain: float | None, wing_slope: bool
) -> Equations:
    """The short way: sums of f' times powers, of the light itself, of 1, and of the derivative by the wings."""
    contour, powers = contour_terms(p), stamps.grid.powers()
    planes = midpoint_planes(p, contour, wing, stamps.grid, rule)
    light, by_v = planes.light, planes.by_v
    weight = inverse_variance(stamps, light, gain)
    residual = stamps.values - light
    residual -= p[:, SKY, None].astype(np.float32)
    pulled = weight * residual
    flat = [light, np.ones((len(p), 1), np.float32)] + ([planes.by_wing(wing)] if wing_slope else [])
    n = len(powers)
    normal, slope = np.empty((len(p), n + len(flat), n + len(flat))), np.empty((len(p), n + len(flat)))
    bent = weight * by_v
    products = np.stack([powers[i] * powers[j] for i, j in _PAIRS]).T
    normal[:, :n, :n] = ((bent * by_v) @ products)[:, _PRODUCT_AT]
    slope[:, :n] = (pulled * by_v) @ powers.T
    for i, one in enumerate(flat, n):
        normal[:, :n, i] = normal[:, i, :n] = (bent * one) @ powers.T
        slope[:, i] = _sum(pulled, one)
        weighted = weight * one
        for j, other in enumerate(flat[: i - n + 1], n):
            normal[:, i, j] = normal[:, j, i] = _sum(weighted, other)
    of = derivatives_as_sums(p, contour, wing, n + len(flat), rule.side)
    return Equations(
        normal=of @ normal @ of.transpose(0, 2, 1),
        slope=(of @ slope[:, :, None])[:, :, 0],
        chi2=_sum(pulled, residual),
        n_pixels=np.count_nonzero(stamps.usable, axis=1).astype(float),
    )


def _sum(a: F32, b: F32) -> F64:
    """Sum of a product over the pixels of each star."""
    return np.einsum("sp,sp->s", *np.broadcast_arrays(a, b)).astype(float)
