"""Intervals hold what they say, though the frames of a night resemble each other."""

from math import inf, sqrt

import numpy as np
import pytest
import scipy.stats
from past_nights import remembering

from framecheck.decision.estimate import Estimate, difference, over_stretches, t_quantile
from framecheck.decision.stretches import split_in_stretches


@pytest.mark.parametrize(("freedom", "level"), [(3, 0.95), (7, 0.95), (7, 0.996), (40.5, 0.99)])
def test_quantiles_are_those_of_students_t(freedom: float, level: float) -> None:
    # scipy.stats, an independent route to the same number
    assert t_quantile(level, freedom) == pytest.approx(scipy.stats.t.ppf((1 + level) / 2, freedom), rel=1e-9)


def test_an_error_known_exactly_has_the_normal_quantile() -> None:
    # textbook: 1.959964
    assert t_quantile(0.95, inf) == pytest.approx(1.959964, abs=1e-6)


def test_a_difference_is_that_of_welch() -> None:
    # scipy.stats.ttest_ind with unequal variances: interval of the difference of two means
    rng = np.random.default_rng(5)
    a, b = rng.normal(3, 1, 8), rng.normal(2, 2, 5)
    later, earlier = (
        Estimate(value=x.mean(), down=x.std(ddof=1) / sqrt(len(x)), up=x.std(ddof=1) / sqrt(len(x)), freedom=len(x) - 1)
        for x in (a, b)
    )
    theirs = scipy.stats.ttest_ind(a, b, equal_var=False).confidence_interval(0.95)
    assert difference(later, earlier).interval(0.95) == pytest.approx((theirs.low, theirs.high), rel=1e-9)


def test_uneven_errors_go_to_the_side_they_belong_to() -> None:
    # closed form: the difference is low where the first is low and the second high
    later, earlier = Estimate(value=5, down=3, up=0), Estimate(value=1, down=0, up=4)
    found = difference(later, earlier)
    assert (found.value, found.down, found.up) == (4, 5, 0)


def test_a_scatter_of_known_size_adds_in_quadrature() -> None:
    # closed form, 3-4-5; degrees of freedom by Welch and Satterthwaite: 25² / (3⁴ / 4)
    found = Estimate(value=1, down=3, up=3, freedom=4).with_scatter(4)
    assert (found.down, found.up) == (5, 5)
    assert found.freedom == pytest.approx(625 / (81 / 4))


def test_without_memory_the_error_is_that_of_the_mean() -> None:
    # textbook: s / sqrt(n), for stretches a day apart
    values = [1.0, 2.0, 4.0, 5.0]
    found = over_stretches(values, [np.array([1440.0 * k, 1440.0 * k + 1]) for k in range(4)])
    assert found is not None
    assert found.value == 3
    assert found.down == pytest.approx(np.std(values, ddof=1) / 2, rel=1e-6)


def test_two_stretches_tell_nothing() -> None:
    assert over_stretches([1.0, 2.0, np.nan], [np.zeros(2), np.ones(2), np.ones(2)]) is None


@pytest.mark.parametrize(("hours", "n_frames"), [(1.2, 30), (3, 60), (8, 160)])
def test_the_interval_of_a_night_holds_its_truth_in_95_of_100(hours: float, n_frames: int) -> None:
    # Statement of the interval itself; 1500 nights: standard error of the share 0.6 %, so 4 of them.
    rng = np.random.default_rng(11)
    minutes = np.linspace(0, 60 * hours, n_frames)
    stretches = split_in_stretches(minutes)
    held = 0
    for _ in range(1500):
        walk = remembering(rng, minutes, 15.0)
        found = over_stretches([float(walk[one].mean()) for one in stretches], [minutes[one] for one in stretches])
        assert found is not None
        low, high = found.interval(0.95)
        held += low <= 0 <= high
    assert held / 1500 == pytest.approx(0.95, abs=0.025)
