"""Two star lists laid on each other: pairs of nearest stars, a robust fit, and the odds that chance did it."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust
from framecheck.field.similarity import Floats, Similarity, fit_similarity
from framecheck.night.sources import Sources

FIRST_RADIUS_PX: Final = 4.0
"""[px] Chosen: what the transform of a few triangles may be off by at the corners of the frame."""

LEAST_RADIUS_PX: Final = 0.75
"""[px] Chosen: stars farther off are strangers, however sharp the rest agree."""

BRIGHT: Final = 200
"""Stars of each frame with which a transform is tried. Chosen: enough to be sure, few enough to be quick."""

CUT_SIGMA: Final = 5.0
"""Pairs beyond this many sigma do not count. Chosen: they are strangers."""


@dataclass(frozen=True, slots=True)
class Fit:
    """A transform between two frames, and the stars it rests on."""

    transform: Similarity
    covariance: Floats
    """As of `fit_similarity`, scatter beyond the centroid errors included, shape (4, 4)."""
    reference_rows: NDArray[np.intp]
    frame_rows: NDArray[np.intp]
    rms_px: float
    radius_px: float
    """Distance within which stars count as the same."""
    chance: float
    """Upper bound on the probability that unrelated stars agree so well."""


def align(
    reference: Sources, frame: Sources, start: Similarity, size: tuple[int, int], *, tried: int, given: int = 3
) -> Fit | None:
    """Refine a transform, right to a few pixels, with the bright stars of both frames; None if fewer than four agree.

    `tried` transforms were open to choice: as often could chance have succeeded. `given` stars agree by construction:
    the three of a triangle that made the transform, or the two that a transform given otherwise can be bent to.
    """
    from scipy.spatial import cKDTree

    there, here = reference.brightest(BRIGHT), frame.brightest(BRIGHT)
    tree = cKDTree(there.points)
    transform, radius = start, FIRST_RADIUS_PX
    fit: Fit | None = None
    before: Pairs | None = None
    for _ in range(4):
        pairs = pair_up(there, tree, here, transform, radius)
        if len(pairs[0]) < 4:
            return fit
        if before is not None and all(map(np.array_equal, pairs, before)):
            break  # the same stars give the same fit
        before = pairs
        guess = Fit(transform, np.eye(4), pairs[0], pairs[1], radius, radius, 1.0)
        fit = fit_pairs(there, here, pairs, guess)
        if fit is None:
            return None
        transform = fit.transform
        radius = float(np.clip(CUT_SIGMA * fit.rms_px, LEAST_RADIUS_PX, FIRST_RADIUS_PX))
    assert fit is not None
    n_told = len(fit.reference_rows) - given
    chance = chance_of_match(there, tree, here, transform, size, radius=radius, n_told=n_told)
    return Fit(
        transform, fit.covariance, fit.reference_rows, fit.frame_rows, fit.rms_px, radius, min(1.0, tried * chance)
    )


Pairs = tuple[NDArray[np.intp], NDArray[np.intp]]


def pair_up(reference: Sources, tree: Any, frame: Sources, transform: Similarity, radius: float) -> Pairs:
    """Nearest stars within a radius in the frame [px], each star in one pair only: indices into both lists.

    The tree is a `scipy.spatial.cKDTree` of the reference's places.
    """
    distance, nearest = tree.query(transform.undo(frame.points), distance_upper_bound=radius / transform.scale)
    here = np.flatnonzero(np.isfinite(distance))
    order = here[np.argsort(distance[here], kind="stable")]
    _, first = np.unique(nearest[order], return_index=True)
    here = np.sort(order[first])
    return nearest[here].astype(np.intp), here


def fit_pairs(reference: Sources, frame: Sources, pairs: Pairs, found: Fit) -> Fit | None:
    """Robust fit to paired stars; scatter beyond the centroid errors is found and enters the errors.

    With the radius and the chance of `found`, what the pairs were found with; None if fewer than four stars agree.
    """
    i, j = pairs
    if len(i) < 4:
        return None
    p, q = reference.points[i], frame.points[j]
    variance = frame.variance[j] + _turned(reference.variance[i], found.transform)
    transform, covariance = found.transform, found.covariance
    excess, weight = found.radius_px**2 / CUT_SIGMA**2, np.ones(len(i))
    for step in range(8):
        off = q - transform.apply(p)
        if step:
            excess = _excess_variance(off, variance)
        total = variance + excess
        pull = np.sqrt((off**2 / total).sum(axis=1))
        weight = np.where(pull > CUT_SIGMA, 0.0, robust.huber_weight(pull))
        if (weight > 0).sum() < 4:
            return None
        before = transform
        transform, covariance = fit_similarity(p, q, total, found.transform.centre, weight)
        if step > 1 and abs(transform.shift - before.shift) < 1e-5 and abs(transform.turn - before.turn) < 1e-8:
            break
    used = weight > 0
    off = q[used] - transform.apply(p[used])
    rms = float(np.sqrt((off**2).sum() / (2 * used.sum() - 4)))
    return Fit(transform, covariance, reference.rows[i[used]], frame.rows[j[used]], rms, found.radius_px, found.chance)


def _turned(variance: Floats, transform: Similarity) -> Floats:
    """Variances along the frame's axes of errors given along the reference's."""
    c2 = (transform.turn.real / abs(transform.turn)) ** 2
    out: Floats = variance * c2 + variance[:, ::-1] * (1 - c2)
    return out


def _excess_variance(off: Floats, variance: Floats) -> float:
    """Variance per axis beyond the centroid errors, the four numbers that the fit took allowed for. [px²]"""
    n = len(off)
    expected = robust.MEDIAN_SQUARE[1] * ((2 * n - 4) / (2 * n) if n > 2 else 1)
    return robust.excess_variance((off**2).ravel(), variance.ravel(), expected)


def chance_of_match(
    reference: Sources,
    tree: Any,
    frame: Sources,
    transform: Similarity,
    size: tuple[int, int],
    *,
    radius: float,
    n_told: int,
) -> float:
    """Upper bound on the probability that as many unrelated stars fall on each other within a radius. [px]

    Stars placed at random have lambda = n_1 n_2 pi r² / A neighbours within r in the common area A, and their number is
    Poisson. Where stars crowd, lambda is taken from the pairs that lie a little farther apart, if that is more. Some
    stars agree by construction, so only the others tell: P(N >= n_told).
    """
    from scipy.special import pdtrc

    back = transform.undo(frame.points)
    width, height = size
    inside = (back > -radius).all(axis=1) & (back[:, 0] < width + radius) & (back[:, 1] < height + radius)
    forth = transform.apply(reference.points)
    seen = (forth > -radius).all(axis=1) & (forth[:, 0] < width + radius) & (forth[:, 1] < height + radius)
    u, v = np.meshgrid(np.linspace(0, width, 12), np.linspace(0, height, 12))
    grid = transform.undo(np.column_stack([u.ravel(), v.ravel()]))
    common = ((grid >= 0).all(axis=1) & (grid[:, 0] <= width) & (grid[:, 1] <= height)).mean()
    area = max(float(common), 1 / len(grid)) * width * height
    expected = float(inside.sum() * seen.sum() * np.pi * radius**2 / area)
    wide = 6.0
    near = tree.query_ball_point(back[inside], wide * radius / transform.scale, return_length=True)
    expected = max(expected, float((near.sum() - n_told - 3) / wide**2))
    return 1.0 if n_told <= 0 else float(pdtrc(n_told - 1, max(expected, 1e-12)))
