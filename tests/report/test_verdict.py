"""The four sentences: right in number, honest where nothing can be told."""

from dataclasses import replace

import by_hand
import pytest

from framecheck.decision.frame_row import FrameRow
from framecheck.decision.judgement import BudgetTerm, Finding, Judgement, MountAnswer, MountDecision, Range
from framecheck.report.account import account_of
from framecheck.report.verdict import night_title, verdict


def answers(night: Judgement) -> tuple[str, str, str, str]:
    keep, limits, do, mount = verdict(night, account_of(night.rows))
    return keep.answer, limits.answer, do.answer, mount.answer


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
            "Keep 1 of 4 frames: 30 s effective of 4 min taken; 1 doubtful, 2 better left out.",
        ),
        (
            rows("keep", "keep", "doubtful", effective_s=None),
            "Keep 2 of 3 frames: 2 min of 3 min taken; 1 doubtful.",
        ),
        (rows("keep", "reject", exposure_s=None, effective_s=None), "Keep 1 of 2 frames; 1 better left out."),
        ([FrameRow(file="a", status="failed", failure="gone")], "No frame could be measured."),
    ],
)
def test_what_to_keep(given: list[FrameRow], said: str) -> None:
    assert verdict(by_hand.judgement(1), account_of(given))[0].answer == said


def test_without_findings_it_says_that_it_cannot_tell() -> None:
    _, limits, do, mount = answers(by_hand.judgement(10))
    assert limits.startswith("Which cause limits it cannot be told yet; stars are 2.")
    assert "″ wide (FWHM; the sharpest frames reach" in limits
    assert do == "Stack the frames graded keep."
    assert mount == "It cannot be told yet."


def test_the_strongest_finding_limits_the_night_and_its_cheapest_cure_comes_first() -> None:
    _, limits, do, mount = answers(by_hand.with_causes(by_hand.judgement(10)))
    assert limits == "Polar misalignment, very likely (86 %), which costs 18 % of what the night could give."
    assert do == "Align the polar axis again by drift."
    assert mount == (
        "Yes, but it can do better without being replaced: "
        "the mount moved the stars by 0.90″ rms on each axis, where up to 0.60″ would do."
    )


def test_the_mount_is_blamed_in_part_where_something_else_costs_more() -> None:
    blurred = Finding(cause="defocus", confidence=0.9, affected=frozenset(range(10)), cost=0.4, cures=("Focus again.",))
    shaken = Finding(cause="guiding-noise", confidence=0.7, affected=frozenset(range(10)), cost=0.1, cures=("Guide.",))
    decision = MountDecision(answer="fix technique first")
    night = replace(by_hand.judgement(10), findings=(blurred, shaken), mount_decision=decision)
    assert answers(night)[2:] == ("Focus again.", "In part, but the first thing to cure is the focus.")


def test_a_night_without_findings_is_limited_by_the_air_if_that_makes_most_of_the_width() -> None:
    air = BudgetTerm(term="atmosphere", fwhm_arcsec=2.2, low=2.0, high=2.4, share=0.72)
    limits = answers(replace(by_hand.judgement(10), budget=(air,)))[1]
    assert limits.startswith("Nothing but the air was found, which makes 72 % of the squared width: stars are 2.")


def test_each_sentence_leads_to_its_evidence() -> None:
    night = by_hand.with_causes(by_hand.judgement(10))
    places = [one.evidence for one in verdict(night, account_of(night.rows))]
    assert places == ["frames", "finding-polar-misalignment", "finding-polar-misalignment", "mount"]


def test_a_weak_finding_is_told_as_a_suspicion() -> None:
    weak = Finding(cause="dew", confidence=0.3, affected=frozenset(range(4)), cost=None)
    night = replace(by_hand.judgement(5), findings=(weak,))
    assert answers(night)[1] == "Nothing is sure; the strongest suspicion is dew, possible (30 %)."


def test_what_limits_is_what_costs_most_and_a_trail_in_one_frame_is_told_as_minor() -> None:
    trail = Finding(
        cause="trail-crossing", confidence=0.9, affected=frozenset(range(1)), cost=0.001, cures=("Reject outliers.",)
    )
    cloud = Finding(cause="cloud", confidence=0.7, affected=frozenset(range(7)), cost=0.12, cures=("Wait.",))
    seeing = Finding(cause="poor-seeing", confidence=0.6, affected=frozenset(range(10)), cost=None)
    night = by_hand.judgement(10)
    _, limits, do, _ = answers(replace(night, findings=(trail, cloud, seeing)))
    assert limits.startswith("Cloud, likely (70 %), which costs 12 % of what the night could give; then poor seeing")
    assert do == "Wait."
    _, limits, do, _ = answers(replace(night, findings=(trail,)))
    assert limits.startswith("Nothing that was found costs much (crossing trail in 1 frame); stars are")
    assert do == "Stack the frames graded keep."


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        ("not needed", "No: the mount moved the stars by 0.30″ rms on each axis, where up to 0.60″ would do."),
        (
            "upgrade justified",
            "Yes, and a better one would pay: the mount moved the stars by 0.30″ rms on each axis, where up to",
        ),
        ("fix technique first", "Not before cheaper cures were tried: the mount moved the stars by"),
        ("cannot tell", "It cannot be told yet: state the focal length."),
    ],
)
def test_the_mount(answer: MountAnswer, said: str) -> None:
    decision = MountDecision(
        answer=answer, because=("The stars are round.",), tracking_rms_arcsec=Range(value=0.3), needed_rms_arcsec=0.6,
        what_would_settle_it=("State the focal length.",),
    )  # fmt: skip
    assert answers(replace(by_hand.judgement(3), mount_decision=decision))[3].startswith(said)


def test_a_motion_that_is_not_seen_is_told_by_its_limit() -> None:
    still = Range(value=0.0, low=0.0, high=0.12)
    decision = MountDecision(answer="not needed", tracking_rms_arcsec=still, needed_rms_arcsec=0.6)
    said = answers(replace(by_hand.judgement(3), mount_decision=decision))[3]
    assert said == "No: the mount moved the stars by no more than 0.12″ rms on each axis, where up to 0.60″ would do."


def test_the_title_is_targets_and_date_else_the_folder() -> None:
    night = by_hand.judgement(3)
    assert night_title(night, night.rows) == "M 101, 12 March 2024"
    nameless = replace(night, groups=())
    assert night_title(nameless, []) == "2024-03-12"
