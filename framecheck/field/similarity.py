"""Similarity transforms between two frames: turning, scaling and shifting about the image centre."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SCALE_SIGMA: Final = 2e-3
"""[dimensionless] Chosen: what focus, temperature and refraction change the scale by between frames of one camera at
most; it only matters with a handful of stars, whose own say on the scale is weaker."""


@dataclass(frozen=True, slots=True)
class Similarity:
    """p' = c + shift + scale R (p - c), with R a turn counter-clockwise from +x towards +y about the image centre c.

    Kept as the complex numbers that make it one product and one sum: p' - c = turn * (p - c) + shift.
    """

    centre: complex
    turn: complex
    """scale * exp(i rotation)."""
    shift: complex
    """[px]"""

    @property
    def rotation_deg(self) -> float:
        """-180 <= angle < 180."""
        return float((np.degrees(np.angle(self.turn)) + 180) % 360 - 180)

    @property
    def scale(self) -> float:
        """Size of the image against the reference."""
        return float(abs(self.turn))

    def apply(self, points: Floats) -> Floats:
        """Places in this frame of points of the reference frame, shape (n, 2). [px]"""
        return as_points((as_complex(points) - self.centre) * self.turn + (self.centre + self.shift))

    def undo(self, points: Floats) -> Floats:
        """Places in the reference frame of points of this frame, shape (n, 2). [px]"""
        return as_points((as_complex(points) - (self.centre + self.shift)) / self.turn + self.centre)


def as_complex(points: Floats) -> NDArray[np.complex128]:
    """Points, shape (n, 2), as x + iy, shape (n,)."""
    return np.ascontiguousarray(points, dtype=np.float64).view(np.complex128)[:, 0]


def as_points(numbers: NDArray[np.complex128]) -> Floats:
    """Points, shape (n, 2), from x + iy, shape (n,)."""
    return np.ascontiguousarray(numbers).view(np.float64).reshape(-1, 2)


def fit_similarity(
    reference: Floats, frame: Floats, variance: Floats, centre: complex, weight: Floats | None = None
) -> tuple[Similarity, Floats]:
    """Weighted least squares for the four numbers of a similarity transform.

    Parameters
    ----------
    reference, frame : ndarray, shape (n, 2)
        The same stars in both frames. [px]
    variance : ndarray, shape (n, 2)
        Variance of `frame - transform(reference)`, by axis. [px²]
    centre : complex
        Image centre, about which the frame turns. [px]
    weight : ndarray, shape (n,), optional
        Further weights, 0 to 1, from a robust fit.

    Returns
    -------
    transform : Similarity
    covariance : ndarray, shape (4, 4)
        Of real and imaginary part of `turn`, then of `shift`.

    Notes
    -----
    x' = a x - b y + s, y' = b x + a y + t is linear in (a, b, s, t): normal equations, with the scale held near 1 by a
    pseudo-observation along the present turn (`SCALE_SIGMA`). Textbook least squares; closed form.
    """
    p, q = as_complex(reference) - centre, as_complex(frame) - centre
    w = 1 / variance if weight is None else weight[:, None] / variance
    x, y, wx, wy = p.real, p.imag, w[:, 0], w[:, 1]
    ones, zeros = np.ones_like(x), np.zeros_like(x)
    rows_x, rows_y = np.stack([x, -y, ones, zeros]), np.stack([y, x, zeros, ones])
    normal = (rows_x * wx) @ rows_x.T + (rows_y * wy) @ rows_y.T
    right = rows_x @ (wx * q.real) + rows_y @ (wy * q.imag)
    direction = np.vdot(p - p.mean(), q - q.mean())
    unit = direction / abs(direction) if abs(direction) > 0 else 1.0 + 0j
    held = np.array([unit.real, unit.imag, 0.0, 0.0]) / SCALE_SIGMA
    normal += np.outer(held, held)
    right += held / SCALE_SIGMA
    covariance: Floats = np.linalg.inv(normal).astype(np.float64)
    a, b, s, t = covariance @ right
    return Similarity(centre, complex(a, b), complex(s, t)), covariance
