"""Robust least squares for many frames at once: a few terms of each frame, and a few that all frames share."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ROUNDS: Final = 5
"""Rounds of reweighting. Chosen: the weights no longer change."""

HUBER_PULL: Final = 2.5
"""Residual over its error from which on a star pulls no harder. [dimensionless] Chosen: 1 % of stars."""

MEDIAN_SQUARE: Final = {1: 0.454936, 2: 1.386294}
"""Median of chi-square with one and with two degrees of freedom. Closed form (2 ln 2 for two)."""

SAMPLE: Final = 5000
"""Stars that the typical scatter is taken from. Chosen: known to 2 %."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Terms:
    """Coefficients of a model that is linear in them."""

    frame: Floats
    """Shape (n_frames, n_frame_columns)."""
    frame_covariance: Floats
    """Shape (n_frames, n_frame_columns, n_frame_columns), with the doubt of the shared terms in it."""
    shared: Floats
    """Shape (n_shared_columns,)."""
    shared_covariance: Floats
    scatter: float
    """Scatter beyond the given errors, in units of `scale`."""


def fit_terms(
    values: Floats, frame_columns: Floats, shared_columns: Floats, *,
    frame: NDArray[np.intp], error: Floats, scale: Floats, frame_prior: Floats,
) -> Terms:  # fmt: skip
    """Fit terms of each frame and terms shared by all frames together.

    The frames' terms are eliminated one frame at a time (each frame's normal equations are a small block), so that
    the cost grows in proportion to the stars. Huber weights act on a star's residual as a whole, not on each component
    of it, so that the result does not depend on the direction of the axes.

    Parameters
    ----------
    values : ndarray, shape (n_components, n_stars)
        One component for a spin-0 quantity, two for any other.
    frame_columns : ndarray, shape (n_frame_columns, n_components, n_stars)
        What each frame's own coefficients multiply.
    shared_columns : ndarray, shape (n_shared_columns, n_components, n_stars)
        What the shared coefficients multiply; may be empty.
    frame : ndarray of int, shape (n_stars,)
        Frame of each star, ascending from 0 without a gap.
    error : ndarray, shape (n_stars,)
        Standard error of each component, over `scale`. [dimensionless]
    scale : ndarray, shape (n_stars,)
        Unit of the errors, in the unit of `values`.
    frame_prior : ndarray, shape (n_frame_columns,)
        Inverse variance of each frame's terms about zero, known beforehand; keeps a frame solvable whose stars lie so
        that two terms look alike.

    Returns
    -------
    Terms
        With errors of one standard deviation, from the given errors and the scatter seen beyond them.
    """
    n_own = len(frame_columns)
    columns = np.concatenate([frame_columns, shared_columns.reshape(-1, *values.shape), values[None]])
    starts = np.flatnonzero(np.diff(frame, prepend=-1))
    scatter, huber = 0.0, np.ones(len(frame))
    own, shared = np.zeros((len(starts), n_own)), np.zeros(len(columns) - n_own - 1)
    for _ in range(ROUNDS):
        variance = (error**2 + scatter**2) * scale**2
        gram = _gram(columns, huber / variance, starts)
        own, own_covariance, shared, shared_covariance = _solve_blocks(gram, n_own, frame_prior)
        left = residuals(values, frame_columns, shared_columns, frame, own, shared)
        square = np.einsum("cn,cn->n", left, left) / scale**2
        scatter = excess_scatter(square, error, len(values))
        pull = np.sqrt(square / (error**2 + scatter**2))
        huber = np.minimum(1, HUBER_PULL / np.maximum(pull, 1e-9))
    return Terms(
        frame=own, frame_covariance=own_covariance, shared=shared, shared_covariance=shared_covariance, scatter=scatter
    )


def residuals(
    values: Floats, frame_columns: Floats, shared_columns: Floats, frame: NDArray[np.intp], own: Floats, shared: Floats
) -> Floats:
    """What the terms leave of the values, shape (n_components, n_stars)."""
    left = values - np.tensordot(shared, shared_columns.reshape(-1, *values.shape), axes=1)
    for column, coefficient in zip(frame_columns, own.T, strict=True):
        left = left - column * coefficient[frame]
    return left


def excess_scatter(square: Floats, error: Floats, n_components: int) -> float:
    """Scatter that must be added to the errors in quadrature for the median residual to be what chance makes it.

    Parameters
    ----------
    square : ndarray, shape (n,)
        Squared residuals, summed over the components.
    error : ndarray, shape (n,)
        Standard error of each component.
    n_components : int
        1 or 2.

    Returns
    -------
    float
        Zero if the errors alone explain the residuals.
    """
    step = max(1, len(square) // SAMPLE)
    square, variance = square[::step], error[::step] ** 2
    expected = MEDIAN_SQUARE[n_components]
    low, high = 0.0, float(np.median(square)) / expected
    if np.median(square / np.maximum(variance, 1e-30)) <= expected:
        return 0.0
    for _ in range(20):  # the median ratio falls as the scatter grows: halve the interval
        middle = (low + high) / 2
        low, high = (middle, high) if np.median(square / (variance + middle)) > expected else (low, middle)
    return float(np.sqrt(high))


def _gram(columns: Floats, weight: Floats, starts: NDArray[np.intp]) -> Floats:
    """Weighted sums of products of all pairs of columns, frame by frame; shape (n_frames, n, n)."""
    n = len(columns)
    gram = np.empty((len(starts), n, n))
    weighted = columns * weight
    for i, (start, end) in enumerate(zip(starts, np.append(starts[1:], len(weight)), strict=True)):
        here = slice(start, end)
        gram[i] = weighted[:, :, here].reshape(n, -1) @ columns[:, :, here].reshape(n, -1).T
    return gram


def _solve_blocks(gram: Floats, n_own: int, prior: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Coefficients and covariances of frames and shared terms, the frames' eliminated first (Schur complement)."""
    own_block = gram[:, :n_own, :n_own] + np.diag(prior)
    inverse = np.linalg.inv(own_block)
    cross, own_right = gram[:, :n_own, n_own:-1], gram[:, :n_own, -1]
    carried = inverse @ cross
    normal = (gram[:, n_own:-1, n_own:-1] - cross.transpose(0, 2, 1) @ carried).sum(axis=0)
    right = (gram[:, n_own:-1, -1] - np.einsum("fkp,fk->fp", carried, own_right)).sum(axis=0)
    covariance = np.linalg.pinv(normal, hermitian=True)
    shared = covariance @ right
    own = np.einsum("fij,fj->fi", inverse, own_right) - carried @ shared
    return own, inverse + carried @ covariance @ carried.transpose(0, 2, 1), shared, covariance
