"""Robust statistics against scipy, astropy and what was drawn."""

import astropy.stats
import numpy as np
import pytest
from scipy.optimize import least_squares, linprog

from framecheck import robust


def with_outliers(rng: np.random.Generator, n: int) -> np.ndarray:
    values = rng.normal(5, 1, n)
    values[: n // 10] += 30
    return values


def test_scales_are_astropys() -> None:
    values = with_outliers(np.random.default_rng(1), 101)
    assert robust.mad_std(values) == pytest.approx(astropy.stats.mad_std(values), rel=1e-12)
    rows = values[:100].reshape(10, 10)
    off = rows - np.median(rows, axis=1, keepdims=True)
    np.testing.assert_allclose(robust.spread(off, axis=1), astropy.stats.mad_std(rows, axis=1), rtol=1e-12)


def test_medians_are_numpys() -> None:
    values = np.random.default_rng(2).normal(size=(7, 9))
    values[values > 1] = np.nan
    np.testing.assert_allclose(robust.medians(values, axis=1), np.nanmedian(values, axis=1))
    values[3] = np.nan
    assert np.isnan(robust.medians(values, axis=1)[3])
    label = np.array([0, 2, 2, 0, 2])
    by_label = robust.medians_by(np.arange(5.0), label, 3)
    np.testing.assert_allclose(by_label, [1.5, np.nan, 2.0])
    assert np.isnan(robust.typical(np.array([np.nan])))
    assert robust.typical_of([None, 3.0, 1.0]) == 2.0
    assert robust.typical_of([None]) is None


@pytest.mark.parametrize("most", [1.345, 2.5])
def test_hubers_mean_is_scipys(most: float) -> None:
    rng = np.random.default_rng(3)
    values, error = with_outliers(rng, 60), rng.uniform(0.5, 2, 60)
    truth = least_squares(lambda c: (values - c) / error, [5.0], loss="huber", f_scale=most, xtol=1e-14).x[0]
    assert robust.huber_mean(values, error**-2, most, rounds=60) == pytest.approx(truth, abs=1e-6)
    values[5], error[7] = np.nan, np.inf
    both = robust.huber_mean(np.stack([values, values]), np.stack([error, error]) ** -2.0, most, axis=1)
    assert both[0] == both[1] == pytest.approx(5, abs=1)


def test_a_mean_of_values_that_scatter_more_than_they_say() -> None:
    rng = np.random.default_rng(4)
    pulls = []
    for _ in range(300):
        error = rng.uniform(0.5, 1.5, 40)
        mean, sigma = robust.scattered_mean(7 + rng.normal(0, np.hypot(error, 2.0)), error)
        pulls.append((mean - 7) / sigma)
    assert abs(np.mean(pulls)) < 3 / np.sqrt(300)
    assert np.std(pulls) == pytest.approx(1, abs=3 / np.sqrt(2 * 300))
    mean, sigma, beyond = robust.mean_with_scatter(7 + rng.normal(0, np.hypot(1.0, 2.0), 5000), np.ones(5000))
    assert (mean, sigma, beyond) == pytest.approx((7, np.sqrt(5 / 5000), 4.0), rel=0.1)


def test_scatter_beyond_the_errors() -> None:
    rng = np.random.default_rng(5)
    error = rng.uniform(0.5, 2, 100_001)
    square = (rng.normal(size=len(error)) * np.hypot(error, 1.5)) ** 2
    beyond = robust.excess_variance(square, error**2, robust.MEDIAN_SQUARE[1])
    assert np.median(square / (error**2 + beyond)) == pytest.approx(robust.MEDIAN_SQUARE[1], rel=1e-6)
    assert beyond == pytest.approx(1.5**2, rel=0.05)
    assert robust.excess_variance(0.1 * error**2, error**2, robust.MEDIAN_SQUARE[1]) == 0.0


def test_sizes_that_stand_out_are_held() -> None:
    sizes = np.array([1.0, 1.0, 1.0, 1.0, 40.0])
    assert robust.held_rms(sizes) == pytest.approx(np.sqrt((4 + 1.5**2) / 5))
    rng = np.random.default_rng(6)
    assert robust.held_variance(with_outliers(rng, 2000)) < 2.5
    assert robust.held_variance(rng.normal(0, 3, 5000)) == pytest.approx(9, rel=0.05)


def test_a_linear_fit_that_outliers_do_not_turn() -> None:
    rng = np.random.default_rng(7)
    x = np.linspace(-1, 1, 300)
    design, pulls = np.stack([np.ones_like(x), x]), []
    for _ in range(100):
        values = 2 + 3 * x + rng.normal(0, 0.5, 300)
        values[::15] += 8 * rng.standard_normal(20)
        fit, covariance = robust.huber_fit(design, values, np.full(300, 0.1))
        pulls.append((fit - [2, 3]) / np.sqrt(np.diag(covariance)))
    assert np.all(np.abs(np.mean(pulls, axis=0)) < 3 / np.sqrt(100))
    assert np.std(pulls) == pytest.approx(1, abs=3 / np.sqrt(2 * 200))


def test_a_fit_to_a_quantile_is_that_of_linear_programming() -> None:
    rng = np.random.default_rng(8)
    x = rng.uniform(-1, 1, 80)
    design, values = np.column_stack([np.ones(80), x]), 1 + x + rng.exponential(1, 80)
    found = robust.quantile_fit(design, values, 0.25, least=1e-6, rounds=200)
    # least sum of q u + (1 - q) v with design b + u - v = values, u and v not negative
    cost = np.concatenate([np.zeros(4), np.full(80, 0.25), np.full(80, 0.75)])
    equations = np.hstack([design, -design, np.eye(80), -np.eye(80)])
    truth = linprog(cost, A_eq=equations, b_eq=values).x
    np.testing.assert_allclose(found, truth[:2] - truth[2:4], atol=0.02)


def test_medians_of_values_that_count_differently_are_numpys() -> None:
    rng = np.random.default_rng(2)
    values, weight = rng.standard_normal(2001), rng.uniform(0.1, 3.0, 2001)
    theirs = np.quantile(values, 0.5, weights=weight, method="inverted_cdf")
    assert robust.weighted_median(values, weight) == pytest.approx(theirs, abs=0.01)
    assert robust.weighted_median(values, np.full(2001, 0.3)) == pytest.approx(np.median(values), rel=1e-12)
