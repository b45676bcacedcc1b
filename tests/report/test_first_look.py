"""The night in one look: one record, with a number in its first action, that says what the night is like."""

from dataclasses import replace
from math import pi, sin

import by_hand
import pytest

from framecheck.causes.result import Evidence, Finding
from framecheck.decision.first_action import first_action
from framecheck.decision.judgement import Judgement
from framecheck.decision.records import BudgetTerm, MountAnswer, MountDecision, Range, TrackingFigures
from framecheck.report.night_json import night_document
from framecheck.report.night_title import night_title


def worm(rms_arcsec: float = 0.9, needed_arcsec: float = 0.6) -> Judgement:
    """Five-minute exposures on a worm of 480 s."""
    finding = Finding(
        cause="periodic-error",
        confidence=0.96,
        affected=frozenset(range(40)),
        cost=0.28,
        evidence=(Evidence(statement="the stars swing with a period of", value=480.0, unit="s"),),
        cures=("Shorten the exposures to a small part of the gear's period.", "Guide."),
        caution="Disconnect the power.",
    )
    return by_hand.judgement(
        findings=(finding,),
        tracking=TrackingFigures(period_s=480.0),
        mount_decision=MountDecision(
            answer="fix technique first",
            tracking_rms_arcsec=Range(value=rms_arcsec, low=0.8, high=1.0),
            needed_rms_arcsec=needed_arcsec,
        ),
    )


def left_over(t: float, period: float) -> float:
    """Rms of a swing inside an exposure over its amplitude / sqrt 2: closed form of the mean over all phases."""
    x = pi * t / period
    return (1 - (sin(x) / x) ** 2) ** 0.5


def test_exposures_are_shortened_until_a_worm_leaves_what_the_tracking_may_have() -> None:
    night = worm()
    action = night.morning.action
    seconds = float(action.todo.split()[1])
    assert action.todo == f"Expose {seconds:g} s instead of 300 s"
    assert left_over(seconds, 480) / left_over(300, 480) <= 0.6 / 0.9
    assert left_over(1.5 * seconds, 480) / left_over(300, 480) > 0.6 / 0.9  # nor shorter than needed
    assert "repeats every 480 s" in action.because
    assert action.caution is None  # nothing is opened to set another exposure


def test_where_exposures_would_be_too_short_the_next_fix_comes_first() -> None:
    assert worm(rms_arcsec=40.0).morning.action.todo == "Guide"


def test_the_verdict_names_the_costliest_cause_and_the_three_figures_count() -> None:
    morning = worm().morning
    assert morning.verdict.endswith("the drive's periodic error cost 28 %.")
    assert [one.name for one in morning.figures] == ["Stack", "Worth", "Main cause"]
    assert morning.figures[0].value == f"{morning.n_stack} of 44"
    assert morning.figures[2].value == "28 %"
    assert morning.mount.startswith("Mount: yes, but you don't need a new one yet. Tracking error 0.90″")


def test_doubtful_frames_are_taken_for_depth_and_the_trade_is_told() -> None:
    for aim in ("depth", "detail"):
        doubtful = by_hand.judgement(aim=aim).morning.doubtful
        assert doubtful is not None
        assert doubtful.deeper is not None
        assert ("deeper" in doubtful.sentence) == doubtful.take
        if aim == "depth":
            assert doubtful.take


def test_the_worth_is_the_sum_of_the_frames_to_stack() -> None:
    night = by_hand.judgement()
    doubtful = night.morning.doubtful
    grades = ("keep", "doubtful") if doubtful is not None and doubtful.take else ("keep",)
    worth = [row.effective_exposure_s or 0.0 for row in night.rows if row.grade in grades]
    assert night.morning.worth_s == pytest.approx(sum(worth))
    assert night.morning.n_stack == len(worth)


def test_three_stars_stand_for_the_night_from_sharp_to_spoilt() -> None:
    best, typical, worst = by_hand.judgement().morning.stars
    long = [one.fwhm_px * one.elongation**0.5 for one in (best, typical, worst)]
    assert long == sorted(long)
    assert worst.file.endswith(("010.fits", "032.fits"))  # the two that were knocked


def test_a_healthy_night_is_to_be_stacked() -> None:
    action = first_action(by_hand.judgement(), 44)
    assert action.sentence == "Stack all 44 frames: nothing we found is worth fixing first."


def test_night_json_holds_the_same_record() -> None:
    night = by_hand.with_causes(by_hand.judgement())
    told = night_document(night)["morning"]
    assert told["verdict"] == night.morning.verdict
    assert told["action"]["todo"] == night.morning.action.todo
    assert night.morning.action.because in night.morning.action.sentence


def test_without_a_measured_frame_there_is_nothing_to_stack() -> None:
    empty = by_hand.judgement_of(())
    assert empty.morning.verdict == "No frame could be measured."
    assert empty.morning.n_stack == 0
    assert replace(empty, findings=()).morning.stars == ()


def claimed(cause: str, confidence: float, cost: float | None, *cures: str, n: int = 10) -> Finding:
    return Finding(cause=cause, confidence=confidence, affected=frozenset(range(n)), cost=cost, cures=cures)


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        ("not needed", "Mount: fine. Tracking error 0.30″, you need 0.60″ or better."),
        ("upgrade justified", "Mount: a better one would pay. Tracking error 0.30″"),
        ("fix technique first", "Mount: yes, but you don't need a new one yet. Tracking error"),
        ("cannot tell", "Mount: can't tell yet. State the focal length."),
    ],
)
def test_the_mount_in_one_line(answer: MountAnswer, said: str) -> None:
    decision = MountDecision(
        answer=answer, because=("The stars are round.",), tracking_rms_arcsec=Range(value=0.3), needed_rms_arcsec=0.6,
        what_would_settle_it=("State the focal length.",),
    )  # fmt: skip
    assert by_hand.judgement(3, mount_decision=decision).morning.mount.startswith(said)


def test_the_mount_is_to_blame_in_part_where_something_else_costs_more() -> None:
    found = (claimed("defocus", 0.9, 0.4, "Focus again."), claimed("guiding-noise", 0.7, 0.1, "Guide."))
    night = by_hand.judgement(10, findings=found, mount_decision=MountDecision(answer="fix technique first"))
    assert night.morning.action.todo == "Focus again"
    assert night.morning.mount == "Mount: partly, but fix missed focus first."


def test_a_motion_that_is_not_seen_is_told_by_its_limit() -> None:
    still = Range(value=0.0, low=0.0, high=0.12)
    decision = MountDecision(answer="not needed", tracking_rms_arcsec=still, needed_rms_arcsec=0.6)
    said = by_hand.judgement(3, mount_decision=decision).morning.mount
    assert said == "Mount: fine. Tracking error at most 0.12″, you need 0.60″ or better."


def test_what_limits_is_what_costs_most_and_a_trail_in_one_frame_does_not() -> None:
    trail = claimed("trail-crossing", 0.9, 0.001, "Reject outliers.", n=1)
    cloud = claimed("cloud", 0.7, 0.12, "Wait.", n=7)
    seeing = claimed("poor-seeing", 0.6, None)
    assert by_hand.judgement(10, findings=(trail, cloud, seeing)).morning.main_cause == "cloud"
    few = by_hand.judgement(10, findings=(trail,)).morning
    assert few.verdict.endswith("nothing we found costs 2 % or more.")
    assert few.main_cause is None
    assert few.action.todo == "Stack the 9 frames"  # one of ten was knocked


def test_a_suspicion_is_told_as_a_guess_and_air_that_makes_most_of_the_width_is_named() -> None:
    weak = claimed("dew", 0.3, None, n=4)
    assert "dew is our best guess (30 % sure)" in by_hand.judgement(5, findings=(weak,)).morning.verdict
    air = BudgetTerm(term="atmosphere", fwhm_arcsec=2.2, low=2.0, high=2.4, share=0.72)
    said = by_hand.judgement(10, budget=(air,)).morning.verdict
    assert said.endswith("the air set the star size, not your equipment.")


def test_the_title_is_targets_and_date_else_the_folder() -> None:
    night = by_hand.judgement(3)
    assert night_title(night, night.rows) == "M 101, 12 March 2024"
    assert night_title(replace(night, groups=()), []) == "2024-03-12"
