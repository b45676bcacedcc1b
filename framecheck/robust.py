"""Locations, scales and fits that a few outliers do not turn, each once.

Values beyond so many sigma count less, in proportion: a mean or a least-squares fit that is solved again and again with
the weights min(1, k / pull) is Huber's estimator [1]_, between the mean (k large) and the median (k small). For normal
errors k = 2 keeps 99.0 % of the mean's precision and k = 2.5 keeps 99.8 % (closed form). scipy.stats and astropy.stats
have scales and medians, but no such weights for values with errors, and their loading would slow every start.

.. [1] P. J. Huber, "Robust Estimation of a Location Parameter", Ann. Math. Statist. 35, 73 (1964).
"""

from collections.abc import Iterable
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import SIGMA_PER_MAD

Floats = NDArray[np.float64]

PULL: Final = 2.5
"""Values further off than this count less, in proportion. [sigma] Chosen: 0.2 % of the precision is lost."""

OUTSTANDING: Final = 1.5
"""Motion over that of the upper quarter of the frames, from which one counts no more. [dimensionless] Chosen."""

MEDIAN_SQUARE: Final = {1: 0.454936423119573, 2: 1.386294361119891}
"""Median of chi-square with one and with two degrees of freedom. Closed form: Phi^-1(3/4)² and 2 ln 2."""

FEW: Final = 10
"""Values whose scatter tells a mean's error as well as their own errors do. Chosen: the scatter of ten is known to a
quarter, and errors of fits are about as sure."""

LEAST_PULL: Final = 1e-9
"""Pulls are divided by no less. [sigma] Chosen: far below any that is held."""


def typical(values: NDArray[Any]) -> float:
    """Median of those that are known; NaN where none is.

    Parameters
    ----------
    values : ndarray, any shape
        Of any unit; NaN where unknown.
    """
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")


def typical_of(values: Iterable[float | None]) -> float | None:
    """Median of those that are known; None where none is.

    Parameters
    ----------
    values : iterable of float or None
        Of any unit.
    """
    known = [value for value in values if value is not None]
    return float(np.median(known)) if known else None


def medians(values: NDArray[Any], axis: int) -> Floats:
    """Median of what is known along an axis; NaN where nothing is.

    As `numpy.nanmedian`, without its warnings and, over many short rows, its cost.

    Parameters
    ----------
    values : ndarray, any shape
        NaN or infinite where unknown.
    axis : int
        Along which the medians are taken; it is gone from what is returned.
    """
    known = np.isfinite(values)
    filled = np.sort(np.where(known, values, np.inf), axis=axis)
    n = known.sum(axis=axis, keepdims=True)
    low = np.take_along_axis(filled, np.maximum(n - 1, 0) // 2, axis=axis)
    high = np.take_along_axis(filled, np.maximum(n, 1) // 2 * (n > 1), axis=axis)
    with np.errstate(invalid="ignore"):
        middle = np.where(n > 0, (low.astype(float) + high) / 2, np.nan)
    return np.asarray(np.squeeze(middle, axis=axis))


def medians_by(values: NDArray[Any], label: NDArray[np.intp], n: int, fewest: int = 1) -> Floats:
    """Median of the values of each label, NaN where there are too few.

    Parameters
    ----------
    values : ndarray, shape (n_values,)
    label : ndarray of int, shape (n_values,)
        0 to n - 1.
    n : int
        Labels there are.
    fewest : int
        Values that a median needs.

    Returns
    -------
    ndarray, shape (n,)
    """
    order = np.argsort(label, kind="stable")
    parts = np.split(np.asarray(values, dtype=float)[order], np.cumsum(np.bincount(label, minlength=n))[:-1])
    return np.array([np.median(part) if len(part) >= fewest else np.nan for part in parts])


def weighted_median(values: Floats, weight: Floats) -> float:
    """Value with half of the weight on either side, between its neighbours by straight lines.

    Parameters
    ----------
    values : ndarray, shape (n,)
        One at the least.
    weight : ndarray, shape (n,)
        Above 0.
    """
    order = np.argsort(values, kind="stable")
    middle = np.cumsum(weight[order]) - weight[order] / 2
    return float(np.interp(weight.sum() / 2, middle, values[order]))


def spread(deviations: NDArray[Any], axis: int | None = None) -> Any:
    """Standard deviation of normal numbers, from the median of their absolute deviations (textbook).

    Parameters
    ----------
    deviations : ndarray, any shape
        About their middle, in any unit.
    axis : int, optional
        Along which; else all are taken together.

    Returns
    -------
    float or ndarray
    """
    out = SIGMA_PER_MAD * np.median(np.abs(deviations), axis=axis)
    return float(out) if axis is None else out


def mad_std(values: NDArray[Any]) -> float:
    """Standard deviation of normal numbers about their own median, as `astropy.stats.mad_std`.

    Parameters
    ----------
    values : ndarray, any shape
        Of any unit, all known.
    """
    return float(spread(values - np.median(values)))


def excess_variance(square: Floats, variance: Floats, expected: float) -> float:
    """Variance that must be added to the errors' for the median squared pull to be what chance makes it; none below 0.

    Parameters
    ----------
    square : ndarray, shape (n,)
        Squared residuals.
    variance : ndarray, shape (n,)
        Of each, in the same unit.
    expected : float
        Median of square / variance if the errors are all there is, as `MEDIAN_SQUARE`.

    Notes
    -----
    square / (variance + v) > expected says the same as v < square / expected - variance: half of them do so where v
    is the median of the right side (closed form).
    """
    return max(float(np.median(square / expected - variance)), 0.0)


def held_rms(sizes: Floats) -> float:
    """Root mean square of sizes, those that stand far out held back, or one knock would speak for the night.

    Parameters
    ----------
    sizes : ndarray, shape (n,)
        Not negative, in any unit; at least one.
    """
    return float(np.sqrt(np.mean(held_back(sizes) ** 2)))


def held_back(sizes: Floats) -> Floats:
    """Sizes, those that stand far out of the upper quarter held there.

    Parameters
    ----------
    sizes : ndarray, shape (n,)
        Not negative, in any unit; NaN where unknown, one at least known.
    """
    return np.minimum(sizes, OUTSTANDING * float(np.nanquantile(sizes, 0.75)))


def held_variance(values: Floats, sigmas: float = 3.0) -> float:
    """Variance about the median, values beyond so many robust standard deviations held there.

    For normal errors it is twice as sure as a robust scale, and hardly less sure than a plain variance.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Two at least.
    """
    off = values - np.median(values)
    most = sigmas * float(spread(off))
    return float(np.mean(np.clip(off, -most, most) ** 2)) * len(values) / (len(values) - 1)


def huber_weight(pull: Any, most: float = PULL) -> Any:
    """Weight of residuals in Huber's estimator: 1 up to so many sigma, then falling as 1 / pull [1]_.

    Parameters
    ----------
    pull : float or ndarray, any shape
        Size of the residual over its error. [sigma]
    most : float
        [sigma]
    """
    return np.minimum(1.0, most / np.maximum(pull, LEAST_PULL))


def huber_mean(values: Floats, precision: Floats, most: float = PULL, *, axis: int = -1, rounds: int = 5) -> Floats:
    """Weighted mean along an axis from the median on, outliers counting less; NaN where nothing has weight.

    Parameters
    ----------
    values : ndarray, any shape
        Not finite where unknown.
    precision : ndarray, same shape
        1 / error², 0 where it shall not count.
    most : float
        As of `huber_weight`.
    axis : int
        Along which the mean is taken; it is gone from what is returned.
    rounds : int
        Of reweighting.
    """
    known = (precision > 0) & np.isfinite(values)
    v, w = np.where(known, values, 0.0), np.where(known, precision, 0.0)
    centre = np.expand_dims(medians(np.where(known, values, np.nan), axis=axis), axis)
    with np.errstate(invalid="ignore", divide="ignore"):
        for _ in range(rounds):
            share = w * huber_weight(np.abs(v - centre) * np.sqrt(w), most)
            centre = (share * v).sum(axis=axis, keepdims=True) / share.sum(axis=axis, keepdims=True)
    return np.asarray(np.squeeze(centre, axis=axis))


def scattered_mean(values: NDArray[Any], errors: NDArray[Any]) -> tuple[float, float]:
    """Huber's mean of values that scatter beyond their errors, and its standard error.

    Parameters
    ----------
    values, errors : ndarray, shape (n,)
        Values with their standard errors; what is not finite is left out.

    Returns
    -------
    mean, error : float
        NaN of nothing.

    Notes
    -----
    The scatter of their own is what the median squared deviation has beyond the errors. The mean's error is that of the
    values' scatter, which a few of them do not tell: then more that of their own errors.
    """
    known = np.isfinite(values) & np.isfinite(errors) & (errors > 0)
    v, s = values[known].astype(float), errors[known].astype(float)
    if not len(v):
        return float("nan"), float("nan")
    centre, usual = float(np.median(v)), float(np.median(s**2))
    for _ in range(6):
        own = max(spread(v - centre) ** 2 - usual, 0.0)
        sigma = np.sqrt(s**2 + own)
        weight = huber_weight(np.abs(v - centre) / sigma) / sigma**2
        centre = float((weight * v).sum() / weight.sum())
    scatter = float((weight**2 * (v - centre) ** 2).sum() / weight.sum() ** 2)
    expected = 1 / float((1 / sigma**2).sum())
    return centre, float(np.sqrt((len(v) * scatter + FEW * expected) / (len(v) + FEW)))


def mean_with_scatter(values: Floats, error: Floats) -> tuple[float, float, float]:
    """Weighted mean of values that scatter beyond their errors, without outliers.

    Returns
    -------
    mean, error, variance : float
        The mean, its error, and the variance of the scatter beyond the errors.

    Notes
    -----
    The variance is that with which the weighted sum of squares is what is expected, n - 1. R. C. Paule and J. Mandel,
    J. Res. Natl. Bur. Stand. 87, 377 (1982), from memory.
    """
    beyond = 0.0
    for _ in range(20):
        weight = 1 / (error**2 + beyond)
        mean = np.sum(weight * values) / weight.sum()
        seen = np.sum(weight * (values - mean) ** 2) / max(len(values) - 1, 1)
        beyond = max(0.0, beyond + (seen - 1) / float(np.mean(weight)))
    return float(mean), float(1 / np.sqrt(weight.sum())), beyond


def huber_fit(design: Floats, values: Floats, error: Floats, rounds: int = 6) -> tuple[Floats, Floats]:
    """Huber's linear fit to values that scatter beyond their errors, and its covariance.

    Parameters
    ----------
    design : ndarray, shape (n_terms, n)
        What each coefficient multiplies.
    values, error : ndarray, shape (n,)
    rounds : int
        Of reweighting.

    Returns
    -------
    coefficients : ndarray, shape (n_terms,)
    covariance : ndarray, shape (n_terms, n_terms)
        From the scatter that is seen (H. White, Econometrica 48, 817 (1980), from memory).
    """
    weight = 1 / (error**2 + np.median(error) ** 2)
    fit: NDArray[np.floating] = np.zeros(len(design))
    for _ in range(rounds):
        fit = np.linalg.solve((design * weight) @ design.T, (design * weight) @ values)
        residual = values - fit @ design
        usual = spread(residual) + 1e-9
        weight = huber_weight(np.abs(residual) / np.hypot(usual, error)) / (error**2 + usual**2)
    inverse = np.linalg.inv((design * weight) @ design.T)
    return np.asarray(fit, float), inverse @ ((design * weight**2 * (values - fit @ design) ** 2) @ design.T) @ inverse


def quantile_fit(design: Floats, values: Floats, share: float, *, least: float, rounds: int) -> Floats:
    """Linear fit with a given share of the values below it: quantile regression [2]_, by least squares, reweighted.

    Parameters
    ----------
    design : ndarray, shape (n, n_terms)
    values : ndarray, shape (n,)
    share : float
        Of the values that lie below; 1/2 is the fit of least absolute residuals.
    least : float
        Residuals are divided by no less, in the unit of the values.
    rounds : int
        Of reweighting.

    Returns
    -------
    ndarray, shape (n_terms,)

    References
    ----------
    .. [2] R. Koenker and G. Bassett, "Regression Quantiles", Econometrica 46, 33 (1978), from memory.
    """
    fit: NDArray[np.floating] = np.linalg.lstsq(design, values, rcond=None)[0]
    for _ in range(rounds):
        rest = values - design @ fit
        weight = np.where(rest > 0, share, 1 - share) / np.maximum(np.abs(rest), least)
        weighted = design * weight[:, None]
        fit = np.linalg.lstsq(weighted.T @ design, weighted.T @ values, rcond=None)[0]
    return np.asarray(fit, dtype=float)
