"""The functions of radius in which the mean star's departure is written, against scipy's splines."""

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from framecheck.stars.departure import KNOTS, cardinal


@pytest.mark.parametrize("shape", [(500,), (20, 30)])
def test_cardinal_functions_are_clamped_cubic_splines(shape: tuple[int, ...]) -> None:
    # general library: scipy's CubicSpline with flat ends
    radius = np.random.default_rng(0).uniform(0, KNOTS[-1] - 1e-9, shape)
    spline = CubicSpline(KNOTS, np.eye(len(KNOTS))[:, :-1], bc_type="clamped")
    expected = np.moveaxis(spline(radius), -1, 0)
    np.testing.assert_allclose(cardinal(radius), expected, atol=1e-12)


def test_beyond_the_last_knot_there_is_nothing() -> None:
    assert not cardinal(KNOTS[-1] + np.array([0.0, 1e-6, 5.0])).any()
