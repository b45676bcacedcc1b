"""Would a better mount pay? Statements about nights whose mount, air and cures are known."""

from dataclasses import replace
from typing import get_args

import numpy as np
import pytest
from moved_nights import RIG, found, moved_night, moved_parts, random_motion

from framecheck.causes.catalogue import CAUSES
from framecheck.causes.result import Finding, Undecided
from framecheck.causes.setting import Equipment
from framecheck.decision.budget import budget_of
from framecheck.decision.grades import grade_frames
from framecheck.decision.mount_decision import cautions, decide, ladder
from framecheck.decision.records import MountDecision
from framecheck.decision.what_if import what_if
from framecheck.model.parts import Parts
from framecheck.motion.night import Night
from framecheck.read.rig import MountType, Rig

RESTLESS = random_motion(np.random.default_rng(1), 30, 1.0, 30)
CALM = random_motion(np.random.default_rng(1), 30, 0.1, 30)
BACKLASH = Undecided(
    cause="declination-backlash", because="north is not known", what_would_settle_it="plate-solved headers"
)


def decision(
    moved: tuple[Night, Parts], *findings: Finding, undecided: tuple[Undecided, ...] = (), settled: bool = False
) -> MountDecision:
    night, parts = moved
    group, grades = night.groups[0], grade_frames(night)
    budget = budget_of(night, group, parts, settled=settled)
    cases = what_if(night, "balanced", grades, budget, group, {"a": parts}, findings)
    return decide(night, group, grades, findings, undecided, budget, cases)


def moved(
    covariance: np.ndarray, rig: Rig = RIG, seen: float = 1.0, exposure_s: float = 120.0, **how: float
) -> tuple[Night, Parts]:
    """A night, and its stars taken apart."""
    return moved_night(covariance, rig=rig, exposure_s=exposure_s, **how), moved_parts(covariance, seen=seen, **how)  # type: ignore[arg-type]


def test_a_healthy_night_needs_no_mount() -> None:
    told = decision(moved(CALM))
    assert told.answer == "not needed"
    assert told.tracking_rms_arcsec is not None
    assert told.tracking_rms_arcsec.value is not None
    assert told.needed_rms_arcsec is not None
    assert told.tracking_rms_arcsec.value < told.needed_rms_arcsec
    assert "rms on each axis" in told.because[0]
    assert told.ladder == ()
    assert told.gain is not None
    assert told.gain.high < 0.1
    assert told.what_would_settle_it == ()


def test_poor_air_is_no_reason_for_a_mount() -> None:
    assert decision(moved(CALM, rest_px=6.0), found("poor-seeing")).answer == "not needed"


def test_a_guided_mount_that_errs_at_random_is_worth_replacing() -> None:
    told = decision(moved(RESTLESS), found("guiding-noise"))
    assert told.answer == "upgrade justified"
    assert told.fwhm_with_perfect_tracking_arcsec is not None
    assert told.fwhm_now_arcsec is not None
    assert told.fwhm_with_perfect_tracking_arcsec < 0.8 * told.fwhm_now_arcsec
    text = " ".join(told.because)
    assert "rule out poor polar alignment" in text
    assert "check these before buying" in text
    assert any("load" in caution for caution in cautions(told.answer, [found("guiding-noise")]))


def test_the_same_error_without_a_guider_asks_for_a_guider() -> None:
    told = decision(moved(RESTLESS, rig=replace(RIG, guided=False)), found("guiding-noise"))
    assert told.answer == "fix technique first"
    assert "guiding comes before" in told.because[0]
    assert any(step.startswith("Guide, if nothing guides yet") for step in told.ladder)
    assert CAUSES["guiding-noise"].cures[0] not in told.ladder  # there is no guider to tune


def test_the_same_error_of_a_mount_whose_guiding_is_unknown_cannot_be_told() -> None:
    rig = replace(RIG, guided=None)
    told = decision(moved(RESTLESS, rig=rig, exposure_s=30.0), found("guiding-noise"))
    assert told.answer == "cannot tell"
    assert any("rig file" in step for step in told.what_would_settle_it)


def test_nobody_buys_a_mount_because_stars_that_lie_still_look_guided() -> None:
    night, parts = moved(RESTLESS, rig=replace(RIG, guided=None))
    still = replace(night.tracking["a"], guided=True, guided_log_odds=3.0)
    told = decision((replace(night, tracking={"a": still}), parts), found("guiding-noise"))
    assert told.answer == "cannot tell"
    assert any("rig file" in step for step in told.what_would_settle_it)


@pytest.mark.parametrize(
    "cause",
    ["polar-misalignment", "declination-backlash", "differential-flexure", "shock", "periodic-error", "untracked",
     "field-rotation"],
)  # fmt: skip
def test_what_can_be_cured_for_little_is_cured_first(cause: str) -> None:
    told = decision(moved(np.array([1.5, 0, 0])), found(cause), found("guiding-noise", 0.7))
    assert told.answer == "fix technique first"
    assert told.ladder[0] in CAUSES[cause].cures
    assert not set(told.ladder) & set(told.because)


@pytest.mark.parametrize("cause", ["defocus", "focus-drift", "pinched-optics", "sensor-tilt", "dew", "cloud"])
def test_what_focus_optics_and_air_spoil_is_none_of_the_mount(cause: str) -> None:
    told = decision(moved(CALM), found(cause, cost=0.4))
    assert told.answer == "not needed"
    assert told.ladder == ()
    assert any(CAUSES[cause].title.lower() in reason or "focus" in reason for reason in told.because)  # but it is told


def test_optics_beside_a_bad_mount_change_nothing_of_what_is_said_about_the_mount() -> None:
    mixed = decision(moved(RESTLESS), found("guiding-noise"), found("coma", cost=0.4))
    assert mixed.answer == decision(moved(RESTLESS), found("guiding-noise")).answer == "upgrade justified"
    assert not set(mixed.ladder) & set(CAUSES["coma"].cures)


def test_a_mount_that_errs_by_too_little_to_matter_is_not_needed_whatever_it_is_called() -> None:
    told = decision(moved(random_motion(np.random.default_rng(2), 30, 0.2, 30)), found("guiding-noise", cost=0.05))
    assert told.answer == "not needed"


def test_the_gain_is_that_of_the_budget() -> None:
    night, parts = moved(np.array([1.5, 0, 0]))
    told, budget = decision((night, parts), found("polar-misalignment")), budget_of(night, night.groups[0], parts)
    assert told.gain is not None
    assert told.gain.value == pytest.approx(1 - budget.recorded_at_rest.value / budget.recorded_now)
    # Gaussians: (2.5² + 5.55 x 1.5)^(1/4) x 2.5^(1/2) wide before the pixel, whose 0.46 px² dilute it a little
    assert told.gain.value == pytest.approx(1 - 2.5**0.5 / (2.5**2 + 5.545 * 1.5) ** 0.25, abs=0.03)
    assert told.gain.low <= told.gain.value <= told.gain.high


def test_a_tripod_is_told_nothing_of_poles_and_guiders() -> None:
    rig = replace(RIG, guided=None, mount_type="fixed")
    told = decision(moved(np.zeros(3), line_px=6.0, rig=rig), found("untracked"))
    assert told.answer == "fix technique first"
    assert told.ladder == (
        "On a fixed tripod, shorten the exposures.",
        "For longer exposures, put the camera on a tracker.",
    )


def test_a_drive_that_is_a_little_off_is_not_told_to_be_switched_on() -> None:
    # a line of 6 arcsec in 120 s is 0.05 arcsec a second, where the sky runs by 15
    told = decision(moved(np.zeros(3), line_px=6.0, rig=replace(RIG, guided=False)), found("untracked"))
    assert not any("hemisphere" in step for step in told.ladder)
    assert told.ladder[0].startswith("Set the drive to the sidereal rate")


@pytest.mark.parametrize("cause", list(CAUSES))
def test_something_can_be_done_about_each_cause_on_every_mount(cause: str) -> None:
    for kind in get_args(MountType):
        for guided in (True, False):
            for stands in (True, False):
                setting = Equipment(guided=guided, mount_type=kind, stands=stands, binning=1)
                assert setting.fitting(CAUSES[cause].cures), (kind, guided, stands)


def test_blur_that_may_be_air_or_mount_cannot_be_told() -> None:
    told = decision(moved(RESTLESS, seen=0.3), undecided=(BACKLASH,))
    assert told.answer == "cannot tell"
    assert any("guiding record" in step for step in told.what_would_settle_it)
    assert any("plate-solved headers" in step for step in told.what_would_settle_it)


def test_a_guiding_record_settles_what_could_not_be_told() -> None:
    still = decision(moved(CALM), settled=True)
    assert still.answer == "not needed"
    assert not any("guiding record" in step for step in still.what_would_settle_it)


def test_drawn_out_stars_without_a_plain_cause_cannot_be_told() -> None:
    assert decision(moved(np.array([1.5, 0, 0]))).answer == "cannot tell"


def test_drawn_out_stars_of_an_unguided_mount_ask_for_the_usual_cures() -> None:
    told = decision(moved(np.array([1.5, 0, 0]), rig=replace(RIG, guided=False)))
    assert told.answer == "fix technique first"
    assert CAUSES["polar-misalignment"].cures[0] in told.ladder
    assert CAUSES["periodic-error"].cures[2] in told.ladder  # guide


def test_pixels_that_hide_the_profile_are_no_doubt_about_the_mount() -> None:
    assert decision(moved(CALM / 40, rest_px=1.1)).answer == "not needed"


def test_two_frames_cannot_tell() -> None:
    assert decision(moved(random_motion(np.random.default_rng(4), 2, 1.0, 30))).answer == "cannot tell"


def test_no_frame_cannot_tell() -> None:
    night = moved_night(CALM)
    empty = replace(night, frames=(), groups=(), tracking={}, motion={})
    told = decide(empty, None, (), (), (), None, ())
    assert told.answer == "cannot tell"
    assert told.kept_now is None
    assert told.what_would_settle_it


def test_without_a_pixel_scale_the_answer_stands_without_arcseconds() -> None:
    told = decision(moved(CALM, rig=Rig(guided=True)))
    assert told.answer == "not needed"
    assert told.tracking_rms_arcsec is None
    assert told.needed_rms_arcsec is None
    assert "px rms on each axis" in told.because[0]
    assert any("focal length" in step for step in told.what_would_settle_it)


def test_the_ladder_goes_from_the_cheapest_of_each_cause_upward() -> None:
    both = [found("polar-misalignment", cost=0.4), found("shock", cost=0.2), found("defocus", cost=0.5)]
    rungs = ladder("fix technique first", both, Equipment())
    assert rungs[:2] == [CAUSES["polar-misalignment"].cures[0], CAUSES["shock"].cures[0]]
    assert len(rungs) <= 6
    assert ladder("fix technique first", [found("cloud"), found("shock", confidence=0.4)], Equipment()) == []


def test_kept_frames_are_counted_as_they_are_and_as_they_would_be() -> None:
    spoilt = np.where(np.arange(30)[:, None] < 8, np.array([12.0, 0.0, 0.0]), np.array([0.02, 0.0, 0.0]))
    told = decision(moved(spoilt), found("shock", cost=0.2, frames=8))
    assert (told.kept_now, told.kept_with_perfect_tracking) == (22, 30)
