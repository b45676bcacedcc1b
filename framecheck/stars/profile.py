"""The profile of a star: an elliptical Moffat function averaged over pixels, fitted to many stars at once.

The profile is written so that its size and shape mean the same whatever its wings:

    f(r) = F N [1 + (2^g - 1) v]^(-1/g),    v = (r - r0)^T M (r - r0),    g = 1 / beta

`v` is 1 on the half-maximum contour for every `g`, and g -> 0 is the Gaussian. M follows from the FWHM `w` (geometric
mean of the two axes) and the elongation as a conformal shear (e1, e2) = ln(a / b) (cos 2 pa, sin 2 pa):

    M = (2 / w)² [cosh e - (sinh e / e) (e1 Z + e2 X)],    Z = diag(1, -1), X = antidiag(1, 1)

References
----------
.. [1] A. F. J. Moffat, A&A 3, 455 (1969): the profile.
.. [2] G. M. Bernstein and M. Jarvis, AJ 123, 583 (2002): the conformal shear.
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

POWERS: Final = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2))
"""Exponents of x and y in `StampGrid.powers`."""

WHERE_IT_BENDS: Final = 2.5
"""v at which the ratio of f'' to f' is taken, for the average of the derivatives over a pixel. Chosen by comparison
with exact ones: at 2 and at 1.3 px FWHM, where a square is as wide as it may be, errors come out right to 9 % (of the
width; of all else 4 %), steps to 0.1 errors, and better for wider stars. The profile itself, and so what the residuals
are, needs no such choice."""

MIN_WING: Final = 0.01
MAX_WING: Final = 0.75
"""Bounds of g = 1 / beta: from a Gaussian, for all purposes, to wings far heavier than any sky makes. Chosen."""


@dataclass(frozen=True, slots=True)
class PixelRule:
    """How the profile is averaged over a pixel: cut into squares, each with the profile at its middle, corrected there.

    Taylor's series averaged over a square of side h: f + h² lap f / 24, and to fourth order h^4 [(f_xxxx + f_yyyy) /
    1920 + f_xxyy / 576]. Closed form.
    """

    parts: int
    """Squares along each side of a pixel."""
    fourth: bool = False
    """Whether the correction goes to fourth order."""
    pixel_px: int = 1
    """Side of what is cut: a pixel, or some that were added up. [px]"""

    @property
    def side(self) -> float:
        """Side of a square. [px]"""
        return self.pixel_px / self.parts

    @property
    def middles(self) -> tuple[F64, F64]:
        """Middles of the squares, along x and along y, against that of the pixel. [px]"""
        along = ((np.arange(self.parts) + 0.5) / self.parts - 0.5) * self.pixel_px
        return np.tile(along, self.parts), np.repeat(along, self.parts)


@dataclass(frozen=True, slots=True)
class StampGrid:
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


def square_grid(half: int) -> StampGrid:
    """All pixels of a stamp of 2 half + 1 pixels a side."""
    reach = np.arange(-half, half + 1, dtype=np.float32)
    return StampGrid(reach[None, :], reach[:, None])


def pixel_rule(narrow_fwhm_px: float, pixel_px: int = 1) -> PixelRule:
    """The cheapest rule that averages a star of this width (along its short axis) over pixels to 0.4 % of its peak.

    Found by comparison with pixels cut into 16 x 16, for beta from 2.5 to 100; below 1 px the error grows, to 0.2 % at
    0.7 px. `pixel_px` pixels a side were added up.
    """
    narrow = narrow_fwhm_px / pixel_px
    parts = 1 if narrow > 1.9 else 2 if narrow > 1.0 else 3
    return PixelRule(parts, fourth=1.9 < narrow <= 2.6, pixel_px=pixel_px)


@dataclass(frozen=True, slots=True)
class ContourTerms:
    """The half-maximum contour of each star: M, and its derivatives by e1 and e2; 11, 12 and 22 elements. [1/px²]"""

    matrix: tuple[F64, F64, F64]
    by_e1: tuple[F64, F64, F64]
    by_e2: tuple[F64, F64, F64]
    scale: F64
    """4 / w², the square root of the determinant of M."""

    def repeated(self, times: int) -> "ContourTerms":
        """Each contour so many times, star by star."""
        if times == 1:
            return self
        forms = (self.matrix, self.by_e1, self.by_e2)
        matrix, by_e1, by_e2 = ((a.repeat(times), b.repeat(times), c.repeat(times)) for a, b, c in forms)
        return ContourTerms(matrix, by_e1, by_e2, self.scale.repeat(times))


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


def evaluate(p: F64, wing: float, grid: StampGrid, rule: PixelRule, *, wing_slope: bool = False) -> tuple[F32, F32]:
    """Profiles averaged over pixels, shape (n_stars, n_pixels) [ADU], with their derivatives by the parameters.

    The parameters p, shape (n_stars, 7), count x and y from the centre of the stamp. [px, px, ln px, 1, 1, ADU, ADU]
    The jacobian, shape (n_stars, 7 or 8, n_pixels), has them in their order, then that by g if `wing_slope`; see
    `derivatives_as_sums` for how exact they are.
    """
    contour, powers, (u, v) = contour_terms(p), grid.powers(), rule.middles
    planes = midpoint_planes(_pieces(p, u, v), contour, wing, grid, rule)
    by_v = planes.by_v.reshape(len(p), len(u), -1)
    sums = np.empty((len(p), len(POWERS) + 2 + wing_slope, powers.shape[1]), np.float32)
    x, y, light, one = powers[1], powers[2], len(POWERS), len(POWERS) + 1
    moments = np.stack([u**a * v**b for a, b in POWERS]).astype(np.float32) @ by_v
    first, across, down, square, mixed, other = moments.swapaxes(0, 1)
    np.multiply(first[:, None], powers, out=sums[:, :light])
    sums[:, 1] += across
    sums[:, 2] += down
    sums[:, 3] += 2 * x * across + square
    sums[:, 4] += x * down + y * across + mixed
    sums[:, 5] += 2 * y * down + other
    sums[:, light], sums[:, one] = _together(planes.light, len(p)), 1
    if wing_slope:
        sums[:, one + 1] = _together(planes.by_wing(wing), len(p))
    of = derivatives_as_sums(p, contour, wing, sums.shape[1], rule.side).astype(np.float32)
    return sums[:, light] + p[:, SKY, None].astype(np.float32), of @ sums


def star_light(p: F64, wing: float, grid: StampGrid, rule: PixelRule) -> F32:
    """Profiles averaged over pixels, without derivatives and without the sky; shape (n_stars, n_pixels). [ADU]"""
    return _together(midpoint_planes(_pieces(p, *rule.middles), contour_terms(p), wing, grid, rule).light, len(p))


def _pieces(p: F64, u: F64, v: F64) -> F64:
    """Each star once for each of the squares of a pixel, so much nearer to the pixel's middle; star by star."""
    out = np.repeat(p, len(u), axis=0)
    out[:, X] -= np.tile(u, len(p))
    out[:, Y] -= np.tile(v, len(p))
    out[:, FLUX] /= len(u)
    return out


def _together(planes: F32, n_stars: int) -> F32:
    """Sum over the squares of each pixel."""
    return planes if len(planes) == n_stars else planes.reshape(n_stars, -1, planes.shape[1]).sum(axis=1)


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


def midpoint_planes(p: F64, contour: ContourTerms, wing: float, grid: StampGrid, rule: PixelRule) -> MidpointPlanes:
    """Profiles averaged over squares around the middle of each pixel, and their derivative by v, to second order.

    There may be several rows of p for each of the contours. The Laplacian of f is 4 f'' r^T M² r + 2 f' tr M; that of
    f' is the same a derivative higher. The k-th derivative of f by v is f times (-c / t)^k beta ... (beta + k - 1).
    """
    c, volume, _ = wing_terms(wing)
    beta, powers, square = 1 / wing, grid.powers(), rule.side**2
    contour = contour.repeated(len(p) // len(contour.scale))
    centre, (m11, m12, m22) = (p[:, X], p[:, Y]), contour.matrix
    t_form = c * quadratic_form(contour.matrix, centre)
    t_form[:, 0] += 1
    steepness = 4 * quadratic_form((m11**2 + m12**2, m12 * (m11 + m22), m12**2 + m22**2), centre)
    trace = (beta * c * 2 / 24 * square * (m11 + m22)).astype(np.float32)[:, None]
    t = t_form.astype(np.float32) @ powers
    bend = (beta * (beta + 1) * c**2 / 24 * square * steepness).astype(np.float32) @ powers
    log_t = np.log(t)
    f = log_t * np.float32(-beta)
    np.exp(f, out=f)
    f *= (p[:, FLUX] * volume * contour.scale / np.pi).astype(np.float32)[:, None]
    inverse_t = np.reciprocal(t, out=t)
    higher = _fourth_order(contour, centre, beta, c, bend, inverse_t, powers, square) if rule.fourth else None
    bend *= inverse_t
    light = bend - trace
    if higher is not None:
        light += higher
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


def _fourth_order(
    contour: ContourTerms,
    centre: tuple[F64, F64],
    beta: float,
    c: float,
    bend: F32,
    inverse_t: F32,
    powers: F32,
    square: float,
) -> F32:
    """The fourth order of Taylor's series over a square, times t / f.

    With the gradient g of v, and f2, f3 and f4 for the derivatives of f by v: f_xxxx = f4 g_x^4 + 12 f3 g_x² M11 +
    12 f2 M11² and f_xxyy = f4 g_x² g_y² + 2 f3 (g_x² M22 + g_y² M11 + 4 g_x g_y M12) + 4 f2 (M11 M22 + 2 M12²).
    `bend` is h² / 24 |g|² times f2 t² / f.
    """
    m11, m12, m22 = contour.matrix
    second = beta * (beta + 1) * c**2 * square**2
    third, fourth = -(beta + 2) * c * second, (beta + 2) * (beta + 3) * c**2 * second
    constant = second * ((m11**2 + m22**2) / 160 + (m11 * m22 + 2 * m12**2) / 144)
    # of g_x², g_x g_y and g_y², which are 4 (M r)_i (M r)_j
    a, b, d = (4 * third * k for k in (m11 / 160 + m22 / 288, m12 / 72, m22 / 160 + m11 / 288))
    mixed = (
        a * m11**2 + b * m11 * m12 + d * m12**2,
        a * m11 * m12 + b * (m11 * m22 + m12**2) / 2 + d * m12 * m22,
        a * m12**2 + b * m12 * m22 + d * m22**2,
    )
    product = 4 * np.sqrt(fourth / 1440) * quadratic_form((m11 * m12, (m11 * m22 + m12**2) / 2, m12 * m22), centre)
    out = product.astype(np.float32) @ powers
    out *= out
    out += bend * bend * np.float32(fourth / 1920 * (24 / (second / square)) ** 2)
    out *= inverse_t
    out += quadratic_form(mixed, centre).astype(np.float32) @ powers
    out *= inverse_t
    out += constant.astype(np.float32)[:, None]
    out *= inverse_t
    return out


def derivatives_as_sums(p: F64, contour: ContourTerms, wing: float, n_sums: int, side: float) -> F64:
    """The derivatives by the parameters as sums of f' times powers, the light, 1, and the derivative by the wings.

    Shape (n_stars, n_parameters, n_sums). Averaged over a square of side h, f' P becomes f' P + (P lap f' + 2 grad f'
    grad P + f' lap P) h² / 24. The first part is in the averaged f'; with f'' = -k f' the others leave a polynomial
    of f'.
    """
    square = side**2
    k = bending(wing) * square
    m11, m12, m22 = contour.matrix
    n = len(POWERS)
    light, sky = n, n + 1
    out = np.zeros((len(p), N_PARAMETERS + n_sums - sky - 1, n_sums))
    for row, (a, b) in ((X, (m11, m12)), (Y, (m12, m22))):
        across, down = -2 * (a - k * (m11 * a + m12 * b)), -2 * (b - k * (m12 * a + m22 * b))
        out[:, row, 0], out[:, row, 1], out[:, row, 2] = -(across * p[:, X] + down * p[:, Y]), across, down
    for row, form in ((LN_W, contour.matrix), (E1, contour.by_e1), (E2, contour.by_e2)):
        q11, q12, q22 = (-2 * q for q in form) if row == LN_W else form
        mixed = q12 * (m11 + m22) + m12 * (q11 + q22)
        less = q11 - 2 * k * (m11 * q11 + m12 * q12), q12 - k * mixed, q22 - 2 * k * (m12 * q12 + m22 * q22)
        out[:, row, :n] = quadratic_form(less, (p[:, X], p[:, Y]))
        out[:, row, 0] += (q11 + q22) / 12 * square
    out[:, LN_W, light] = -2
    out[:, FLUX, light] = 1 / p[:, FLUX]
    out[:, SKY, sky] = 1
    out[:, N_PARAMETERS:, sky + 1 :] = 1
    return out


def bending(wing: float) -> float:
    """How strongly f' falls with v, -f'' / f', where that counts; over 6."""
    c, _, _ = wing_terms(wing)
    return (1 / wing + 1) * c / (1 + c * WHERE_IT_BENDS) / 6


def quadratic_form(k: tuple[F64, F64, F64], centre: tuple[F64, F64]) -> F64:
    """k11 dx² + 2 k12 dx dy + k22 dy² as factors of the powers of x and y, shape (n_stars, 6)."""
    (k11, k12, k22), (x, y) = k, centre
    ax, ay = k11 * x + k12 * y, k12 * x + k22 * y
    return np.stack([ax * x + ay * y, -2 * ax, -2 * ay, k11, 2 * k12, k22], axis=1)
