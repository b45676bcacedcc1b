"""Brightest first, as a stable sort has it; quantiles as numpy has them."""

import numpy as np
import pytest

from framecheck.stars.order import brightest_first, quantiles_of_rows


@pytest.mark.parametrize("n", [0, 1, 2, 1000])
def test_the_order_is_that_of_a_stable_sort(n: int) -> None:
    rng = np.random.default_rng(n)
    light = rng.normal(size=n).astype(np.float32)
    light[: n // 3] = np.rint(light[: n // 3] * 2)  # equal ones, and zeros of either sign
    np.testing.assert_array_equal(brightest_first(light), np.argsort(-light, kind="stable"))


def test_the_largest_and_the_smallest_floats_keep_their_places() -> None:
    light = np.array([0.0, -0.0, 1e-45, -1e-45, 3e38, -3e38, np.inf, -np.inf, 1.0], np.float32)
    np.testing.assert_array_equal(brightest_first(light), np.argsort(-light, kind="stable"))


@pytest.mark.parametrize("n", [1, 2, 7, 20])
def test_quantiles_of_rows_are_those_of_numpy(n: int) -> None:
    rows = np.random.default_rng(n).normal(size=(50, n)).astype(np.float32)
    rows[3, n // 2] = np.nan  # its row has none
    found = quantiles_of_rows(rows, 0.0, 0.25, 0.5, 1.0)
    np.testing.assert_allclose(found, np.percentile(rows, [0, 25, 50, 100], axis=1), rtol=1e-5, atol=1e-6)
