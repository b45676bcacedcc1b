"""Cloud, told from dew, extinction and spoilt frames."""

from dataclasses import replace

import numpy as np
import pytest
from made_nights import N, make_night

from framecheck.causes.cloud import cloud
from framecheck.causes.result import CannotTell, Finding, Healthy
from framecheck.motion.night import Night

I = np.arange(N)  # noqa: E741
LATE = I / (N - 1)


def claims(night: Night) -> bool:
    found = cloud(night, night.rig)
    return isinstance(found, Finding) and found.confidence >= 0.5


@pytest.mark.parametrize("seed", range(10))
def test_a_healthy_night_shows_nothing(seed: int) -> None:
    assert isinstance(cloud(make_night(seed=seed), make_night().rig), Healthy)


@pytest.mark.parametrize("depth", [0.4, 0.15])
@pytest.mark.parametrize("middle", [8, 20, 33])
def test_a_bank_of_cloud_is_named(depth: float, middle: int) -> None:
    bank = np.exp(-(((I - middle) / 4) ** 2))
    night = make_night(light=1 - depth * bank, sky=1 + 0.3 * depth * bank)
    found = cloud(night, night.rig)
    assert isinstance(found, Finding)
    assert found.confidence > 0.85
    assert found.evidence[0].value == pytest.approx(100 * depth, abs=5)
    assert 4 <= found.frames_affected <= 15


@pytest.mark.parametrize("depth", [0.5, 0.25])
def test_drifting_cloud_over_most_of_the_night_is_named(depth: float) -> None:
    rng = np.random.default_rng(5)
    night = make_night(light=1 - depth * rng.random(N))
    assert claims(night)


def test_cloud_that_comes_and_stays_is_named() -> None:
    rng = np.random.default_rng(5)
    night = make_night(light=np.where(I > 30, 0.5 + 0.3 * rng.random(N), 1.0))
    assert claims(night)


@pytest.mark.parametrize("hazy", [0.6, 0.9])
def test_a_steady_fade_under_growing_stars_is_left_to_dew(hazy: float) -> None:
    fog = np.clip(LATE - 0.4, 0, None)
    night = make_night(light=1 - hazy * fog, widening=1 + hazy * fog, sky=1 - hazy * fog / 2)
    assert not claims(night)


def test_a_fade_that_quickens_under_growing_stars_is_left_to_dew() -> None:
    # dew takes a like part of the clear light each minute: more and more of what is left
    night = make_night(light=1 - 0.7 * LATE**1.5, widening=1 + 0.3 * LATE)
    assert not claims(night)


def test_a_cloud_among_growing_stars_that_goes_again_is_named() -> None:
    night = make_night(light=1 - 0.6 * np.exp(-(((I - 22) / 3) ** 2)), widening=1 + 0.15 * LATE)
    assert claims(night)


def test_a_steady_fade_under_a_brightening_sky_is_cloud_or_dew() -> None:
    night = make_night(light=1 - 0.6 * LATE, sky=1 + 0.5 * LATE)
    found = cloud(night, night.rig)
    assert isinstance(found, Finding)
    assert 0.5 <= found.confidence < 0.6
    assert found.rivals[0].cause == "dew"


@pytest.mark.parametrize("highest_airmass", [2.0, 3.5])
def test_extinction_is_no_cloud(highest_airmass: float) -> None:
    assert not claims(make_night(airmass=1.2 + (highest_airmass - 1.2) * LATE))


def test_spoilt_frames_are_no_cloud() -> None:
    knocked = np.isin(I, [5, 17, 29])
    assert not claims(make_night(light=np.where(knocked, 0.7, 1.0), widening=np.where(knocked, 2.0, 1.0)))


def test_one_blunder_is_no_cloud() -> None:
    assert not claims(make_night(light=np.where(I == 12, 0.85, 1.0)))


def test_frames_whose_stars_all_went_are_counted() -> None:
    night = make_night()
    frames = list(night.frames)
    for i in range(20, 26):
        stars = replace(frames[i].result.stars, n_found=30)
        frames[i] = replace(frames[i], result=replace(frames[i].result, stars=stars, shape=None), transparency=None)
    found = cloud(replace(night, frames=tuple(frames)), night.rig)
    assert isinstance(found, Finding)
    assert found.confidence > 0.9
    assert found.frames_affected == 6


def test_the_cost_is_the_square_of_the_light_lost() -> None:
    # closed form: against sky noise, half of the light is a quarter of the effective exposure; ten of forty frames
    night = make_night(light=np.where((I >= 10) & (I < 20), 0.5, 1.0))
    found = cloud(night, night.rig)
    assert isinstance(found, Finding)
    assert found.cost == pytest.approx(0.75 * 10 / 40, rel=0.05)


def test_a_few_frames_cannot_tell() -> None:
    assert isinstance(cloud(make_night(airmass=np.ones(4)), make_night().rig), CannotTell)


@pytest.mark.parametrize("elongation", [1.06, 1.8])
def test_a_small_cloud_of_two_frames_is_named_though_tracking_is_bad(elongation: float) -> None:
    night = make_night(light=np.where(np.isin(I, [36, 37]), 0.5, 1.0), elongation=elongation)
    found = cloud(night, night.rig)
    assert isinstance(found, Finding)
    assert found.confidence > 0.9
    assert found.frames_affected == 2
