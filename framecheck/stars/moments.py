"""Second and third moments and half-flux radii of many stars at once.

Third moments are the spin 1 and spin 3 parts of <z z z*> and <z z z>, z = x + iy. The weight is one round Gaussian
for all stars of a frame, as wide as the typical star. It is a product of a function of x and one of y, so that all
moments of a stamp are two small matrix products, and they are linear in the pixels, so that their errors follow
exactly.

References
----------
.. [1] G. M. Bernstein and M. Jarvis, AJ 123, 583 (2002), arXiv:astro-ph/0107431: Gaussian-weighted moments.
.. [2] Y. Okura, K. Umetsu and T. Futamase, arXiv:astro-ph/0607288: third moments of spin 1 and 3.
"""

from dataclasses import dataclass
from math import comb

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Moments:
    """Moments of each star about its weighted centroid, shape (n_stars,) each."""

    xx: F64
    yy: F64
    xy: F64
    """Second moments, with the weight's own narrowing undone as for a Gaussian star. [px²]"""
    coma1: F64
    coma2: F64
    """x and y part of <z |z|²> / sigma³ (spin 1)."""
    trefoil1: F64
    trefoil2: F64
    """Real and imaginary part of <z³> / sigma³ (spin 3)."""
    third_error: F64
    """Standard error of each third moment."""
    sigma_px: float
    """Standard deviation of the weight."""


def measure_moments(
    images: F32, noise: NDArray[np.floating], x: F64, y: F64, sigma_px: float, rounds: int = 2
) -> Moments:
    """Gaussian-weighted moments of stars without sky, shape (n_stars, n_side, n_side). [ADU]

    The centres, against the middle of the stamp, and the weight, which is made to match the median star, are first
    guesses that follow the light for some rounds.
    """
    half = images.shape[1] // 2
    grid = np.arange(-half, half + 1)
    x, y = x.copy(), y.copy()
    for _ in range(rounds):
        total, table = _moment_table(images, grid, x, y, sigma_px)
        x += np.clip(2 * table[:, 0, 1], -1, 1)
        y += np.clip(2 * table[:, 1, 0], -1, 1)
        xx, yy, xy = _deweighted(table, sigma_px)
        size = np.median((xx + yy)[np.isfinite(xx + yy)]) / 2 if np.isfinite(xx + yy).any() else sigma_px**2
        if 0.25 * sigma_px**2 < size < 4 * sigma_px**2:
            sigma_px = float(np.sqrt(size))
    total, table = _moment_table(images, grid, x, y, sigma_px)
    xx, yy, xy = _deweighted(table, sigma_px)
    cube = sigma_px**3
    return Moments(
        xx=xx,
        yy=yy,
        xy=xy,
        coma1=(table[:, 0, 3] + table[:, 2, 1]) / cube,
        coma2=(table[:, 3, 0] + table[:, 1, 2]) / cube,
        trefoil1=(table[:, 0, 3] - 3 * table[:, 2, 1]) / cube,
        trefoil2=(3 * table[:, 1, 2] - table[:, 3, 0]) / cube,
        third_error=_third_error(noise, total, sigma_px),
        sigma_px=sigma_px,
    )


def _moment_table(images: F32, grid: NDArray[np.intp], x: F64, y: F64, sigma_px: float) -> tuple[F64, F64]:
    """Weighted sum of light, and moments [i, j] = <y^i x^j> for i, j up to 3.

    They are taken about the middles of the stamps, by one product of matrices for all stars, and moved to the centres.
    """
    weights = (
        np.exp((grid[None, :] - centre[:, None]).astype(np.float32) ** 2 * np.float32(-0.5 / sigma_px**2))
        for centre in (x, y)
    )
    across, down = weights
    light = images * across[:, None, :]
    light *= down[:, :, None]
    powers = np.vander(grid, 4, increasing=True).astype(np.float32)
    products = np.einsum("yi,xj->yxij", powers, powers).reshape(len(grid) ** 2, 16)
    table = (light.reshape(len(images), -1) @ products).astype(float).reshape(-1, 4, 4)
    table = _moving(y) @ table @ _moving(x).transpose(0, 2, 1)
    total = table[:, 0, 0].copy()
    return total, table / np.where(total > 0, total, np.nan)[:, None, None]


def _moving(centre: F64) -> F64:
    """Matrices from moments <x^j> to <(x - centre)^i>: binomial coefficients; shape (n_stars, 4, 4)."""
    out = np.zeros((len(centre), 4, 4))
    for i in range(4):
        for j in range(i + 1):
            out[:, i, j] = comb(i, j) * (-centre) ** (i - j)
    return out


def _deweighted(table: F64, sigma_px: float) -> tuple[F64, F64, F64]:
    """Second moments of the Gaussian that, under the weight, has the moments found: (M^-1 - 1/sigma²)^-1."""
    xx, yy, xy = table[:, 0, 2], table[:, 2, 0], table[:, 1, 1]
    det = xx * yy - xy**2
    with np.errstate(invalid="ignore", divide="ignore"):
        a, b, c = yy / det - 1 / sigma_px**2, xx / det - 1 / sigma_px**2, -xy / det
        det = a * b - c**2
        good = (det > 0) & (a > 0)
        return tuple(np.where(good, v / det, np.nan) for v in (b, a, -c))  # type: ignore[return-value]


def _third_error(noise: NDArray[np.floating], total: F64, sigma_px: float) -> F64:
    """Error of a third moment from the sky's noise, the shift of the centroid with it included.

    Under a Gaussian weight of standard deviation s the noise of sum(w x³) has variance n² s^8 pi 15/8, and so on; the
    spin parts mix x³ and x y² (or their like), and the centroid takes 2 s² of the first moment from each spin-1 part:
    the spin-3 part, on which the centroid does not act, sets the scale for both. Closed form.
    """
    # <|Re z³|²> under the squared weight: 3 s² of variance s²/2 per axis, E[(x³ - 3 x y²)²] = 24 (s²/2)³.
    variance = np.pi * sigma_px**2 * 24 * (sigma_px**2 / 2) ** 3
    error: F64 = noise * np.sqrt(variance) / np.where(total > noise, total, np.nan) / sigma_px**3
    return error


def half_flux_radii(images: F32, x: F64, y: F64, flux: F64, guess_px: F64) -> F64:
    """Radius around each centre that holds half of the flux, shape (n_stars,). [px]

    Light is added up in round apertures with soft edges, and the radius of one half is interpolated; NaN where none of
    the apertures, from 0.5 to 1.8 of the guess, brackets it.
    """
    half = images.shape[1] // 2
    grid = np.arange(-half, half + 1)
    across, down = (((grid[None, :] - centre[:, None]) ** 2).astype(np.float32) for centre in (x, y))
    radius = np.sqrt(down[:, :, None] + across[:, None, :])
    steps = np.array([0.5, 0.75, 1.0, 1.3, 1.8])
    inside = []
    for step in steps:
        edge = (step * guess_px + 0.5).astype(np.float32)[:, None, None]
        cover = edge - radius
        np.clip(cover, 0, 1, out=cover)
        inside.append(np.einsum("sij,sij->s", images, cover) / flux)
    share = np.array(inside)
    out = np.full(len(x), np.nan)
    for k in range(len(steps) - 1):
        low, high = share[k], share[k + 1]
        here = np.isnan(out) & (low < 0.5) & (high >= 0.5)
        # Area, not radius, grows in proportion to light near the half.
        area = steps[k] ** 2 + (0.5 - low) / np.where(here, high - low, 1) * (steps[k + 1] ** 2 - steps[k] ** 2)
        out = np.where(here, np.sqrt(np.maximum(area, 0)) * guess_px, out)
    return out
