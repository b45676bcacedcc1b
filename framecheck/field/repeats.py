"""Errors of a fit whose data come in clusters: what one star does in twenty frames is one star's doing."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.field.similarity import Floats

JACKKNIFED: Final = 3000
"""Clusters up to which each is left out in turn. Chosen for speed; of more, none has a weight that matters."""

RIDGE: Final = 1e-6
"""[dimensionless] Part of the whole information below which a term is not known without one cluster. Chosen."""


def variance_by_cluster(
    scores: Floats, columns: Floats, weight: Floats, covariance: Floats, cluster: NDArray[np.intp]
) -> tuple[Floats, Floats]:
    """Variance of shared terms whose residuals are alike within clusters, and the steps without each cluster.

    Shapes (n_shared,) and (n_clusters, n_shared). What each datum adds to the normal equations of the shared terms, the
    frames' own eliminated, is its weighted residual times column, shape (n, n_shared), with these columns, shape
    (n_shared, n_components, n), and weights, shape (n,). The covariance is that of independent data.

    The sandwich of K.-Y. Liang and S. L. Zeger, Biometrika 73, 13 (1986), with every cluster left out in turn, which
    keeps it honest where few stars stand at the rim (J. G. MacKinnon and H. White, J. Econometrics 29, 305 (1985));
    both from memory.
    """
    _, number = np.unique(cluster, return_inverse=True)
    n = int(number.max()) + 1
    score = np.stack([np.bincount(number, one, n) for one in scores.T], axis=1)
    if n > JACKKNIFED:
        steps = score @ covariance
    else:
        unit = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
        scaled = columns * unit[:, None, None]
        p = len(unit)
        information = np.empty((n, p, p))
        for i in range(p):
            for j in range(i, p):
                product = np.sum(scaled[i] * scaled[j], axis=0) * weight
                information[:, i, j] = information[:, j, i] = np.bincount(number, product, n)
        whole = information.sum(axis=0)
        held = RIDGE * np.maximum(np.diag(whole), 1e-12)
        left = whole - information + np.diag(held)
        steps = np.linalg.solve(left, (score * unit)[..., None])[..., 0] * unit
    variance: Floats = (n - 1) / max(n, 1) * np.sum(steps**2, axis=0)
    return variance, steps


def widened(covariance: Floats, variance: Floats) -> Floats:
    """A covariance, shape (n, n), whose variances are at least those given, correlations kept."""
    own = np.diag(covariance)
    factor = np.sqrt(np.maximum(variance / np.maximum(own, 1e-300), 1.0))
    factor = np.where(own > 0, factor, 1.0)
    out: Floats = covariance * np.outer(factor, factor)
    return out
