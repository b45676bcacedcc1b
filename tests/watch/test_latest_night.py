"""Which frames belong to the night that is going on."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

from kept_frames import result_of

from framecheck.field import FrameFailure, FrameResult
from framecheck.night.records import Skipped
from framecheck.watch.latest_night import begin_of_night, is_same_night, latest_night

DUSK = datetime(2024, 3, 12, 18, 0, tzinfo=UTC)


def hours(*after: float) -> list[datetime | None]:
    return [DUSK + timedelta(hours=one) for one in after]


def test_a_night_begins_after_the_last_day() -> None:
    assert begin_of_night([]) is None
    assert begin_of_night([None]) is None
    assert begin_of_night(hours(3, 0, 9, 5)) == DUSK  # four hours of cloud are no day
    assert begin_of_night([*hours(0, 9, 24, 30), None]) == DUSK + timedelta(hours=24)
    assert begin_of_night(hours(0, 240)) == DUSK + timedelta(hours=240)


def test_frames_of_the_night_before_are_left_out_and_those_without_a_time_are_not() -> None:
    def at(name: str, start: datetime | None) -> FrameResult:
        from dataclasses import replace

        result = result_of(Path(name), n_stars=1)
        return replace(result, exposure=replace(result.exposure, start_utc=start))

    failure = FrameFailure(exposure=None, file="bad.fits", fault="is empty", remedy="Delete it.")
    outcomes = {
        Path("old.fits"): at("old.fits", DUSK - timedelta(days=1)),
        Path("new.fits"): at("new.fits", DUSK),
        Path("when.fits"): at("when.fits", None),
        Path("bad.fits"): failure,
        Path("dark.fits"): Skipped(file=Path("dark.fits"), kind="dark", why="the header says so"),
    }
    found = latest_night(outcomes)
    assert [one.exposure.file.name for one in found.results] == ["new.fits", "when.fits"]
    assert found.failures == (failure,)
    assert len(found.skipped) == 1


def test_a_night_is_known_again_though_its_first_frame_is_gone() -> None:
    assert is_same_night(DUSK, DUSK + timedelta(hours=3))
    assert not is_same_night(DUSK, DUSK + timedelta(hours=23))
    assert not is_same_night(None, DUSK)
    assert is_same_night(None, None)
