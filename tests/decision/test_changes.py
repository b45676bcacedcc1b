"""What changes while a night goes on, and what does not."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.append(str(Path(__file__).parent.parent / "causes"))
from made_nights import N, make_night, wander

from framecheck.decision.changes import changes, standing_off
from framecheck.field.result import FrameFailure
from framecheck.motion.night import Night

I = np.arange(N)  # noqa: E741
NAMES = [f"light_{i:04d}.fits" for i in range(N)]


def so_far(night: Night, n: int) -> Night:
    """The night as it was when its first n frames had come."""
    group = replace(night.groups[0], members=tuple(range(n)))
    return replace(night, frames=night.frames[:n], groups=(group,))


def longer(night: Night, elongation: np.ndarray) -> Night:
    frames = []
    for frame, long in zip(night.frames, elongation, strict=True):
        assert frame.result.shape is not None
        shape = replace(frame.result.shape, elongation=float(long))
        frames.append(replace(frame, result=replace(frame.result, shape=shape)))
    return replace(night, frames=tuple(frames))


def signs(night: Night) -> list[tuple[str, str, bool]]:
    return [(one.sign, one.first.file.name, one.lasts) for one in changes(night)]


@pytest.mark.parametrize("seed", range(40))
def test_a_healthy_night_shows_no_change_at_any_time(seed: int) -> None:
    night = make_night(seed=seed)
    for n in range(1, N + 1, 3):
        assert changes(so_far(night, n)) == ()


def test_few_healthy_nights_of_restless_air_show_one() -> None:
    # the air wanders by 7 % (one standard deviation, correlated over five frames): a common poor night
    found = sum(bool(changes(make_night(seed=seed, seeing_change=0.07))) for seed in range(100))
    assert found <= 10


@pytest.mark.parametrize("depth", [0.15, 0.5])
def test_cloud_is_seen_with_its_second_frame_and_over_with_the_second_clear_one(depth: float) -> None:
    cloud = (I >= 20) & (I < 28)
    night = make_night(light=1 - depth * cloud, sky=1 + 0.1 * depth * cloud)
    assert signs(so_far(night, 21)) == []
    assert signs(so_far(night, 22)) == [("dimmer", NAMES[20], True)]
    assert signs(so_far(night, 29)) == [("dimmer", NAMES[20], True)]
    assert signs(so_far(night, 30)) == [("dimmer", NAMES[20], False)]
    (change,) = changes(night)
    assert change.now / change.usual == pytest.approx(1 - depth, abs=0.05)
    assert change.last.file.name == NAMES[27]
    assert change.n_frames == 8


def test_one_spoilt_frame_is_no_change() -> None:
    once = I == 25
    assert changes(make_night(light=1 - 0.6 * once, widening=1 + 0.8 * once)) == ()
    assert changes(longer(make_night(), 1.06 + 1.2 * once)) == ()


@pytest.mark.parametrize("extinction_mag", [0.0, 0.3])
def test_a_setting_target_is_no_cloud(extinction_mag: float) -> None:
    # 0.2 mag per air mass are in the made night; up to 0.5 at hazy sites
    airmass = 1.05 + 1.2 * (I / (N - 1)) ** 2
    night = make_night(airmass=airmass, light=10 ** (-0.4 * extinction_mag * (airmass - airmass.min())))
    assert signs(night) == []


@pytest.mark.parametrize("rate", [0.02, 0.05])
def test_focus_that_runs_away_is_seen_before_stars_are_half_as_wide_again(rate: float) -> None:
    out = np.sqrt(1 + (rate * 5 * np.clip(I - 15, 0, None)) ** 2)  # in quadrature, closed form for Gaussian stars
    night = make_night(widening=out)
    seen = next(n for n in range(6, N + 1) if changes(so_far(night, n)))
    assert signs(so_far(night, seen))[0][0] == "wider"
    assert out[seen - 1] < 1.5
    assert all(sign == "wider" for sign, _, _ in signs(night))


def test_focus_that_runs_away_from_the_first_frame_on_is_seen_too() -> None:
    night = make_night(widening=1 + 0.012 * I)
    assert [sign for sign, _, _ in signs(night)] == ["wider"]


def test_trails_are_seen_and_do_not_count_as_width() -> None:
    trailed = I >= 18
    night = longer(make_night(widening=np.where(trailed, np.sqrt(1.6), 1.0)), np.where(trailed, 1.6 * 1.06, 1.06))
    assert signs(so_far(night, 20)) == [("trailed", NAMES[18], True)]
    assert signs(night) == [("trailed", NAMES[18], True)]
    (change,) = changes(night)
    assert (change.usual, change.now) == (pytest.approx(1.06), pytest.approx(1.6 * 1.06))


def test_stars_that_were_always_long_by_turns_have_not_changed() -> None:
    beat = 1.35 + 0.25 * np.sin(2 * np.pi * I / 3.83)  # a worm of 479 s, a frame each 125 s
    assert signs(longer(make_night(widening=np.sqrt(beat / 1.06)), beat)) == []


def test_twilight_brightens_the_sky() -> None:
    night = make_night(sky=np.exp(0.15 * np.clip(I - 25, 0, None)))
    (change,) = changes(night)
    assert change.sign == "brighter sky"
    assert change.lasts
    assert change.now / change.usual == pytest.approx(np.exp(0.15 * 13), rel=0.25)


def test_frames_without_a_star_are_lost_light() -> None:
    night = so_far(make_night(), 20)
    dark = tuple(
        FrameFailure(
            exposure=replace(
                night.frames[0].result.exposure, file=Path(f"night/dark_{k}.fits"),
                start_utc=night.frames[-1].result.exposure.start_utc.replace(hour=22, minute=k),
            ),
            file=f"night/dark_{k}.fits", fault="no stars were found in it", remedy="Look.",
        )
        for k in range(2)
    )  # fmt: skip
    assert signs(replace(night, failures=dark[:1])) == []
    assert signs(replace(night, failures=dark)) == [("dimmer", "dark_0.fits", True)]
    other = tuple(replace(one, exposure=replace(one.exposure, filter="R")) for one in dark)
    assert signs(replace(night, failures=other)) == []  # of a filter that was never seen clear
    broken = tuple(replace(one, fault="ends after 1 of 2 MB") for one in dark)
    assert signs(replace(night, failures=broken)) == []


def test_a_group_that_is_done_is_asked_no_more() -> None:
    cloud = make_night(light=1 - 0.5 * (I >= 36))
    other = make_night(seed=3)
    frames = (*cloud.frames, *(replace(frame, group="b") for frame in other.frames))
    second = replace(other.groups[0], id="b", members=tuple(range(N, 2 * N)))
    both = replace(cloud, frames=frames, groups=(cloud.groups[0], second))
    assert signs(cloud) == [("dimmer", NAMES[36], True)]
    assert signs(both) == []


def test_a_run_needs_two_in_a_row_to_begin_and_two_to_end() -> None:
    value = np.zeros(30)
    value[[10, 15, 16, 17, 19, 20]] = 1.0
    assert standing_off(value, np.zeros(30), 0.3) == [(15, 21, 0.0)]


def test_a_frame_must_stand_off_by_its_own_error_too() -> None:
    value = np.zeros(20)
    value[15:] = 0.5
    assert standing_off(value, np.full(20, 0.05), 0.3)
    assert not standing_off(value, np.full(20, 0.12), 0.3)


@pytest.mark.parametrize("seed", range(20))
def test_what_comes_later_never_changes_what_was_told(seed: int) -> None:
    rng = np.random.default_rng(seed)
    value = wander(rng, 60, 0.1) + (rng.random(60) < 0.1)
    whole = standing_off(value, np.zeros(60), 0.2)
    for n in range(10, 60):
        part = standing_off(value[:n], np.zeros(n), 0.2)
        assert [run[0] for run in part] == [run[0] for run in whole][: len(part)]
