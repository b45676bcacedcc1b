"""Mount, focus and optics: each cause is named where its closed form says that it is there, and where it is not, not.

Kinematics: polar drift and field rotation after the rows TRK-20 to TRK-32 of shared/reference_values.csv; a sine of
amplitude A and period P for a gear; a line of length L has the second moment L² / 12 (closed forms).
"""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from moving_nights import DUSK, MovingNight, night_of

from framecheck.causes.catalogue import CAUSES
from framecheck.causes.weigh import weigh
from framecheck.decision.judge import judge
from framecheck.motion import build_night
from framecheck.motion.guided import wander_px
from framecheck.night.guiding import GuidingRecord
from framecheck.read.rig import Rig

MOUNT_AND_OPTICS = {name for name, cause in CAUSES.items() if cause.family in ("mount", "optics")}


def claims(made: MovingNight) -> dict[str, float]:
    """Causes of mount and optics that are claimed, with their confidence."""
    night = night_of(made)
    findings, _ = weigh(night, night.rig)
    return {one.cause: one.confidence for one in findings if one.confidence >= 0.5 and one.cause in MOUNT_AND_OPTICS}


def drift(east: float, north: float):
    """A steady drift, in arcseconds a minute."""
    return lambda t: (east + 1j * north) * t / 60


def gear(amplitude_arcsec: float, period_s: float):
    return lambda t: amplitude_arcsec * np.sin(2 * np.pi * t / period_s) + 0j


def seeing(i: int) -> float:
    """Air that changes a little, at random."""
    return 2.8 * float(np.exp(0.04 * np.random.default_rng(i).standard_normal()))


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("guided", [True, False, None])
def test_a_healthy_night_blames_neither_mount_nor_optics(seed: int, guided: bool | None) -> None:
    small = gear(0.4, 480) if guided is False else (lambda t: np.zeros(len(t), complex))
    made = MovingNight(
        pointing=small, jitter_arcsec=(0.35, 0.35), fwhm_px=seeing, guided=guided, seed=seed, tilt_percent=3,
        bowl_percent=3,
    )  # fmt: skip
    assert claims(made) == {}


def test_a_gear_that_swings_unguided_stars_is_a_periodic_error() -> None:
    night = night_of(MovingNight(pointing=gear(4.0, 480), guided=False, fwhm_px=seeing))
    findings, _ = weigh(night, night.rig)
    first = next(one for one in findings if one.cause == "periodic-error")
    assert first.confidence > 0.8
    assert first.evidence[0].value == pytest.approx(480, rel=0.03)  # the period
    assert first.evidence[1].value == pytest.approx(8, rel=0.15)  # peak to peak


def test_a_swing_longer_than_half_the_run_is_a_gear_s_though_it_shows_no_period() -> None:
    night = night_of(
        MovingNight(pointing=gear(12.0, 1500), exposure_s=60, cadence_s=65, n=19, guided=False, solved=False)
    )
    findings, _ = weigh(night, night.rig)
    (found,) = [one for one in findings if one.confidence >= 0.5]
    assert found.cause == "periodic-error"
    swing = next(one for one in found.evidence if one.unit == "arcsec")
    assert 3.0 < swing.value < 12.0 / np.sqrt(2) * 1.1  # no more than that of the sine, less what a slow path may be


def test_a_swing_counts_by_what_it_adds_to_a_drift_along_it() -> None:
    # alone it draws lines of 1.3 px; they add to those of the drift, 2.5 px along it, and stars breathe in every turn
    turning = 6.0 / 60 * np.cos(np.radians(30.0))  # of the axis that drifts so: w P sin f cos dec (closed form)
    night = MovingNight(
        pointing=lambda t: drift(3.0, 3.4)(t) + 2.5 * np.sin(2 * np.pi * t / 600), exposure_s=60, cadence_s=65, n=40,
        guided=False, fwhm_px=seeing, turning_deg_per_hour=turning,
    )  # fmt: skip
    assert "periodic-error" in claims(night)


def test_the_first_frame_after_the_telescope_was_pointed_is_late_as_those_after_dithers_are_and_not_knocked() -> None:
    aside = np.random.default_rng(8).normal(0, 8, (8, 2)) @ [1, 1j]
    late = 5.0 + 0.3 * np.arange(8)

    def pointing(t):
        block = np.minimum(t // (3 * 130), 7).astype(int)
        return aside[block] + 1j * late[block] * np.exp(-(t - block * 390) / 100)

    made = claims(MovingNight(pointing=pointing, guided=True, fwhm_px=seeing))
    assert made["declination-backlash"] > 0.8
    assert "shock" not in made


def test_a_pointing_set_anew_before_each_exposure_is_no_swing() -> None:
    # as far and as regular as a gear's, but the stars of each exposure are round: nothing moved while they were taken
    def stepped(t):
        return 4.0 * np.sin(2 * np.pi * (t // 130) * 130 / 480) + 0j

    assert "periodic-error" not in claims(MovingNight(pointing=stepped, fwhm_px=seeing))


def test_drift_in_declination_without_a_guider_is_a_wrong_polar_axis() -> None:
    made = MovingNight(pointing=drift(0.2, 2.0), guided=False, fwhm_px=seeing)
    assert set(claims(made)) == {"polar-misalignment"}


def test_astigmatism_through_focus_stands_beside_the_flexure_that_draws_lines() -> None:
    # shapes go from one side to the other along one direction, about the line that the drift draws: focus that moves
    night = MovingNight(
        n=20, pointing=drift(1.0, 1.4), guided=True, fwhm_px=lambda i: 4.0 * np.sqrt(1 + 0.1 * (i / 9.5 - 1) ** 2),
        stretch_px2=lambda i: 6.0 * (i / 9.5 - 1) * np.exp(0.4j),
    )  # fmt: skip
    assert {"differential-flexure", "astigmatism"} <= set(claims(night))


def test_the_same_drift_under_a_guider_is_flexure() -> None:
    assert set(claims(MovingNight(pointing=drift(1.0, 1.4), guided=True, fwhm_px=seeing))) == {"differential-flexure"}


def test_a_drift_too_slow_to_smear_blames_nobody() -> None:
    assert claims(MovingNight(pointing=drift(0.05, 0.2), guided=False, fwhm_px=seeing)) == {}


def test_a_guided_field_that_turns_has_a_wrong_polar_axis() -> None:
    # 60 arcminutes off turn the field by up to 0.2625 deg/h / cos(dec) (TRK-28): by 0.9 at a declination of 73 degrees
    found = claims(MovingNight(turning_deg_per_hour=0.9, guided=True, exposure_s=300, cadence_s=310, fwhm_px=seeing))
    assert "polar-misalignment" in found
    assert "differential-flexure" not in found


def test_a_guided_field_that_turns_too_slowly_to_smear_blames_nobody_and_its_axis_is_given() -> None:
    # the arc of the corner, 0.65 px in 300 s, is not seen in stars of 2.8 px; the turning between frames is
    night = night_of(MovingNight(turning_deg_per_hour=0.25, guided=True, exposure_s=300, cadence_s=310, fwhm_px=seeing))
    judgement = judge(night)
    assert [one.cause for one in judgement.findings if one.confidence >= 0.2] == []
    assert judgement.tracking.polar_error_arcmin is not None
    assert judgement.tracking.polar_error_arcmin.value > 30


def test_a_field_that_turns_as_an_alt_azimuth_mount_turns_it_is_field_rotation() -> None:
    made = MovingNight(
        turning_deg_per_hour=12.0, guided=True, exposure_s=30, cadence_s=35, n=30, fwhm_px=seeing,
        rig=Rig(mount_type="alt-azimuth"),
    )  # fmt: skip
    assert set(claims(made)) == {"field-rotation"}


@pytest.mark.parametrize(("deg_per_hour", "decided"), [(4.0, True), (12.0, False)])
def test_a_tilt_is_seen_beside_a_turning_field_unless_the_corners_are_arcs(deg_per_hour: float, decided: bool) -> None:
    night = night_of(MovingNight(
        turning_deg_per_hour=deg_per_hour, guided=True, exposure_s=100, cadence_s=105, n=16, fwhm_px=seeing,
        tilt_percent=60.0, rig=Rig(mount_type="alt-azimuth"),
    ))  # fmt: skip
    findings, undecided = weigh(night, night.rig)
    assert ("sensor-tilt" in {one.cause for one in findings if one.confidence >= 0.5}) == decided
    assert ("sensor-tilt" in {one.cause for one in undecided}) != decided


def test_dithers_at_random_are_no_polar_error_of_round_stars() -> None:
    for seed in range(4):
        night = MovingNight(n=8, exposure_s=90, cadence_s=95, dither_px=15.0, fwhm_px=seeing, seed=seed)
        assert "polar-misalignment" not in claims(night)


def test_the_turning_field_of_an_alt_azimuth_mount_near_the_zenith_is_no_knock() -> None:
    # rate of the parallactic angle, latitude 48 and declination 45 degrees (closed form): 11 to 60 degrees an hour
    hour = np.radians(np.linspace(-14, -2.2, 24))
    lat, dec = np.radians([48.0, 45.0])
    angle = np.arctan2(np.sin(hour), np.tan(lat) * np.cos(dec) - np.sin(dec) * np.cos(hour))
    made = MovingNight(guided=True, fwhm_px=seeing, turned_deg=lambda i: float(np.degrees(angle[i] - angle[0])))
    night = night_of(made)
    (motion,) = night.motion.values()
    whole = np.degrees(angle[-1] - angle[0]) / (23 * 130 / 3600)
    assert motion.rotation_deg_per_hour == pytest.approx(whole, abs=0.5)
    assert set(claims(made)) == {"field-rotation"}


def test_a_standing_camera_is_untracked() -> None:
    # 15.04 arcsec a second times cos(dec) of 30 degrees (TRK-01)
    made = MovingNight(
        pointing=drift(15.04 * 60 * np.cos(np.radians(30)), 0.0), exposure_s=1.0, cadence_s=1.5, n=16,
        rig=Rig(mount_type="fixed"), fwhm_px=seeing,
    )  # fmt: skip
    assert set(claims(made)) == {"untracked"}


def test_a_frame_that_smears_another_way_on_a_tripod_was_knocked() -> None:
    rate = 15.04 * np.cos(np.radians(30))  # TRK-01

    def pushed(t):
        """Across the sky's way in the sixth exposure: nothing but a push moves a camera that stands still."""
        return rate * t + 10j * np.clip(t - 7.7, 0.0, 0.4)

    made = MovingNight(
        pointing=pushed, exposure_s=0.5, cadence_s=1.5, n=12, rig=Rig(mount_type="fixed"), fwhm_px=seeing
    )
    night = night_of(made)
    findings, _ = weigh(night, night.rig)
    (shock,) = [one for one in findings if one.cause == "shock"]
    assert shock.confidence > 0.8
    assert shock.affected == frozenset({5})


@pytest.mark.parametrize("stands", [range(12, 18), range(4), range(6, 10)])
def test_a_drive_that_stands_still_for_a_part_of_the_night_is_untracked_there_and_nowhere_else(stands: range) -> None:
    # 15.04 arcsec a second times cos(dec) of 30 degrees (TRK-01) from the first frame of that part to the last
    start, end = 14.0 * stands[0], 14.0 * stands[-1] + 12.0
    rate = 15.04 * np.cos(np.radians(30))
    made = MovingNight(
        pointing=lambda t: rate * (np.clip(t, start, end) - start) + 0j, exposure_s=1.0, cadence_s=14.0, n=18,
        fwhm_px=seeing,
    )  # fmt: skip
    night = night_of(made)
    findings, _ = weigh(night, night.rig)
    (untracked,) = [one for one in findings if one.cause == "untracked"]
    assert untracked.confidence > 0.9
    assert untracked.affected == frozenset(stands)
    assert untracked.cures[0].startswith("Find what stopped the drive")
    assert not any("tripod" in cure or "sidereal rate" in cure for cure in untracked.cures)
    assert "periodic-error" not in claims(made)


@pytest.mark.parametrize("share", [1.0, 0.5])
def test_a_drive_that_fails_in_the_second_half_is_no_other_cause_though_dithers_go_on(share: float) -> None:
    # at no rate, or at half of the sky's, from the fourteenth frame on; every third frame the pointing is moved
    aside = np.random.default_rng(4).normal(0, 15, (8, 2)) @ [1, 1j]
    rate = share * 15.04 * np.cos(np.radians(30))
    made = claims(MovingNight(
        pointing=lambda t: rate * np.maximum(t - 14 * 6.0, 0) + aside[np.minimum(t // 18, 7).astype(int)],
        exposure_s=1.0, cadence_s=6.0, n=24, guided=False, fwhm_px=seeing,
    ))  # fmt: skip
    assert made["untracked"] > 0.8
    assert not {"astigmatism", "focus-drift", "declination-backlash"} & made.keys()


def test_a_guided_field_that_turns_fast_has_a_wrong_axis_whatever_bends_beside_it() -> None:
    # 45 arcminutes off at the least: 0.004375 deg/h for each, times cos(dec) of 30 degrees (closed form)
    made = claims(MovingNight(
        pointing=drift(0.4, 0.4), turning_deg_per_hour=0.226, guided=True, exposure_s=300, cadence_s=310, n=12,
        fwhm_px=seeing,
    ))  # fmt: skip
    assert made["polar-misalignment"] > 0.9


def test_corrections_that_come_late_now_by_little_and_now_by_much_are_no_knocks() -> None:
    aside = np.random.default_rng(8).normal(0, 8, (9, 2)) @ [1, 1j]
    late = np.array([2.0, 3.5, 14.0, 3.0, 2.5, 20.0, 3.0, 4.0, 2.0])

    def pointing(t):
        block = np.minimum(t // (3 * 130), 8).astype(int)
        return aside[block] + 1j * late[block] * np.exp(-(t - block * 390) / 60)

    made = claims(MovingNight(pointing=pointing, n=27, guided=True, fwhm_px=seeing))
    assert made["declination-backlash"] > 0.8
    assert "shock" not in made


def test_a_drift_costs_no_more_than_the_line_it_draws() -> None:
    # a star of 2.8 px under a line of 3 px: 9 / 12 * 5.545 of squared FWHM along it, closed form for Gaussians
    line_px, star_px = 3.0, 2.8
    scale = 206.265 * 3.76 / 646
    made = MovingNight(pointing=drift(0.0, line_px * scale / 2), guided=False, fwhm_px=seeing)
    night = night_of(made)
    findings, _ = weigh(night, night.rig)
    (polar,) = [one for one in findings if one.cause == "polar-misalignment"]
    long_px = np.sqrt(star_px**2 + line_px**2 / 12 * 8 * np.log(2))
    assert polar.cost == pytest.approx(1 - star_px / long_px, abs=0.04)


def test_a_drive_a_little_too_fast_is_a_wrong_rate_and_no_wrong_axis() -> None:
    # 9 arcsec a minute is one percent of the sky's own motion, all of it along right ascension; such a drive turns the
    # field by as much times tan(dec) (closed form: its rotation is about the pole)
    turning = 9.0 / 60 * np.tan(np.radians(30.0))
    for guided in (False, None):
        night = MovingNight(pointing=drift(9.0, 0.4), turning_deg_per_hour=turning, guided=guided, fwhm_px=seeing)
        made = claims(night)
        assert made["untracked"] > 0.8
        assert "polar-misalignment" not in made


def swing_and(east: float, north: float):
    """A gear that swings along right ascension by 3 arcsec in five minutes, under a steady drift. [arcsec/min]"""
    steady = drift(east, north)
    return lambda t: steady(t) + 1.5 * np.sin(2 * np.pi * t / 300)


@pytest.mark.parametrize(("east", "north", "cause", "other"), [
    (9.0, 0.0, "untracked", "polar-misalignment"), (0.0, 9.0, "polar-misalignment", "untracked"),
])  # fmt: skip
def test_without_known_axes_the_gear_shows_whether_a_drift_is_one_of_the_drive_or_of_the_axis(
    east: float, north: float, cause: str, other: str
) -> None:
    # a worm moves stars along right ascension, as a wrong rate does; an axis beside the pole lets them drift in
    # declination where its error turns no field (closed form: rotation of the axis)
    made = claims(
        MovingNight(
            pointing=swing_and(east, north), exposure_s=20.0, cadence_s=25.0, n=24, solved=False, fwhm_px=seeing
        )
    )
    assert made[cause] > 0.5
    assert other not in made


@pytest.mark.parametrize("n", [4, 8])
def test_shaken_frames_whose_stars_stay_where_they_are_were_tracked(n: int) -> None:
    # two seconds each, shaken along right ascension by more than a star's width; the next frame is where this one was
    made = MovingNight(n=n, exposure_s=2.0, cadence_s=10.0, jitter_arcsec=(3.0, 0.3), fwhm_px=seeing)
    assert "untracked" not in claims(made)


def turning_drift(rate_arcsec_per_min: float, minutes_a_radian: float):
    """A drift of one rate whose direction turns slowly, as a tube bends while it is turned. Closed form."""
    reach = rate_arcsec_per_min * minutes_a_radian
    return lambda t: reach * (np.exp(1j * (0.6 + t / 60 / minutes_a_radian)) - np.exp(0.6j)) / 1j


@pytest.mark.parametrize("n", [12, 24, 48])
def test_stars_that_drift_slowly_under_a_mount_without_gear_error_are_bent_away_from_the_guider(n: int) -> None:
    night = night_of(
        MovingNight(n=n, exposure_s=300.0, cadence_s=310.0, pointing=turning_drift(0.8, 100.0),
                    jitter_arcsec=(0.35, 0.35), fwhm_px=seeing)
    )  # fmt: skip
    (tracking,) = night.tracking.values()
    assert tracking.guided is True
    assert tracking.wander_arcsec is not None
    assert tracking.wander_arcsec < 0.3
    findings, _ = weigh(night, night.rig)
    bent = next(one for one in findings if one.cause == "differential-flexure")
    assert bent.confidence > 0.75
    assert bent.evidence[0].value == pytest.approx(0.8, rel=0.05)
    assert bent.evidence[2].value == pytest.approx(100.0, abs=15.0)  # the drift makes all of the smear


@pytest.mark.parametrize("solved", [True, False])
def test_a_drift_that_turns_slowly_and_that_dithers_hide_is_no_astigmatism_through_focus(solved: bool) -> None:
    # 1.6 arcsec a minute draw a line of 3.2 arcsec in each exposure, whose direction turns by 56 degrees in 49 minutes
    made = MovingNight(pointing=turning_drift(1.6, 50.0), dither_px=12.0, guided=True, fwhm_px=seeing, solved=solved)
    assert not {"astigmatism", "focus-drift", "defocus"} & set(claims(made))
    # 2.8 px of air, and along the line the root of 2.8² + 8 ln 2 x (3.2 / 1.2)² / 12 px: closed form
    assert judge(night_of(made)).mount_decision.gain.value == pytest.approx(1 - math.sqrt(2.8 / 3.34), abs=0.02)


def test_a_mount_that_shows_its_gear_or_drifts_as_a_wrong_axis_does_is_not_taken_for_guided() -> None:
    for path in (lambda t: gear(3.0, 480)(t) + drift(0.2, 0.4)(t), drift(0.0, 3.0)):
        night = night_of(MovingNight(n=40, pointing=path, fwhm_px=seeing))
        (tracking,) = night.tracking.values()
        assert tracking.guided is not True


def test_a_dithered_pointing_that_was_flipped_tells_no_gear_error() -> None:
    night = night_of(MovingNight(n=24, dither_px=6.0, fwhm_px=seeing))
    motion = next(iter(night.motion.values()))
    flipped = replace(motion, stretch=(0,) * 6 + (1,) * 18, dithered=True)
    assert wander_px(flipped) is None


@pytest.mark.parametrize("size_px2", [0.7, 1.6])
def test_a_smear_that_turns_smoothly_for_hours_is_no_noise(size_px2: float) -> None:
    # from frame to frame it turns by a seventh of a radian: cos(1 / 7) = 0.99 is its correlation
    smooth = MovingNight(n=30, stretch_px2=lambda i: size_px2 * np.exp(1j * i / 7), fwhm_px=seeing, guided=True)
    assert "guiding-noise" not in claims(smooth)


def test_guiding_noise_is_claimed_only_of_what_the_report_calls_unhealthy() -> None:
    for jitter in (0.3, 0.5, 0.7, 0.9, 1.3):
        night = night_of(MovingNight(n=24, jitter_arcsec=(1.2 * jitter, jitter), fwhm_px=seeing, guided=True))
        for one in weigh(night, night.rig)[0]:
            if one.cause == "guiding-noise" and one.confidence >= 0.5:
                limits = [float(str(seen.expected_if_healthy).split()[-1]) for seen in one.evidence]
                assert any((seen.value or 0.0) > limit for seen, limit in zip(one.evidence, limits, strict=True))


def test_random_motion_along_right_ascension_in_all_frames_is_guiding_noise() -> None:
    made = MovingNight(jitter_arcsec=(1.3, 0.4), guided=True, fwhm_px=seeing)
    assert set(claims(made)) == {"guiding-noise"}


def test_guided_frames_that_are_shaken_while_the_field_turns_have_both_faults() -> None:
    # a turning field draws no line in the middle: it was taken for what smears the stars, and the shaking for healthy
    found = claims(MovingNight(guided=True, n=30, jitter_arcsec=(1.6, 0.5), turning_deg_per_hour=1.5))
    assert found["polar-misalignment"] > 0.7
    assert found["guiding-noise"] > 0.5


def test_stars_drawn_out_alike_in_all_frames_are_the_optics_sooner_than_the_mount_s_and_never_surely() -> None:
    # (a² - b²) / 2 of 1.2 px² in every frame while the air changes, and no drift: astigmatism, or motion that repeats
    night = night_of(MovingNight(guided=True, fwhm_px=seeing, stretch_px2=lambda i: 1.2 * np.exp(0.9j)))
    findings, _ = weigh(night, night.rig)
    (found,) = [one for one in findings if one.confidence >= 0.5]
    assert found.cause == "astigmatism"
    assert found.confidence < 0.8
    assert judge(night).mount_decision.answer == "not needed"


def test_smear_along_declination_in_a_part_of_the_night_is_backlash() -> None:
    def late(t):
        sawtooth = 4.0 * ((t / 75) % 1 - 0.5)
        return 1j * np.where((t > 8 * 130) & (t < 15 * 130), sawtooth, 0.0)

    assert set(claims(MovingNight(pointing=late, guided=True, fwhm_px=seeing))) == {"declination-backlash"}


def test_long_lines_along_declination_in_a_part_of_the_night_are_no_focus_that_came_and_went() -> None:
    def late(t):
        sawtooth = 12.0 * ((t / 75) % 1 - 0.5) * np.sin(np.pi * (t / 130 - 8) / 7)
        return 1j * np.where((t > 8 * 130) & (t < 15 * 130), sawtooth, 0.0)

    assert set(claims(MovingNight(pointing=late, guided=True, fwhm_px=seeing))) == {"declination-backlash"}


def test_two_frames_smeared_in_directions_of_their_own_were_knocked() -> None:
    def pushed(t):
        first = np.where((t > 5 * 130 + 40) & (t < 5 * 130 + 90), 3.0 + 3.0j, 0)
        return first + np.where((t > 16 * 130 + 30) & (t < 16 * 130 + 70), 4.0 - 1.0j, 0)

    assert set(claims(MovingNight(pointing=pushed, guided=True, fwhm_px=seeing))) == {"shock"}


def test_fading_and_growing_stars_are_dewed_not_defocused() -> None:
    made = MovingNight(
        fwhm_px=lambda i: seeing(i) * (1 + 0.012 * i), light=lambda i: float(np.exp(-0.018 * i)),
        beta=lambda i: 3.6 - 0.03 * i, guided=True,
    )  # fmt: skip
    assert set(claims(made)) == {"dew"}


def test_width_that_changes_along_a_line_is_tilt() -> None:
    assert set(claims(MovingNight(tilt_percent=20, guided=True, fwhm_px=seeing))) == {"sensor-tilt"}


def test_a_guiding_record_shows_what_round_stars_hide() -> None:
    plain = night_of(MovingNight(guided=True, fwhm_px=seeing))
    seconds = np.arange(0, 24 * 130, 2.0)
    rng = np.random.default_rng(2)
    record = GuidingRecord(
        file=Path("guiding.csv"), start_utc=DUSK, seconds=seconds,
        ra_error_arcsec=rng.normal(0, 1.0, len(seconds)), dec_error_arcsec=rng.normal(0, 1.0, len(seconds)),
    )  # fmt: skip
    joined = build_night(plain.folder, plain.rig, [frame.result for frame in plain.frames], guiding=record)
    findings, _ = weigh(joined, joined.rig)
    assert max(one.confidence for one in findings if one.cause == "guiding-noise") > 0.8
    assert joined.frames[3].guide_rms_arcsec == pytest.approx((1.0, 1.0), rel=0.35)
