"""Sessions: one rig, without a gap of hours. Pauses are chosen around the two hours that part them."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from framecheck.motion.build import build_night
from framecheck.night.groups import group_exposures
from framecheck.night.sessions import sessions_of
from framecheck.read.exposure import Exposure, Orientation
from framecheck.read.rig import Rig, merge_rig

DUSK = datetime(2024, 3, 1, 20, tzinfo=UTC)


def light(minutes: float | None = 0.0, **facts: object) -> Exposure:
    usual = {"target": "M 31", "filter": "L", "exposure_s": 120.0, "width_px": 1000, "height_px": 800}
    start = None if minutes is None else DUSK + timedelta(minutes=minutes)
    return Exposure(file=Path("a.fits"), kind="light", start_utc=start, **(usual | facts))


def solved(scale: float) -> Orientation:
    return Orientation(pixel_scale_arcsec=scale, north_up_deg=0.0, mirrored=False, ra_deg=10.0, dec_deg=41.0)


def test_a_night_of_many_targets_filters_and_pauses_of_an_hour_is_one_session() -> None:
    night = [
        light(0, target="M 31"), light(70, target="M 33", filter="Ha"), light(150, exposure_s=30.0, binning=2),
        light(260, pier_side="west"), light(375, filter="R"),
    ]  # fmt: skip
    assert sessions_of(night) == (0, 0, 0, 0, 0)


def test_a_gap_of_hours_parts_sessions_and_the_exposure_itself_is_no_gap() -> None:
    assert sessions_of([light(0), light(119), light(250)]) == (0, 0, 1)
    assert sessions_of([light(0, exposure_s=3600.0), light(170)]) == (0, 0)


def test_frames_that_failed_show_that_the_rig_was_at_work() -> None:
    frames = [light(0), light(200)]
    assert sessions_of(frames) == (0, 1)
    assert sessions_of(frames, [light(100)]) == (0, 0)
    assert sessions_of(frames, [light(100, camera="another")]) == (0, 0), "what says no camera may be that one's"
    named = [replace(one, camera="this") for one in frames]
    assert sessions_of(named, [light(100, camera="another")]) == (0, 1)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ({"camera": "kb82"}, {"camera": "kb97"}), ({"telescope": "0m4-04"}, {"telescope": "0m4-05"}),
        ({"focal_length_mm": 800.0}, {"focal_length_mm": 640.0}),
        ({"orientation": solved(1.0)}, {"orientation": solved(1.3)}),
    ],
)  # fmt: skip
def test_another_instrument_is_another_session_even_at_the_same_time(one: dict, other: dict) -> None:
    by_turns = [light(0, **one), light(1, **other), light(2, **one), light(3, **other)]
    assert sessions_of(by_turns) == (0, 1, 0, 1)


def test_what_is_said_in_other_words_or_not_at_all_is_no_other_instrument() -> None:
    night = [
        light(0, camera="Cam-1", focal_length_mm=800.0), light(1, camera="cam 1", focal_length_mm=803.0), light(2),
        light(3, binning=2, orientation=solved(2.0)), light(4, binning=1, orientation=solved(1.001)),
    ]  # fmt: skip
    assert sessions_of(night) == (0, 0, 0, 0, 0)


def test_without_times_a_folder_is_one_session() -> None:
    assert sessions_of([light(None), light(None)]) == (0, 0)
    assert sessions_of([light(0), light(500), light(None)]) == (0, 1, 0)
    assert sessions_of([]) == ()


def test_visits_are_groups_of_their_own_with_readable_unique_names() -> None:
    night = [light(0), light(10), light(300), light(310), light(600), light(605, camera="other")]
    groups = group_exposures(night, sessions_of(night))
    assert [group.id for group in groups][:3] == ["M 31/L/120s/unnamed camera", "M 31/L/120s/unnamed camera/visit 2",
                                                  "M 31/L/120s/unnamed camera/visit 3"]  # fmt: skip
    plain = night[:5]
    groups = group_exposures(plain, sessions_of(plain))
    assert [group.id for group in groups] == ["M 31/L/120s", "M 31/L/120s/visit 2", "M 31/L/120s/visit 3"]
    assert [group.session for group in groups] == [0, 1, 2]
    assert [group.members for group in groups] == [(0, 1), (2, 3), (4,)]


def test_fields_of_one_name_that_share_no_sky_are_apart_and_dithers_and_overlaps_are_not() -> None:
    """A field of 0.9 by 0.7 degrees, 1.1 from corner to corner."""
    facts = {"pixel_um": 3.76, "focal_length_mm": 240.0}  # 3.2 arcsec a pixel

    def at(ra: float) -> Exposure:
        return light(0, ra_deg=ra, dec_deg=0.0, **facts)

    assert len(group_exposures([at(10.0), at(10.02), at(10.7), at(11.5)])) == 1, "each overlaps with the next"
    groups = group_exposures([at(10.0), at(13.0), at(10.01), at(13.02)])
    assert [group.members for group in groups] == [(0, 2), (1, 3)]
    assert [group.id for group in groups] == ["M 31/L/120s", "M 31/L/120s/field 2"]
    unknown = [light(0, ra_deg=ra, dec_deg=0.0) for ra in (10.0, 13.0)]
    assert len(group_exposures(unknown)) == 1, "a field of unknown size may be large"


def test_drift_never_runs_across_a_gap(sky_field, draw, frame_of) -> None:
    """The same field on two evenings, still in each and 40 px apart between them."""
    field = sky_field(np.random.default_rng(1), 500)
    results = [
        frame_of(draw(field, shift=(40.0 * visit, 0)), name=f"{visit}_{i}.fits", minutes=2.0 * i + 600 * visit)
        for visit in range(2) for i in range(8)
    ]  # fmt: skip
    night = build_night(Path("night"), Rig(), results)
    assert [group.session for group in night.groups] == [0, 1]
    for group in night.groups:
        motion = night.motion[group.id]
        assert len(motion.frames) == 8
        assert abs(motion.drift_x_px_per_min) < 4 * motion.drift_error_px_per_min


def test_two_rigs_of_one_folder_have_each_their_own_scale(sky_field, draw, frame_of) -> None:
    field = sky_field(np.random.default_rng(2), 300)
    results = [
        frame_of(draw(field), name=f"{i}.fits", minutes=i, camera=("a", "b")[i % 2], pixel_um=3.76,
                 focal_length_mm=(500.0, 1000.0)[i % 2])
        for i in range(8)
    ]  # fmt: skip
    rig = merge_rig(Rig(aperture_mm=100.0), [one.exposure for one in results])
    night = build_night(Path("night"), rig, results)
    scales = [night.rig_of(group.session).pixel_scale_arcsec for group in night.groups]
    assert scales == pytest.approx([1.551, 0.776], abs=0.001), "206265 arcsec a radian"
    assert {night.rig_of(group.session).aperture_mm for group in night.groups} == {100.0}
    assert build_night(Path("night"), rig, results[::2]).rigs == {}
