"""The profile of a star: an elliptical Moffat function averaged over pixels, fitted to many stars at once.

The profile is written so that its size and shape mean the same whatever its wings:

    f(r) = F N [1 + (2^g - 1) v]^(-1/g),    v = (r - r0)^T M (r - r0),    g = 1 / beta

`v` is 1 on the half-maximum contour for every `g`, and g -> 0 is the Gaussian. M follows from the FWHM `w` (geometric mean
of the two axes) and the elongation as a conformal shear (e1, e2) = ln(a / b) (cos 2 pa, sin 2 pa):

    M = (2 / w)² [cosh e - (sinh e / e) (e1 Z + e2 X)],    Z = diag(1, -1), X = antidiag(1, 1)

References
----------
.. [1] A. F. J. Moffat, Astron. Astrophys. 3, 455 (1969), from memory: the profile.
.. [2] G. M. Bernstein and M. Jarvis, Astron. J. 123, 583 (2002), from memory: the conformal shear.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]

X, Y, LN_W, E1, E2, FLUX, SKY = range(7)
"""Columns of a table of parameters, shape (n_stars, 7)."""

N_PARAMETERS: Final = 7

MIN_WING: Final = 0.01
MAX_WING: Final = 0.75
"""Bounds of g = 1 / beta: from a Gaussian, for all purposes, to wings far heavier than any sky makes. Chosen."""


@dataclass(frozen=True, slots=True)
class PixelRule:
    """Where in a pixel the profile is evaluated to average it over the pixel.

    One node means the midpoint with the Laplacian correction (exact to the second moment): enough from about 2.5
    pixels FWHM. Below, Gauss-Legendre nodes along each axis.
    """

    offsets: tuple[tuple[float, float, float], ...]
    """(dx, dy, weight) of each node. [px, px, 1]"""

    @property
    def laplacian(self) -> bool:
        """Whether the midpoint is corrected by the Laplacian."""
        return len(self.offsets) == 1


@dataclass(frozen=True, slots=True)
class PixelGrid:
    """Pixels of a stamp against its middle: a square, as one row and one column, or a list. [px]"""

    x: F32
    y: F32
    """Shapes (1, n) and (n, 1) for a square, (n_pixels,) each for a list."""

    @property
    def shape(self) -> tuple[int, ...]:
        """Shape that x and y spread out to."""
        return np.broadcast_shapes(self.x.shape, self.y.shape)


def square_grid(half: int) -> PixelGrid:
    """All pixels of a stamp of 2 half + 1 pixels a side."""
    reach = np.arange(-half, half + 1, dtype=np.float32)
    return PixelGrid(reach[None, :], reach[:, None])


def pixel_rule(narrow_fwhm_px: float) -> PixelRule:
    """The cheapest rule that averages a star of this width (along its short axis) over pixels to 0.1 %."""
    nodes = 1 if narrow_fwhm_px > 2.6 else 2 if narrow_fwhm_px > 2.0 else 3 if narrow_fwhm_px > 1.4 else 5
    at, weight = np.polynomial.legendre.leggauss(nodes)
    return PixelRule(
        tuple(
            (float(u) / 2, float(v) / 2, float(a * b) / 4)
            for u, a in zip(at, weight, strict=True)
            for v, b in zip(at, weight, strict=True)
        )
    )


def contour_matrix(ln_w: F64, e1: F64, e2: F64) -> tuple[F64, F64, F64, F64, F64]:
    """M11, M12, M22 of the half-maximum contour, then sinh(e)/e and its slope over e. [1/px², 1]"""
    e = np.hypot(e1, e2)
    small = e < 1e-3
    safe = np.where(small, 1.0, e)
    sinhc = np.where(small, 1 + e**2 / 6, np.sinh(safe) / safe)
    slope = np.where(small, 1 / 3, (np.cosh(safe) - sinhc) / safe**2)
    scale = 4 * np.exp(-2 * ln_w)
    return (
        scale * (np.cosh(e) - sinhc * e1),
        -scale * sinhc * e2,
        scale * (np.cosh(e) + sinhc * e1),
        sinhc,
        slope,
    )


def wing_terms(wing: float) -> tuple[float, float, float]:
    """C = 2^g - 1; the profile's volume factor c (1 - g) / g; and the logarithmic slope of that factor in g."""
    c = 2.0**wing - 1
    volume = c * (1 - wing) / wing
    return c, volume, np.log(2) * 2**wing / c - 1 / (1 - wing) - 1 / wing


def evaluate(p: F64, wing: float, grid: PixelGrid, rule: PixelRule, *, wing_slope: bool = False) -> tuple[F32, F32]:
    """Profiles averaged over pixels, with their derivatives.

    Parameters
    ----------
    p : ndarray, shape (n_stars, 7)
        Parameters; x and y against the centre of the stamp. [px, px, ln px, 1, 1, ADU, ADU]
    wing : float
        g = 1 / beta, common to the stars.
    grid : PixelGrid
        Pixels of a stamp; a square if the rule takes a Laplacian.
    rule : PixelRule
        Where each pixel is sampled.
    wing_slope : bool
        Whether the derivative in g is wanted too.

    Returns
    -------
    model : ndarray, shape (n_stars, n_pixels)
        [ADU]
    jacobian : ndarray, shape (n_stars, 7 or 8, n_pixels)
        Derivatives by the parameters in their order, then by g.
    """
    jacobian = np.zeros((len(p), N_PARAMETERS + wing_slope, *grid.shape), dtype=np.float32)
    model = np.zeros((len(p), *grid.shape), dtype=np.float32)
    each = (slice(None),) + (None,) * len(grid.shape)
    m11, m12, m22, sinhc, slope = contour_matrix(p[:, LN_W], p[:, E1], p[:, E2])
    scale = 4 * np.exp(-2 * p[:, LN_W])
    c, volume, volume_slope = wing_terms(wing)
    height = p[:, FLUX] * volume * scale / np.pi
    column = {
        name: np.asarray(v, dtype=np.float32)[each]
        for name, v in (
            ("m11", m11), ("m12", m12), ("m22", m22), ("height", height),
            ("sinhc", sinhc * scale), ("slope", slope * scale), ("e1", p[:, E1]), ("e2", p[:, E2]), ("scale", scale),
        )
    }  # fmt: skip
    beta = np.float32(1 / wing)
    c32 = np.float32(c)
    for u, v_off, weight in rule.offsets:
        dx = (grid.x + np.float32(u))[None] - p[:, X].astype(np.float32)[each]
        dy = (grid.y + np.float32(v_off))[None] - p[:, Y].astype(np.float32)[each]
        vx = column["m11"] * dx + column["m12"] * dy
        vy = column["m12"] * dx + column["m22"] * dy
        v = vx * dx + vy * dy
        t = c32 * v + np.float32(1)
        log_t = np.log(t)
        f = np.exp(-beta * log_t)
        f *= column["height"] * np.float32(weight)
        first = f / t
        first *= -beta * c32  # df/dv
        if rule.laplacian:
            ratio = (vx * vx + vy * vy) / t
            ratio *= np.float32(4 * (beta + 1) * c32 / 24)
            corrected = f - first * (ratio - np.float32(2 / 24) * (column["m11"] + column["m22"]))
            model += corrected
        else:
            corrected = f
            model += f
        two_first = first + first
        jacobian[:, X] -= two_first * vx
        jacobian[:, Y] -= two_first * vy
        jacobian[:, LN_W] -= two_first * v + (f + f)
        xx, yy, xy = dx * dx, dy * dy, dx * dy
        isotropic = column["sinhc"] * (xx + yy)
        sheared = column["e1"] * (xx - yy) + np.float32(2) * column["e2"] * xy
        common = isotropic - column["slope"] * sheared
        jacobian[:, E1] += first * (column["e1"] * common - column["sinhc"] * (xx - yy))
        jacobian[:, E2] += first * (column["e2"] * common - np.float32(2) * column["sinhc"] * xy)
        if wing_slope:
            by_wing = np.float32(volume_slope) + log_t * np.float32(beta**2)
            by_wing -= np.float32(beta * np.log(2) * 2**wing) * v / t
            jacobian[:, N_PARAMETERS] += f * by_wing
    if rule.laplacian:
        _average_over_pixels(jacobian[:, : E2 + 1])
        _average_over_pixels(jacobian[:, N_PARAMETERS:])
    jacobian[:, FLUX] = model / p[:, FLUX].astype(np.float32)[each]
    jacobian[:, SKY] = 1
    model += p[:, SKY].astype(np.float32)[each]
    n = model[0].size if len(p) else int(np.prod(grid.shape))
    return model.reshape(len(p), n), jacobian.reshape(len(p), N_PARAMETERS + wing_slope, n)


def _average_over_pixels(images: F32) -> None:
    """Average sampled functions over their pixels, in place, to second order: f + (Laplacian of f) / 24."""
    inner = images[..., 1:-1, 1:-1]
    around = images[..., :-2, 1:-1] + images[..., 2:, 1:-1]
    around += images[..., 1:-1, :-2]
    around += images[..., 1:-1, 2:]
    around *= np.float32(1 / 24)
    inner *= np.float32(1 - 4 / 24)
    inner += around
