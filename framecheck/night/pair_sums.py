"""Sums over all pairs of frames, in time that grows with the frames and not with their pairs."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LEFT_OUT: Final = 1e-12
"""Part of a frame's overlap with itself that the factors may leave out. Chosen: sums are then those over the pairs to
some 1e-13, which is what adding up millions of numbers leaves of their last digits."""


def overlap(one: Floats, other: Floats) -> Floats:
    """How two Gaussian stars on each other act on depth and on detail; shape (..., 4).

    The integral of P1 P2, then xx, yy and xy of the integral of grad P1 (grad P2)^T, up to constants, from squared
    widths xx, yy, xy, shape (..., 3). [px²] For Gaussians of covariance C1 and C2 the integral of P1 P2 is 1 / (2 pi
    sqrt(det S)) with S = C1 + C2, and that of the gradients the same times S^-1. Closed form.
    """
    xx, yy, xy = np.moveaxis(one + other, -1, 0)
    determinant = xx * yy - xy**2
    area = 1 / np.sqrt(determinant)
    return np.stack([area, yy * area / determinant, xx * area / determinant, -xy * area / determinant], axis=-1)


_TO_PRODUCTS: Final = np.array([[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0], [0, 1, 1, 2.0]])
"""From the columns of `overlap` to integrals of one function of each frame with the same of the other: of P, and of its
slopes along x, y and the diagonal (1, 1)."""
_FROM_PRODUCTS: Final = np.linalg.inv(_TO_PRODUCTS)


@dataclass(frozen=True, slots=True)
class PairSums:
    """The overlaps of all pairs of frames, as products of factors: row i of a factor times row j of it.

    Notes
    -----
    Each integral is one of a function of one frame times the same of the other, so that the matrix over all pairs is
    positive semi-definite, and smooth because stars of one night are alike: a pivoted Cholesky factorisation ends after
    some tens of columns, and its error in every pair is bounded by what it leaves of the diagonal (H. Harbrecht, M.
    Peters and R. Schneider, Appl. Numer. Math. 62, 428 (2012)).
    """

    factors: tuple[Floats, ...]
    """One for each product, shape (rank, n) each."""

    def with_all(self, weight: Floats) -> Floats:
        """Sum of every frame's overlap with all others and itself, each by its weight (n,); shape (n, 4)."""
        return self._columns([(factor @ weight) @ factor for factor in self.factors])

    def growing(self, weight: Floats, order: NDArray[np.intp]) -> Floats:
        """Sum over all pairs among the first, the first two, ... of an order, each by both weights; shape (n, 4)."""
        w = weight[order]
        return self._columns([(np.cumsum(factor[:, order] * w, axis=1) ** 2).sum(axis=0) for factor in self.factors])

    def _columns(self, products: list[Floats]) -> Floats:
        out: Floats = np.column_stack(products) @ _FROM_PRODUCTS.T
        return out


def pair_sums(size: Floats) -> PairSums:
    """Prepare sums over pairs of frames whose squared widths are `size`, shape (n, 3). [px²]"""
    own = overlap(size, size) @ _TO_PRODUCTS.T

    def factor(product: int) -> Floats:
        scale = np.sqrt(own[:, product])

        def column(i: int) -> Floats:
            out: Floats = overlap(size, size[i]) @ _TO_PRODUCTS[product] / (scale * scale[i])
            return out

        return _cholesky(column, len(size)) * scale

    return PairSums(tuple(factor(product) for product in range(len(_TO_PRODUCTS))))


def _cholesky(column: Callable[[int], Floats], n: int) -> Floats:
    """Factor, shape (rank, n), of a matrix with ones on its diagonal that is known by its columns."""
    rows = np.empty((min(n, 64), n))
    left = np.ones(n)
    for rank in range(n):
        pivot = int(np.argmax(left))
        if left[pivot] <= LEFT_OUT:
            return rows[:rank]
        if rank == len(rows):
            rows = np.concatenate([rows, np.empty((min(len(rows), n - rank), n))])
        known = rows[:rank]
        rows[rank] = (column(pivot) - known[:, pivot] @ known) / np.sqrt(left[pivot])
        left -= rows[rank] ** 2
        left[pivot] = 0.0
    return rows[:n]
