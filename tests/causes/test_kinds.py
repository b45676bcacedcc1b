"""What drew stars out, frame by frame: kinds of motion told from each other by their own laws.

Smears are drawn by closed forms: a star moved along one axis at an even speed v in an exposure t has (vt)²/12 more
variance along it (uniform distribution, textbook); random motion smears in all directions alike.
"""

from dataclasses import replace

import numpy as np
import pytest

from framecheck.causes.kinds import Kinds, all_together, weigh_kinds
from framecheck.causes.smears import Seen

FRAMES = 20
GUIDED, UNGUIDED, UNKNOWN = 3.0, -3.0, 0.0
DIRECTION = np.exp(0.7j)


def seen(smear: np.ndarray, *, moved: tuple[int, ...] = (), width: np.ndarray | None = None) -> Seen:
    """Frames 130 s apart, moved on purpose before some of them, with errors of 0.015."""
    noise = np.random.default_rng(4).normal(0, 0.015, (2, FRAMES))
    after = np.isin(np.arange(FRAMES), moved)
    return Seen(
        smear=np.asarray(smear, complex) + noise[0] + 1j * noise[1], error=np.full(FRAMES, 0.015),
        minutes=np.arange(FRAMES) * 130 / 60, after_move=after, from_drift=np.zeros(FRAMES, complex), from_speed=None,
        ra_known=False, moved_every=None, width=np.full(FRAMES, 3.0) if width is None else width,
    )  # fmt: skip


def likeliest(kinds: Kinds) -> str:
    return max(kinds.chance, key=lambda kind: kinds.chance[kind])


def gear(period_frames: float, phase: float = 0.3) -> np.ndarray:
    """Smear of a sinusoidal swing: square of its speed, along one axis."""
    return 0.6 * np.cos(2 * np.pi * np.arange(FRAMES) / period_frames + phase) ** 2 * DIRECTION


def one_way(*frames: int) -> np.ndarray:
    smear = np.zeros(FRAMES, complex)
    smear[list(frames)] = (0.2 + 0.1 * np.arange(len(frames))) * DIRECTION
    return smear


def test_still_stars_were_not_moved() -> None:
    kinds = weigh_kinds(seen(np.zeros(FRAMES), moved=(4, 8, 12, 16)), UNKNOWN)
    assert likeliest(kinds) == "chance"
    assert kinds.knocks < 0.2
    assert kinds.late_log_odds < 0 > kinds.gear_log_odds


def test_smears_along_one_direction_just_after_moves_are_late_corrections() -> None:
    kinds = weigh_kinds(seen(one_way(4, 12, 16), moved=(4, 8, 12, 16)), GUIDED)
    assert likeliest(kinds) == "after moves"
    assert kinds.knocks < 0.5
    assert np.flatnonzero(kinds.late > 0.05).tolist() == [4, 12, 16]


def test_what_drives_one_axis_has_no_late_declination_and_was_knocked() -> None:
    kinds = weigh_kinds(seen(one_way(4, 12), moved=(4, 8, 12, 16)), UNGUIDED, one_axis=True)
    assert kinds.knocks > 0.8
    assert kinds.late_log_odds < -2


def test_smears_along_one_direction_in_one_part_of_the_night_are_late_corrections() -> None:
    assert likeliest(weigh_kinds(seen(one_way(9, 10, 11, 12, 13, 14)), GUIDED)) == "in a run"


def test_smears_in_any_direction_in_single_frames_are_knocks() -> None:
    smear = np.zeros(FRAMES, complex)
    smear[[5, 11]] = 0.5 * np.exp(2.9j), 0.3 * np.exp(-1j)
    kinds = weigh_kinds(seen(smear, moved=(4, 8, 12, 16)), GUIDED)
    assert kinds.knocks > 0.9
    assert kinds.late_log_odds < 0
    assert np.flatnonzero(kinds.knocked).tolist() == [5, 11]
    assert kinds.knocked.max() == pytest.approx(0.5, abs=0.05)


def test_knocks_show_among_frames_whose_corrections_come_late_and_beside_a_steady_smear() -> None:
    late = one_way(*range(4, 12))
    across = np.zeros(FRAMES, complex)
    across[[2, 8]] = -0.4 * DIRECTION, 0.4j * DIRECTION
    for steady in (0.0, 0.5j):
        kinds = weigh_kinds(seen(late + across + steady * DIRECTION), GUIDED)
        assert kinds.knocks > 0.9
        assert set(np.flatnonzero(kinds.knocked > 0.2)) == {2, 8}


@pytest.mark.parametrize("period_frames", [3.7, 7.0, 11.0])
def test_an_unguided_swing_along_one_direction_is_the_gear(period_frames: float) -> None:
    kinds = weigh_kinds(seen(gear(period_frames)), UNGUIDED)
    assert kinds.swings.gear > 0.5
    assert kinds.late_log_odds < 0


def test_nobody_corrects_late_where_nobody_corrects() -> None:
    smear = seen(one_way(9, 10, 11, 12, 13, 14))
    assert weigh_kinds(smear, UNGUIDED).late_log_odds < weigh_kinds(smear, GUIDED).late_log_odds - 1


def test_smears_in_all_directions_in_all_frames_are_chance() -> None:
    chance = np.random.default_rng(7).normal(0, 0.12, (2, FRAMES))
    kinds = weigh_kinds(seen(chance[0] + 1j * chance[1]), GUIDED)
    assert likeliest(kinds) == "chance"
    assert kinds.knocks < 0.5


def test_stars_that_grow_far_more_than_they_stretch_were_swayed_in_all_directions() -> None:
    smear = np.random.default_rng(8).exponential(0.15, FRAMES)
    thin = seen(smear * DIRECTION, width=3.0 * np.exp(np.arcsinh(smear) / 2))
    wide = seen(smear * DIRECTION, width=3.0 * np.exp(2 * smear))
    assert weigh_kinds(wide, UNKNOWN).chance["sway"] > weigh_kinds(thin, UNKNOWN).chance["sway"]
    assert weigh_kinds(wide, UNKNOWN).swings.gear < 0.5


def test_a_motion_seen_from_frame_to_frame_is_the_gear_and_nothing_else() -> None:
    swing = gear(6.0)
    known = replace(seen(swing), from_speed=swing)
    assert weigh_kinds(known, UNGUIDED).swings.gear > 0.8


def test_a_steady_smear_hides_no_late_corrections() -> None:
    steady = 0.25 * np.exp(2.5j) + one_way(4, 12, 16)
    kinds = weigh_kinds(seen(steady, moved=(4, 8, 12, 16)), GUIDED)
    assert kinds.late_log_odds > 1


def test_probabilities_add_up_and_no_direction_of_the_camera_matters() -> None:
    smear = seen(one_way(4, 12, 16), moved=(4, 8, 12, 16))
    straight, turned = (weigh_kinds(replace(smear, smear=smear.smear * turn), GUIDED) for turn in (1, np.exp(1.3j)))
    assert sum(straight.chance.values()) == pytest.approx(1)
    for kind, chance in straight.chance.items():
        assert turned.chance[kind] == pytest.approx(chance, abs=1e-6)


def test_corrections_that_stay_late_for_some_frames_are_shown_in_all_of_them() -> None:
    kinds = weigh_kinds(seen(one_way(4, 5, 6, 12, 13, 14), moved=(4, 8, 12, 16)), GUIDED)
    assert likeliest(kinds) == "after moves"
    assert np.flatnonzero(kinds.late > 0.05).tolist() == [4, 5, 6, 12, 13, 14]


def test_moves_before_every_frame_cost_no_evidence() -> None:
    every = tuple(range(FRAMES))
    kinds = weigh_kinds(seen(one_way(*range(0, FRAMES, 3)), moved=every), GUIDED)
    assert likeliest(kinds) == "after moves"


def test_restless_stars_are_not_taken_for_late_corrections() -> None:
    chance = np.random.default_rng(9).normal(0, 0.1, (2, FRAMES))
    smear = chance[0] + 1j * chance[1]
    smear[[4, 12, 16]] += 0.8 * DIRECTION
    kinds = weigh_kinds(seen(smear, moved=(4, 8, 12, 16)), GUIDED)
    assert set(np.flatnonzero(kinds.late > 0.3)) == {4, 12, 16}


def test_smears_alike_in_all_frames_along_one_direction_are_no_late_corrections() -> None:
    # the mean of n squared swings scatters by sqrt(2 / n): 0.18 for 60 corrections in each exposure (closed form)
    chance = np.random.default_rng(8)
    smear = 0.3 * chance.chisquare(60, FRAMES) / 60 * DIRECTION + 0j
    kinds = weigh_kinds(seen(smear, moved=tuple(range(2, FRAMES, 2))), UNKNOWN)
    assert likeliest(kinds) in ("hunting", "sway")
    assert kinds.late_log_odds < -2


@pytest.mark.parametrize(("along", "by_slack"), [(1, False), (-1, True)])
def test_corrections_that_hunt_along_declination_hunt_for_slack(along: int, by_slack: bool) -> None:
    # each smear the square of a speed by chance, all along one axis: right ascension (+1) or declination (-1)
    speed = np.random.default_rng(11).normal(0, 0.45, FRAMES)
    kinds = weigh_kinds(replace(seen(along * speed**2), ra_known=True), GUIDED)
    assert kinds.chance["hunting"] > 0.5
    assert (kinds.late_log_odds > kinds.hunting_log_odds) == by_slack
    assert kinds.swings.hunted == pytest.approx(speed**2, abs=0.08)


def test_a_swing_beside_a_steady_drift_across_it_turns_the_smear_to_either_side_and_is_the_gear() -> None:
    # speeds along and across add as a complex number; a smear has its square (closed form, (vt)²/12 along v)
    speed = np.cos(2 * np.pi * np.arange(FRAMES) / 8.3 + 0.3) + 0.15j
    kinds = weigh_kinds(seen(0.6 * speed**2 * DIRECTION), UNGUIDED)
    assert kinds.swings.gear > 0.8
    assert kinds.knocks < 0.3


def test_what_two_explanations_of_the_optics_leave_is_as_likely_as_they_are() -> None:
    late, calm = (weigh_kinds(seen(smear), GUIDED) for smear in (one_way(9, 10, 11, 12, 13, 14), np.zeros(FRAMES)))
    both = all_together(np.array([0.6, 0.3]), [late, calm])
    assert both.late_chance == pytest.approx((2 * late.late_chance + calm.late_chance) / 3)
    assert sum(both.chance.values()) == pytest.approx(1)
    assert np.array_equal(both.late, late.late)
