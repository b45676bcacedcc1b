"""Terms of each frame and terms shared by all, by robust least squares over many frames."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust
from framecheck.field.repeats import variance_by_cluster, widened

Floats = NDArray[np.float64]

ROUNDS: Final = 4
"""Rounds of reweighting. Chosen: the weights no longer change."""

CLASSES: Final = 3

FEWEST_OF_A_CLASS: Final = 60
"""Classes of brightness whose scatter is told apart, and stars that each takes. Chosen: known to a tenth."""


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
    """Scatter beyond the given errors, in units of `scale`, of a usual star."""
    mean_error: Floats
    """Error of the mean of each of the frames' terms over all frames, from stars that differ; shape
    (n_frame_columns,)."""


def fit_terms(
    values: Floats,
    frame_columns: Floats,
    shared_columns: Floats,
    *,
    frame: NDArray[np.intp],
    error: Floats,
    scale: Floats,
    frame_prior: Floats,
    star: NDArray[np.intp],
    snr: Floats,
) -> Terms:
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
    star : ndarray of int, shape (n_stars,)
        Number of each star: what is left of one star is taken to be alike in all frames that show it.
    snr : ndarray, shape (n_stars,)
        Signal to noise: bright stars are not doubted for what faint ones do.

    Returns
    -------
    Terms
        With errors of one standard deviation, from the given errors and the scatter seen beyond them, or, if more,
        from how stars differ (`field.repeats`).
    """
    columns = np.concatenate([frame_columns, shared_columns.reshape(-1, *values.shape), values[None]])
    starts = np.flatnonzero(np.diff(frame, prepend=-1))
    scatter, huber = np.zeros(len(frame)), np.ones(len(frame))
    for _ in range(ROUNDS):
        variance = (error**2 + scatter**2) * scale**2
        solved = _solve_blocks(_gram(columns, huber / variance, starts), len(frame_columns), frame_prior)
        left = residuals(values, frame_columns, shared_columns, frame, solved.own, solved.shared)
        square = np.einsum("cn,cn->n", left, left) / scale**2
        scatter = scatter_by_brightness(square, error, snr, len(values))
        huber = robust.huber_weight(np.sqrt(square / (error**2 + scatter**2)))
    by_stars = _by_stars(solved, columns, left, huber / variance, frame, star)
    return solved.terms(*by_stars, scatter=float(np.median(scatter)))


def _by_stars(
    solved: "_Solved", columns: Floats, left: Floats, weight: Floats, frame: NDArray[np.intp], star: NDArray[np.intp]
) -> tuple[Floats, Floats]:
    """Covariance of the shared terms, and errors of the frames' mean terms, with each star's repeats as one."""
    n_own = solved.own.shape[1]
    own_columns, shared_columns = columns[:n_own], columns[n_own:-1]
    own_score = np.einsum("kcn,cn->nk", own_columns, left) * weight[:, None]
    steps = np.zeros((int(star.max()) + 1, len(shared_columns)))
    covariance = solved.covariance
    if len(shared_columns):
        partial = shared_columns - np.einsum("nkp,kcn->pcn", solved.carried[frame], own_columns)
        score = np.einsum("pcn,cn->np", partial, left) * weight[:, None]
        variance, found = variance_by_cluster(score, partial, weight, covariance, star)
        covariance = widened(covariance, variance)
        steps[np.unique(star)] = found
    step = np.einsum("nij,nj->ni", solved.inverse[frame], own_score)
    mean = np.stack([np.bincount(star, one, len(steps)) for one in step.T], axis=1) / len(solved.own)
    mean -= steps @ solved.carried.mean(axis=0).T
    return covariance, np.sqrt(np.sum(mean**2, axis=0))


def residuals(
    values: Floats, frame_columns: Floats, shared_columns: Floats, frame: NDArray[np.intp], own: Floats, shared: Floats
) -> Floats:
    """What the terms leave of the values, shape (n_components, n_stars); arguments as of `fit_terms`."""
    left = values - np.tensordot(shared, shared_columns.reshape(-1, *values.shape), axes=1)
    for column, coefficient in zip(frame_columns, own.T, strict=True):
        left = left - column * coefficient[frame]
    return left


def scatter_by_brightness(square: Floats, error: Floats, snr: Floats, n_components: int) -> Floats:
    """Scatter beyond the errors of each star, shape (n,): what bright stars show is not set by the faint ones.

    As `excess_scatter`, for each third of the stars by their signal to noise; no less for a fainter third.
    """
    if len(square) < CLASSES * FEWEST_OF_A_CLASS or np.quantile(snr, 0.9) < 2 * np.quantile(snr, 0.1):
        return np.full(len(square), excess_scatter(square, error, n_components))
    out, least = np.empty(len(square)), 0.0
    for third in np.array_split(np.argsort(-snr, kind="stable"), CLASSES):
        least = max(least, excess_scatter(square[third], error[third], n_components))
        out[third] = least
    return out


def excess_scatter(square: Floats, error: Floats, n_components: int) -> float:
    """Scatter that must be added to the errors in quadrature for the median residual to be what chance makes it.

    `square` are squared residuals, summed over one or two components, `error` is that of each component.
    """
    return float(np.sqrt(robust.excess_variance(square, error**2, robust.MEDIAN_SQUARE[n_components])))


def _gram(columns: Floats, weight: Floats, starts: NDArray[np.intp]) -> Floats:
    """Weighted sums of products of all pairs of columns, frame by frame; shape (n_frames, n, n)."""
    n = len(columns)
    gram = np.empty((len(starts), n, n))
    for i, (start, end) in enumerate(zip(starts, np.append(starts[1:], len(weight)), strict=True)):
        here = slice(start, end)
        gram[i] = (columns[:, :, here] * weight[here]).reshape(n, -1) @ columns[:, :, here].reshape(n, -1).T
    return gram


@dataclass(frozen=True, slots=True)
class _Solved:
    """Coefficients and covariances, as if all stars were independent."""

    own: Floats
    inverse: Floats
    """Of the frames' terms, the shared ones known; shape (n_frames, n_own, n_own)."""
    carried: Floats
    """How the frames' terms follow the shared ones, shape (n_frames, n_own, n_shared)."""
    shared: Floats
    covariance: Floats
    """Of the shared terms."""

    def terms(self, shared_covariance: Floats, mean_error: Floats, *, scatter: float) -> Terms:
        """The coefficients, with another covariance of the shared ones, which carries over to the frames' own."""
        own = self.inverse + self.carried @ shared_covariance @ self.carried.transpose(0, 2, 1)
        return Terms(
            frame=self.own,
            frame_covariance=own,
            shared=self.shared,
            shared_covariance=shared_covariance,
            scatter=scatter,
            mean_error=mean_error,
        )


def _solve_blocks(gram: Floats, n_own: int, prior: Floats) -> _Solved:
    """Solve for the shared terms, the frames' eliminated first (Schur complement)."""
    own_block = gram[:, :n_own, :n_own] + np.diag(prior)
    inverse: Floats = np.linalg.inv(own_block).astype(np.float64)
    cross, own_right = gram[:, :n_own, n_own:-1], gram[:, :n_own, -1]
    carried = inverse @ cross
    normal = (gram[:, n_own:-1, n_own:-1] - cross.transpose(0, 2, 1) @ carried).sum(axis=0)
    right = (gram[:, n_own:-1, -1] - np.einsum("fkp,fk->fp", carried, own_right)).sum(axis=0)
    covariance = np.linalg.pinv(normal, hermitian=True)
    shared = covariance @ right
    own = np.einsum("fij,fj->fi", inverse, own_right) - carried @ shared
    return _Solved(own, inverse, carried, shared, covariance)
