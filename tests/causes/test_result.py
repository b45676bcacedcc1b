"""The arithmetic of confidence, and advice for every cause."""

import math
from statistics import NormalDist

import pytest

from framecheck.causes.catalogue import CAUSES
from framecheck.causes.result import Finding, Healthy, all_of, answer, any_of, chance, log_odds_above


@pytest.mark.parametrize("sigma", [-2.0, -0.7, 0.0, 0.4, 1.3, 2.0])
def test_a_measurement_exceeds_a_limit_as_often_as_a_normal_error_says(sigma: float) -> None:
    # closed form: the normal distribution; the logistic one keeps within 0.01 of it
    assert chance(log_odds_above(5.0 + 2.0 * sigma, 5.0, 2.0)) == pytest.approx(NormalDist().cdf(sigma), abs=0.01)


def test_chances_of_independent_things_multiply() -> None:
    # closed form: 0.8 x 0.5 = 0.4; 1 - 0.2 x 0.5 = 0.9
    odds = math.log(4.0)
    assert chance(all_of(odds, 0.0)) == pytest.approx(0.4)
    assert chance(any_of(odds, 0.0)) == pytest.approx(0.9)


def test_the_surest_things_stay_finite() -> None:
    assert math.isfinite(all_of(1e6, 1e6))
    assert math.isfinite(any_of(-1e6, 1e6))
    assert chance(1e6) == pytest.approx(0.98)


def test_a_finding_brings_its_cures_and_weak_odds_are_healthy() -> None:
    found = answer("dew", 2.0, affected=frozenset(range(3)), cost=1.7, evidence=())
    assert isinstance(found, Finding)
    assert found.cures == CAUSES["dew"].cures
    assert found.caution == CAUSES["dew"].caution
    assert found.cost == 1.0
    assert found.confidence == pytest.approx(1 / (1 + math.exp(-2)))
    assert isinstance(answer("dew", -2.0, affected=frozenset(range(0)), cost=None, evidence=()), Healthy)


def test_every_cause_has_a_cure() -> None:
    assert all(cause.fixes for cause in CAUSES.values())
    assert all(fix.step.endswith(".") for cause in CAUSES.values() for fix in cause.fixes)


def test_every_cause_that_another_names_is_one_of_the_table() -> None:
    for cause in CAUSES.values():
        assert {rival.cause for rival in cause.rivals} | {other for other, _ in cause.yields_to} <= set(CAUSES)
