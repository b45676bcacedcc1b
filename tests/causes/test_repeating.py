"""Smears that repeat themselves, in closed form, and those that only look so."""

from dataclasses import replace

import numpy as np
import pytest
from test_kinds import DIRECTION, FRAMES, GUIDED, UNGUIDED, gear, seen

from framecheck.causes.kinds import weigh_kinds
from framecheck.causes.repeating import repeats, with_the_moves


@pytest.mark.parametrize("every", [3.3, 4.6, 7.1])
def test_the_square_of_a_swing_comes_again_after_half_its_period(every: float) -> None:
    log_odds, period_min = repeats(seen(gear(2 * every)))
    assert log_odds > 5
    assert period_min is not None
    # what frames at equal intervals show is the period or one of twice its length, with two waves in it
    turns = period_min * 60 / 130 / every
    assert turns == pytest.approx(round(turns), abs=0.05)


def test_smears_that_come_as_they_will_rarely_repeat_themselves() -> None:
    rng = np.random.default_rng(8)
    found = [repeats(seen(rng.exponential(0.3, FRAMES) * DIRECTION))[0] for _ in range(200)]
    assert np.mean(np.array(found) > 2) <= 0.05
    assert np.mean(found) < 0


def test_a_smear_that_only_grows_has_no_period() -> None:
    assert repeats(seen(np.linspace(0, 0.8, FRAMES) * DIRECTION))[0] < 0


def test_a_guided_gear_is_seen_where_its_swings_come_again() -> None:
    uneven = 0.1 * np.random.default_rng(3).random(FRAMES) * DIRECTION
    kinds = weigh_kinds(seen(gear(9.2) + uneven), GUIDED)
    assert kinds.swings.gear > 0.7
    assert kinds.swings.period_min is not None


def test_what_comes_again_after_each_dither_is_slack_and_no_gear() -> None:
    dithered = np.isin(np.arange(FRAMES) % 3, (0, 1)) * (0.3 + 0.2 * np.random.default_rng(5).random(FRAMES))
    night = replace(seen(dithered * DIRECTION, moved=tuple(range(0, FRAMES, 3))), moved_every=3)
    log_odds, period_min = repeats(night)
    assert log_odds > 3
    assert with_the_moves(night, period_min)
    kinds = weigh_kinds(night, GUIDED)
    assert kinds.late_chance > 0.7
    assert kinds.swings.gear < 0.1


def test_where_nobody_corrects_the_gear_swings_in_step_with_the_dithers() -> None:
    # the square of a swing of six frames comes again after three
    night = replace(seen(gear(6.05), moved=tuple(range(0, FRAMES, 3))), moved_every=3)
    assert with_the_moves(night, repeats(night)[1])
    kinds = weigh_kinds(night, 2 * UNGUIDED)
    assert kinds.swings.gear > 0.7
    assert kinds.late_chance < 0.1
    assert weigh_kinds(night, GUIDED).late_chance > 0.5
