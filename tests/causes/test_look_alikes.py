"""Causes that move stars alike: where only their union is sure, the likeliest is claimed for all of them."""

import pytest

from framecheck.causes.result import CLAIMED, Finding, Healthy
from framecheck.causes.weigh import claimed_together


def found(cause: str, confidence: float) -> Finding:
    return Finding(cause=cause, confidence=confidence, affected=frozenset({1}), cost=0.2)


def test_two_that_split_the_blame_are_claimed_by_the_likelier_one() -> None:
    split = [found("polar-misalignment", 0.49), found("differential-flexure", 0.25), Healthy(cause="untracked")]
    (claim,) = claimed_together(split, "a guider's log would tell").values()
    assert isinstance(claim, Finding)
    assert claim.cause == "polar-misalignment"
    assert claim.confidence == pytest.approx(0.74)
    assert any("a guider's log would tell" in one.statement for one in claim.evidence)
    assert [rival.cause for rival in claim.rivals] == ["differential-flexure"]


def test_a_union_is_never_as_sure_as_one_cause_may_be() -> None:
    (claim,) = claimed_together([found("periodic-error", 0.48), found("guiding-noise", 0.47)], "").values()
    assert isinstance(claim, Finding)
    assert CLAIMED < claim.confidence <= 0.8


@pytest.mark.parametrize(
    "answers",
    [
        [found("periodic-error", 0.9), found("guiding-noise", 0.3)],  # one is sure by itself
        [found("periodic-error", 0.2), found("guiding-noise", 0.2)],  # even both together are unlikely
        [found("periodic-error", 0.49), Healthy(cause="guiding-noise")],
    ],
    ids=["one is sure", "both unlikely", "one alone"],
)
def test_else_nothing_changes(answers: list) -> None:
    assert claimed_together(answers, "") == {}
