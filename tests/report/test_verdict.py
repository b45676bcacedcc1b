"""The three sentences: right in number, honest where nothing can be told."""

from dataclasses import replace

import by_hand
import pytest

from framecheck.decision.judgement import Finding, Judgement, MountAnswer, MountDecision
from framecheck.report.account import account_of
from framecheck.report.frame_row import FrameRow, frame_rows
from framecheck.report.verdict import night_title, verdict


def answers(night: Judgement) -> tuple[str, str, str]:
    keep, limits, do = verdict(night, account_of(frame_rows(night)))
    return keep.answer, limits.answer, do.answer


def rows(*grades: str, exposure_s: float | None = 60.0, effective_s: float | None = 30.0) -> list[FrameRow]:
    return [
        FrameRow(file=f"{i}.fits", grade=grade, exposure_s=exposure_s, effective_exposure_s=effective_s)  # type: ignore[arg-type]
        for i, grade in enumerate(grades)
    ]


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (rows("keep", "keep"), "Keep all 2 frames: 60 s effective of 2 min taken."),
        (rows("keep"), "Keep the one frame: 30 s effective of 60 s taken."),
        (rows("reject"), "The one frame is better left out."),
        (
            rows("keep", "doubtful", "reject", "reject"),
            "Keep 1 of 4 frames: 30 s effective of 4 min taken; 1 is doubtful (30 s effective), 2 are better left out.",
        ),
        (
            rows("keep", "keep", "doubtful", effective_s=None),
            "Keep 2 of 3 frames: 2 min of 3 min taken; 1 is doubtful.",
        ),
        (rows("keep", "reject", exposure_s=None, effective_s=None), "Keep 1 of 2 frames; 1 is better left out."),
        ([FrameRow(file="a", status="failed", failure="gone")], "No frame could be measured."),
    ],
)
def test_what_to_keep(given: list[FrameRow], said: str) -> None:
    assert verdict(by_hand.judgement(1), account_of(given))[0].answer == said


def test_without_findings_it_says_that_it_cannot_tell() -> None:
    _, limits, do = answers(by_hand.judgement(10))
    assert limits.startswith("Which cause limits it cannot be told yet; stars are 2.")
    assert "″ wide (FWHM; the sharpest frames reach" in limits
    assert do == "Stack the frames graded keep. Whether the mount is to blame cannot be told yet."


def test_the_strongest_finding_limits_the_night_and_its_cheapest_cure_comes_first() -> None:
    _, limits, do = answers(by_hand.with_causes(by_hand.judgement(10)))
    assert limits == "Polar misalignment, very likely (86 %), which costs 18 % of what the night could give."
    assert do.startswith("Align the polar axis again by drift. The mount can do better than it did")


def test_a_weak_finding_is_told_as_a_suspicion() -> None:
    weak = Finding(cause="dew", confidence=0.3, frames_affected=4, cost=None)
    night = replace(by_hand.judgement(5), findings=(weak,))
    assert answers(night)[1] == "Nothing is sure; the strongest suspicion is dew, possible (30 %)."


def test_what_limits_is_what_costs_most_and_a_trail_in_one_frame_is_told_as_minor() -> None:
    trail = Finding(cause="trail-crossing", confidence=0.9, frames_affected=1, cost=0.001, cures=("Reject outliers.",))
    cloud = Finding(cause="cloud", confidence=0.7, frames_affected=7, cost=0.12, cures=("Wait.",))
    seeing = Finding(cause="poor-seeing", confidence=0.6, frames_affected=10, cost=None)
    night = by_hand.judgement(10)
    _, limits, do = answers(replace(night, findings=(trail, cloud, seeing)))
    assert limits.startswith("Cloud, likely (70 %), which costs 12 % of what the night could give; then poor seeing")
    assert do.startswith("Wait. ")
    _, limits, do = answers(replace(night, findings=(trail,)))
    assert limits.startswith("Nothing that was found costs much (crossing trail in 1 frame); stars are")
    assert do.startswith("Stack the frames graded keep. ")


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        ("not needed", "The mount is not to blame: the stars are round."),
        ("upgrade justified", "The mount holds this rig back, and a better one would pay: the stars are round."),
        ("cannot tell", "Whether the mount is to blame cannot be told yet: the stars are round."),
    ],
)
def test_the_mount(answer: MountAnswer, said: str) -> None:
    decision = MountDecision(answer=answer, because=("The stars are round.",))
    assert answers(replace(by_hand.judgement(3), mount_decision=decision))[2].endswith(said)


def test_the_title_is_targets_and_date_else_the_folder() -> None:
    night = by_hand.judgement(3)
    assert night_title(night, frame_rows(night)) == "M 101, 12 March 2024"
    nameless = replace(night, groups=())
    assert night_title(nameless, []) == "2024-03-12"
