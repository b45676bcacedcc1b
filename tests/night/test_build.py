"""The whole night: order, laws, speed."""

import pickle
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from framecheck.motion.build import build_night
from framecheck.read.rig import Rig

RIG = Rig()
HERE = Path("night")


@pytest.fixture
def evening(sky_field, draw, frame_of):
    """A night of drifting frames with a few spoilt ones."""
    rng = np.random.default_rng(1)
    field = sky_field(rng, 700)
    light = np.where(np.arange(24) == 9, 0.4, 1.0)
    return [
        frame_of(
            draw(field, shift=(0.3 * i, -0.1 * i), rotation_deg=0.001 * i, flux_factor=t),
            name=f"light_{i}.fits", minutes=1.5 * i, fwhm_px=3 + 0.05 * (i % 5), noise_adu=20 + 0.1 * i,
        )
        for i, t in enumerate(light)
    ]  # fmt: skip


def figures(night) -> list[tuple]:
    return [
        (
            str(frame.result.exposure.file), frame.group, frame.transparency, frame.effective_exposure_s,
            None if frame.registration is None else (frame.registration.shift_x_px, frame.registration.rotation_deg),
        )
        for frame in night.frames
    ]  # fmt: skip


def test_frames_stand_in_order_of_time_and_groups_point_at_them(evening) -> None:
    night = build_night(HERE, RIG, evening[::-1])
    starts = [frame.result.exposure.start_utc for frame in night.frames]
    assert starts == sorted(starts)
    (group,) = night.groups
    assert group.members == tuple(range(24))
    assert {frame.group for frame in night.frames} == {group.id} == set(night.motion)
    assert night.frames[group.reference].registration.shift_x_px == 0
    assert group.total_exposure_s == 24 * 60
    assert group.effective_exposure_s == pytest.approx(sum(frame.effective_exposure_s for frame in night.frames))


def test_what_was_put_in_comes_out(evening) -> None:
    night = build_night(HERE, RIG, evening)
    assert night.frames[9].transparency == pytest.approx(0.4, rel=0.02)
    assert night.frames[9].effective_exposure_s < 0.25 * 60
    drift = night.motion[night.groups[0].id]
    assert drift.drift_x_px_per_min == pytest.approx(0.2, abs=4 * drift.drift_error_px_per_min)
    assert drift.drift_y_px_per_min == pytest.approx(-0.1 / 1.5, abs=4 * drift.drift_error_px_per_min)
    assert drift.rotation_deg_per_hour == pytest.approx(0.04, abs=4 * drift.rotation_error_deg_per_hour)
    assert all(0 < frame.effective_exposure_s <= 60 for frame in night.frames)


def test_the_order_of_the_files_does_not_matter(evening) -> None:
    night = build_night(HERE, RIG, evening)
    shuffled = [evening[i] for i in np.random.default_rng(2).permutation(24)]
    assert figures(build_night(HERE, RIG, shuffled)) == figures(night)


def test_without_times_files_stand_in_the_order_of_their_numbers(draw, sky_field, frame_of) -> None:
    table = draw(sky_field(np.random.default_rng(3), 300))
    names = ["light_10.fits", "light_2.fits", "light_1.fits"]
    results = [frame_of(table, name=name, minutes=None) for name in names]
    timed = frame_of(table, name="z.fits", minutes=0)
    night = build_night(HERE, RIG, [*results, timed])
    assert [frame.result.exposure.file.name for frame in night.frames] == [
        "z.fits", "light_1.fits", "light_2.fits", "light_10.fits",
    ]  # fmt: skip


def test_two_targets_are_two_groups_each_with_its_own_best(evening, draw, sky_field, frame_of) -> None:
    other = sky_field(np.random.default_rng(4), 500)
    more = [frame_of(draw(other, flux_factor=0.2), name=f"o{i}.fits", minutes=100 + i, target="M 33") for i in range(4)]
    night = build_night(HERE, RIG, [*evening, *more])
    assert [group.id for group in night.groups] == ["M 31/L/60s", "M 33/L/60s"]
    assert [frame.transparency for frame in night.frames[24:]] == pytest.approx([1.0] * 4, abs=0.02)


def test_splitting_a_night_changes_little(evening) -> None:
    whole = build_night(HERE, RIG, evening)
    half = build_night(HERE, RIG, evening[:12])
    ratio = [a.transparency / b.transparency for a, b in zip(whole.frames, half.frames, strict=False)]
    assert ratio == pytest.approx([1.0] * 12, abs=0.02)


def test_a_night_survives_the_trip_between_processes_and_stays_small(evening) -> None:
    night = build_night(HERE, RIG, evening)
    packed = pickle.dumps(night)
    assert figures(pickle.loads(packed)) == figures(night)
    assert len(packed) < 1.05 * len(pickle.dumps(evening)) + 60_000


def test_nothing_is_a_night_too() -> None:
    night = build_night(HERE, RIG, [])
    assert (night.frames, night.groups, night.motion) == ((), (), {})


def test_a_frame_without_any_star_has_its_place(evening, draw, sky_field, frame_of) -> None:
    empty = frame_of(draw(sky_field(np.random.default_rng(5), 300))[:0], name="empty.fits", minutes=7, shape=False)
    night = build_night(HERE, RIG, [*evening, empty])
    (frame,) = [frame for frame in night.frames if frame.result.exposure.file.name == "empty.fits"]
    assert (frame.registration, frame.transparency, frame.effective_exposure_s) == (None, None, None)
    alone = build_night(HERE, RIG, [empty])
    assert alone.groups[0].effective_exposure_s is None


def test_motion_is_timed_from_the_middle_of_exposures(evening) -> None:
    night = build_night(HERE, RIG, evening)
    drift = night.motion[night.groups[0].id]
    assert drift.minutes[:3] == (0.0, 1.5, 3.0)
    assert drift.frames == night.groups[0].members
    first, second = (night.frames[i].result.exposure.middle_utc for i in drift.frames[:2])
    assert second - first == timedelta(minutes=1.5)
