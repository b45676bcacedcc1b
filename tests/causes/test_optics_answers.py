"""What causes of focus and optics answer, given what the model of the night drew of them."""

from dataclasses import replace

import numpy as np
import pytest
from moving_nights import MovingNight, night_of

from framecheck.causes.optics import BY_MODEL, LIMIT_SCATTER, explained_optics, log_odds_of, optics_answers
from framecheck.causes.result import CannotTell, Finding
from framecheck.model.costs import SEEN, WORTH_NAMING, Effect


def effect(*shares: float) -> Effect:
    """Of these shares of the squared width in as many draws, everywhere alike."""
    return Effect(np.array(shares)[:, None, None] * np.ones((1, 3, 4)))


def test_an_effect_at_the_limit_is_as_likely_named_as_not() -> None:
    assert log_odds_of(effect(*[WORTH_NAMING] * 10)) == pytest.approx(0.0, abs=1e-6)


def test_certainty_grows_with_the_effect_as_a_normal_error_lets_expect() -> None:
    # two standard deviations above: 0.977 (table of the normal distribution)
    two_above = WORTH_NAMING * float(np.exp(2 * LIMIT_SCATTER))
    chance = 1 / (1 + np.exp(-log_odds_of(effect(two_above))))
    assert chance == pytest.approx(0.977, abs=0.001)


def test_two_explanations_that_disagree_leave_it_open() -> None:
    torn = effect(*[4 * WORTH_NAMING] * 8, *[0.0] * 8)
    assert log_odds_of(torn) == pytest.approx(0.0, abs=0.05)


def test_what_the_eye_sees_is_named_though_it_widens_nothing() -> None:
    look = np.full((5, 3, 4), 3 * SEEN["comet"])
    assert log_odds_of(Effect(np.zeros((5, 3, 4)), look, "comet")) > 3


def test_astigmatism_is_named_by_its_shape_alone() -> None:
    wide = Effect(np.full((5, 3, 4), 0.5), np.zeros((5, 3, 4)), "shape", named_by_size=False)
    assert log_odds_of(wide) < -3


def test_without_stars_over_the_field_nothing_is_claimed_of_the_optics() -> None:
    night = night_of(MovingNight(n=3))
    starless = replace(
        night, frames=tuple(replace(one, result=replace(one.result, shape=None)) for one in night.frames), groups=()
    )
    answers = optics_answers(explained_optics(starless, night.rig))
    assert [one.cause for one in answers] == [cause.name for cause in BY_MODEL]
    assert all(isinstance(one, CannotTell) for one in answers)


def test_pixels_coarser_than_the_star_hide_a_missed_focus() -> None:
    night = night_of(MovingNight(fwhm_px=lambda i: 1.2))
    found = {one.cause: one for one in optics_answers(explained_optics(night, night.rig))}
    assert isinstance(found["defocus"], CannotTell)
    assert "1.2 px" in found["defocus"].because


def test_frames_of_a_tilted_sensor_are_all_touched() -> None:
    night = night_of(MovingNight(tilt_percent=25, guided=True))
    found = next(one for one in optics_answers(explained_optics(night, night.rig)) if one.cause == "sensor-tilt")
    assert isinstance(found, Finding)
    assert found.affected == frozenset(range(len(night.frames)))
    assert found.cost is not None
    assert 0 < found.cost < 0.5
