"""How much like turbulent air the stars of an undersampled frame are, and how they depart from the fitted function.

Two pixels and less across, a star hides from its own pixels what lies between a Moffat function and the profile of
turbulent air: the fit takes a part of it for width and wings, which come out 3 to 5 % wrong. All stars together, each
at its own place within a pixel, tell how much of it there is: a share, common to the frame as the wings are.
"""

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np

from framecheck.stars.equations import inverse_variance
from framecheck.stars.fit import USUAL_WING, USUAL_WING_SPREAD
from framecheck.stars.profile import (
    E1,
    E2,
    F32,
    F64,
    FLUX,
    LN_W,
    MAX_WING,
    MIN_WING,
    N_PARAMETERS,
    SKY,
    PixelRule,
    StampGrid,
    X,
    Y,
    contour_terms,
    evaluate,
    wing_terms,
)
from framecheck.stars.stamps import Stamps

WINGS: Final = ((0.05, 0.15, 0.30, 0.38), (0.0, 1.0, 1.0, 0.0))
"""g = 1 / beta, and how much of what is found is believed there. Chosen: fits to turbulent air come out at 0.15 to
0.25; Gaussian stars have none of it, and what has heavier wings than air is out of focus or lop-sided."""

NARROW_PX: Final = (1.6, 1.9)
"""Widths of a star between which it goes over from all to none. [px] Chosen: beyond, the pixels show the departure."""

USUAL_SHARE: Final = 0.3
SHARE_SPREAD: Final = 0.5
"""What is known of the share before: mean and standard deviation. [1] Chosen: stars are anywhere between the two."""

PARTS: Final = 3
"""A pixel is averaged over so many points each way. Chosen: the difference of the two profiles is smooth."""

FARTHEST: Final = 16.0
"""How far out the profile of turbulent air is tabulated. [half-widths] Chosen: beyond all stamps."""


@cache
def turbulent_profile() -> tuple[F64, F64]:
    """Radii in half-widths, and the profile of stars in turbulent air there; 1 in the middle, a half at 1.

    The Fourier transform of exp(-k^(5/3)), for long exposures (D. L. Fried, J. Opt. Soc. Am. 56, 1372 (1966), from
    memory).
    """
    from scipy.special import j0

    k = np.linspace(0, 9, 301)
    radius = np.concatenate([np.arange(0, 8, 0.05), np.arange(8, 40, 0.4)])
    light = (np.exp(-(k ** (5 / 3))) * k * j0(radius[:, None] * k)).sum(axis=1)
    light /= light[0]
    half = float(np.interp(-0.5, -light, radius))
    fine = np.linspace(0, FARTHEST, 801)
    return fine, np.interp(fine, radius / half, np.maximum(light, 0))


@dataclass(frozen=True, slots=True)
class Turbulent:
    """What turbulent air makes of the stars, beyond the function fitted to each."""

    departure: F64
    """Of the typical star from the function, at the radii asked for. [its peak]"""
    size_error: float
    """What the errors of wings and share add to that of all widths. [ln px]"""
    explained: F32
    """Of each star's pixels, what that and the steps of its own parameters explain, shape (n_stars, n_pixels). [ADU]"""


def turbulent_air(stamps: Stamps, p: F64, wing: float, rule: PixelRule, gain: float | None, knots: F64) -> Turbulent:
    """How far the stars, fitted as ellipses with parameters p, are those of turbulent air.

    The departure is told at `knots`, in half-widths of the fitted function. Linear least squares for the steps of each
    star's own parameters, of the common wings and of the common share, the common ones eliminated star by star as in
    `fit.fit_common_wing`. Profiles of either kind, and what lies between them, are scaled alike: half of their peak at
    the same contour.
    """
    model, jacobian = evaluate(p, wing, stamps.grid, rule, wing_slope=True)
    jacobian = np.concatenate([jacobian, _difference(p, wing, stamps.grid)[:, None]], axis=1)
    weight = inverse_variance(stamps, model - p[:, SKY, None].astype(np.float32), gain)
    weighted = jacobian * weight[:, None, :]
    normal = np.matmul(weighted, jacobian.transpose(0, 2, 1)).astype(float)
    slope = np.matmul(weighted, (stamps.values - model)[:, :, None])[:, :, 0].astype(float)
    n = N_PARAMETERS
    own = np.linalg.inv(normal[:, :n, :n] + 1e-9 * np.eye(n) * np.diagonal(normal, axis1=1, axis2=2)[:, None, :n])
    carried = own @ normal[:, :n, n:]
    spread = np.array([USUAL_WING_SPREAD, SHARE_SPREAD]) ** -2
    schur = (normal[:, n:, n:] - normal[:, n:, :n] @ carried).sum(axis=0) + np.diag(spread)
    right = (slope[:, n:] - np.einsum("sij,si->sj", carried, slope[:, :n])).sum(axis=0)
    common = np.linalg.solve(schur, right + spread * np.array([USUAL_WING - wing, USUAL_SHARE]))
    common[1] = np.clip(common[1], 0, 1)
    step = (own @ slope[:, :n, None])[:, :, 0] - carried @ common
    width = float(np.exp(np.median(p[:, LN_W] - np.hypot(p[:, E1], p[:, E2]) / 2)))
    known = float(np.interp(wing, *WINGS) * np.interp(width, NARROW_PX, (1, 0)))
    every = known * np.concatenate([step, np.broadcast_to(common, (len(p), 2))], axis=1)
    departure = known * _departure(wing, wing + float(common[0]), float(common[1]), p, step, knots)
    in_size = np.median(carried[:, LN_W], axis=0)
    size_error = known * float(np.sqrt(in_size @ np.linalg.solve(schur, in_size)))
    return Turbulent(departure, size_error, np.einsum("sk,skp->sp", every.astype(np.float32), jacobian))


def _difference(p: F64, wing: float, grid: StampGrid) -> F32:
    """Turbulent air less the fitted function, of one peak and one contour, averaged over pixels."""
    c, volume, _ = wing_terms(wing)
    radius, turbulent = turbulent_profile()
    difference = turbulent - (1 + c * radius**2) ** (-1 / wing)
    contour = contour_terms(p)
    m11, m12, m22 = (m[:, None, None] for m in contour.matrix)
    x, y = np.broadcast_arrays(grid.x, grid.y)
    total = np.zeros((len(p), x.size))
    for u, v in zip(*PixelRule(PARTS).middles, strict=True):
        dx = (x.ravel()[None, :] - p[:, X, None] + u)[:, None]
        dy = (y.ravel()[None, :] - p[:, Y, None] + v)[:, None]
        r2 = (m11 * dx**2 + 2 * m12 * dx * dy + m22 * dy**2)[:, 0]
        total += np.interp(np.sqrt(r2), radius, difference)
    peak = p[:, FLUX] * volume * contour.scale / np.pi
    out: F32 = (total * peak[:, None] / PARTS**2).astype(np.float32)
    return out


def _departure(before: float, after: float, share: float, p: F64, step: F64, knots: F64) -> F64:
    """What lies between the two profiles, after the steps, less the fitted function before them."""
    after = float(np.clip(after, MIN_WING, MAX_WING))
    wider = float(np.exp(np.median(step[:, LN_W])))
    brighter = float(np.median(1 + step[:, FLUX] / p[:, FLUX])) * wing_terms(after)[1] / wing_terms(before)[1]
    own = (1 + wing_terms(before)[0] * knots**2) ** (-1 / before)
    moffat = (1 + wing_terms(after)[0] * (knots / wider) ** 2) ** (-1 / after)
    radius, turbulent = turbulent_profile()
    mixed = (1 - share) * moffat + share * np.interp(knots / wider, radius, turbulent)
    return np.asarray(brighter / wider**2 * mixed - own)
