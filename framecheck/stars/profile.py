"""The profile of a star: an elliptical Moffat function averaged over pixels, fitted to many stars at once.

The profile is written so that its size and shape mean the same whatever its wings:

    f(r) = F N [1 + (2^g - 1) v]^(-1/g),    v = (r - r0)^T M (r - r0),    g = 1 / beta

`v` is 1 on the half-maximum contour for every `g`, and g -> 0 is the Gaussian. M follows from the FWHM `w` (geometric
mean of the two axes) and the elongation as a conformal shear (e1, e2) = ln(a / b) (cos 2 pa, sin 2 pa):

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

    def powers(self) -> F32:
        """1, x, y, x², x y and y² of each pixel, shape (6, n_pixels)."""
        out = np.empty((6, *self.shape), np.float32)
        out[0], out[1], out[2] = 1, self.x, self.y
        out[3], out[4], out[5] = self.x**2, self.x * self.y, self.y**2
        return out.reshape(6, -1)


def square_grid(half: int) -> PixelGrid:
    """All pixels of a stamp of 2 half + 1 pixels a side."""
    reach = np.arange(-half, half + 1, dtype=np.float32)
    return PixelGrid(reach[None, :], reach[:, None])


def pixel_rule(narrow_fwhm_px: float) -> PixelRule:
    """The cheapest rule that averages a star of this width (along its short axis) over pixels to 0.3 % of its peak."""
    nodes = 1 if narrow_fwhm_px > 2.6 else 2 if narrow_fwhm_px > 2.0 else 3 if narrow_fwhm_px > 1.4 else 5
    at, weight = np.polynomial.legendre.leggauss(nodes)
    return PixelRule(
        tuple(
            (float(u) / 2, float(v) / 2, float(a * b) / 4)
            for u, a in zip(at, weight, strict=True)
            for v, b in zip(at, weight, strict=True)
        )
    )


@dataclass(frozen=True, slots=True)
class ContourTerms:
    """The half-maximum contour of each star: M, and its derivatives by e1 and e2; 11, 12 and 22 elements. [1/px²]"""

    matrix: tuple[F64, F64, F64]
    by_e1: tuple[F64, F64, F64]
    by_e2: tuple[F64, F64, F64]
    scale: F64
    """4 / w², the square root of the determinant of M."""


def contour_terms(p: F64) -> ContourTerms:
    """M and its derivatives for a table of parameters."""
    e1, e2 = p[:, E1], p[:, E2]
    e = np.hypot(e1, e2)
    small = e < 1e-3
    safe = np.where(small, 1.0, e)
    sinhc = np.where(small, 1 + e**2 / 6, np.sinh(safe) / safe)
    slope = np.where(small, 1 / 3, (np.cosh(safe) - sinhc) / safe**2)  # of sinh(e)/e, over e
    scale = 4 * np.exp(-2 * p[:, LN_W])
    cosh = np.cosh(e)
    return ContourTerms(
        matrix=(scale * (cosh - sinhc * e1), -scale * sinhc * e2, scale * (cosh + sinhc * e1)),
        by_e1=(
            scale * (sinhc * e1 - sinhc - slope * e1 * e1),
            -scale * slope * e1 * e2,
            scale * (sinhc * e1 + sinhc + slope * e1 * e1),
        ),
        by_e2=(
            scale * (sinhc * e2 - slope * e1 * e2),
            -scale * (sinhc + slope * e2 * e2),
            scale * (sinhc * e2 + slope * e1 * e2),
        ),
        scale=scale,
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
    n = int(np.prod(grid.shape))
    jacobian = np.empty((len(p), N_PARAMETERS + wing_slope, n), dtype=np.float32)
    model = np.empty((len(p), n), dtype=np.float32)
    contour, powers = contour_terms(p), grid.powers()
    _, volume, volume_slope = wing_terms(wing)
    height = (p[:, FLUX] * volume * contour.scale / np.pi).astype(np.float32)[:, None]
    for number, (u, v_off, weight) in enumerate(rule.offsets):
        centre = p[:, X] - u, p[:, Y] - v_off
        terms = _profile_terms(powers, centre, contour, wing, height * np.float32(weight), rule.laplacian)
        _collect(model, terms[0], number)
        for column, values in zip((X, Y, LN_W, E1, E2), terms[1:6], strict=True):
            _collect(jacobian[:, column], values, number)
        if wing_slope:
            f, v, t = terms[6:]
            by_wing = np.log(t) * np.float32(wing**-2) + np.float32(volume_slope)
            by_wing -= np.float32(np.log(2) * 2**wing / wing) * v / t
            _collect(jacobian[:, N_PARAMETERS], f * by_wing, number)
    if rule.laplacian:
        flat, inner = jacobian.reshape(len(p), -1), _inner(grid.shape)
        _average_over_pixels(flat[:, : (E2 + 1) * n], inner, grid.shape[1])
        if wing_slope:
            _average_over_pixels(flat[:, N_PARAMETERS * n :], inner, grid.shape[1])
    np.divide(model, p[:, FLUX].astype(np.float32)[:, None], out=jacobian[:, FLUX])
    jacobian[:, SKY] = 1
    model += p[:, SKY].astype(np.float32)[:, None]
    return model, jacobian


def star_light(p: F64, wing: float, grid: PixelGrid, rule: PixelRule) -> F32:
    """Profiles averaged over pixels, without derivatives and without the sky; shape (n_stars, n_pixels). [ADU]"""
    contour = contour_terms(p)
    if rule.laplacian:
        return midpoint_planes(p, contour, wing, grid).light
    c, volume, _ = wing_terms(wing)
    height, powers = np.log(p[:, FLUX] * volume * contour.scale / np.pi), grid.powers()
    total: F32 | None = None
    for u, v, weight in rule.offsets:
        t_form = c * quadratic_form(contour.matrix, (p[:, X] - u, p[:, Y] - v))
        t_form[:, 0] += 1
        f = t_form.astype(np.float32) @ powers
        np.log(f, out=f)
        f *= np.float32(-1 / wing)
        f += (height + np.log(weight)).astype(np.float32)[:, None]
        np.exp(f, out=f)
        total = f if total is None else np.add(total, f, out=total)
    assert total is not None
    return total


@dataclass(frozen=True, slots=True)
class MidpointPlanes:
    """Profiles evaluated at the middle of each pixel, averaged by the Laplacian; shape (n_stars, n_pixels) each."""

    light: F32
    """The profile without the sky under it. [ADU]"""
    by_v: F32
    """Its derivative by v. [ADU]"""
    log_t: F32
    inverse_t: F32
    """Of t = 1 + (2^g - 1) v."""

    def by_wing(self, wing: float) -> F32:
        """The derivative by g. [ADU]"""
        c, _, volume_slope = wing_terms(wing)
        v_over_t = np.float32(np.log(2) * 2**wing / (wing * c))
        out = self.log_t * np.float32(wing**-2)
        out += v_over_t * self.inverse_t
        out += np.float32(volume_slope) - v_over_t
        out *= self.light
        return out


def midpoint_planes(p: F64, contour: ContourTerms, wing: float, grid: PixelGrid) -> MidpointPlanes:
    """Profiles averaged over pixels by the midpoint rule, as `evaluate` has them, and their derivative by v alone.

    The Laplacian of f is 4 f'' r^T M² r + 2 f' tr M; that of f' is the same a derivative higher.
    """
    c, volume, _ = wing_terms(wing)
    beta, centre, powers = 1 / wing, (p[:, X], p[:, Y]), grid.powers()
    m11, m12, m22 = contour.matrix
    t_form = c * quadratic_form(contour.matrix, centre)
    t_form[:, 0] += 1
    square = m11**2 + m12**2, m12 * (m11 + m22), m12**2 + m22**2
    bend_form = beta * (beta + 1) * c**2 * 4 / 24 * quadratic_form(square, centre)
    trace = (beta * c * 2 / 24 * (m11 + m22)).astype(np.float32)[:, None]
    t, bend = t_form.astype(np.float32) @ powers, bend_form.astype(np.float32) @ powers
    log_t = np.log(t)
    f = log_t * np.float32(-beta)
    np.exp(f, out=f)
    f *= (p[:, FLUX] * volume * contour.scale / np.pi).astype(np.float32)[:, None]
    inverse_t = np.reciprocal(t, out=t)
    bend *= inverse_t
    light = bend - trace
    light *= inverse_t
    light += 1
    light *= f
    bend *= np.float32((beta + 2) / beta)
    bend -= np.float32((beta + 1) / beta) * trace
    bend *= inverse_t
    bend += 1
    f *= inverse_t
    f *= np.float32(-beta * c)
    bend *= f
    return MidpointPlanes(light, bend, log_t, inverse_t)


def _collect(total: F32, values: F32, number: int) -> None:
    """Set the total to the first node's values, and add the others'."""
    if number == 0:
        total[...] = values
    else:
        total += values


def _profile_terms(
    powers: F32, centre: tuple[F64, F64], contour: ContourTerms, wing: float, height: F32, laplacian: bool
) -> tuple[F32, ...]:
    """Profile at points, its derivatives by x, y, ln(w), e1 and e2, then its bare value, v and t.

    All that depends on the shape is a polynomial of the second degree in x and y: a product of two matrices.
    """
    c, _, _ = wing_terms(wing)
    beta, c32 = np.float32(1 / wing), np.float32(c)
    m11, m12, m22 = contour.matrix
    forms = contour.matrix, contour.by_e1, contour.by_e2
    v, by_e1, by_e2 = (quadratic_form(k, centre).astype(np.float32) @ powers for k in forms)
    vx, vy = (_linear_form(k, centre) @ powers[:3] for k in ((m11, m12), (m12, m22)))
    t = c32 * v
    t += 1
    f = np.log(t)
    f *= -beta
    np.exp(f, out=f)
    f *= height
    first = f / t
    first *= -beta * c32  # df/dv
    if laplacian:
        ratio = vx * vx
        ratio += vy * vy
        ratio /= t
        ratio *= np.float32(4 * (1 / wing + 1) * c / 24)
        ratio -= (2 / 24 * (m11 + m22)).astype(np.float32)[:, None]
        ratio *= first
        value = f - ratio
    else:
        value = f
    by_e1 *= first
    by_e2 *= first
    minus_two = np.float32(-2) * first
    by_width = minus_two * v
    by_width -= 2 * f
    vx *= minus_two
    vy *= minus_two
    return value, vx, vy, by_width, by_e1, by_e2, f, v, t


def quadratic_form(k: tuple[F64, F64, F64], centre: tuple[F64, F64]) -> F64:
    """k11 dx² + 2 k12 dx dy + k22 dy² as factors of the powers of x and y, shape (n_stars, 6)."""
    (k11, k12, k22), (x, y) = k, centre
    ax, ay = k11 * x + k12 * y, k12 * x + k22 * y
    return np.stack([ax * x + ay * y, -2 * ax, -2 * ay, k11, 2 * k12, k22], axis=1)


def _linear_form(k: tuple[F64, F64], centre: tuple[F64, F64]) -> F32:
    """k1 dx + k2 dy in the same way, shape (n_stars, 3)."""
    return np.stack([-(k[0] * centre[0] + k[1] * centre[1]), k[0], k[1]], axis=1).astype(np.float32)


def _inner(shape: tuple[int, ...]) -> F32:
    """1/24 for the pixels of a stamp that have four neighbours, 0 at its edge; flat."""
    inner = np.zeros(shape, dtype=np.float32)
    inner[1:-1, 1:-1] = 1 / 24
    return inner.ravel()


def _average_over_pixels(images: F32, inner: F32, side: int) -> None:
    """Average sampled functions over their pixels, in place, to second order: f + (Laplacian of f) / 24.

    The images of each star lie behind each other, shape (n_stars, n_images * n_pixels): long rows are quick, and the
    edges, whose neighbours belong to another row, are left as they are.
    """
    middle = images[:, side:-side]
    change = images[:, : -2 * side] + images[:, 2 * side :]
    change += images[:, side - 1 : -side - 1]
    change += images[:, side + 1 : images.shape[1] - side + 1]
    change -= np.float32(4) * middle
    change *= np.tile(inner, images.shape[1] // len(inner))[side:-side]
    middle += change
