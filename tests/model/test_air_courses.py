"""The courses that air may take through a night are those of a random process that forgets itself."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.append(str(Path(__file__).parents[1] / "causes"))
from moving_nights import MovingNight, night_of

from framecheck.model.setting import AIR_WANDERS, air_courses, setting_of
from framecheck.night.records import NightFrame


def test_all_courses_together_wander_as_the_process_does_about_its_mean() -> None:
    # as many courses as frames leave nothing out: they are a root of the covariance, less what all frames share
    minutes = np.array([0.0, 7.0, 40.0, 41.0, 200.0])
    courses = air_courses(minutes)
    apart = np.abs(np.subtract.outer(minutes, minutes))
    covariance = sum(wander**2 * np.exp(-apart / forgets) for wander, forgets in AIR_WANDERS)
    centred = np.eye(5) - 1 / 5
    assert courses @ courses.T == pytest.approx(centred @ covariance @ centred, abs=1e-12)


def test_the_first_courses_are_the_largest() -> None:
    size = np.sum(air_courses(np.arange(40.0)) ** 2, axis=0)
    assert (np.diff(size) < 0).all()


def test_frames_whose_times_are_unknown_take_no_course() -> None:
    assert air_courses(np.zeros(6)) == pytest.approx(0.0, abs=1e-7)


def test_a_camera_that_knows_only_its_own_clock_tells_the_same_courses() -> None:
    night = night_of(MovingNight(n=8))

    def by_clock(frame: NightFrame) -> NightFrame:
        start = frame.result.exposure.start_utc
        assert start is not None
        local = replace(frame.result.exposure, start_utc=None, start_local=start.replace(tzinfo=None))
        return replace(frame, result=replace(frame.result, exposure=local))

    local = replace(night, frames=tuple(map(by_clock, night.frames)))
    told = [setting_of(one, one.groups, one.rig) for one in (night, local)]
    assert told[0] is not None
    assert told[1] is not None
    assert np.abs(told[0][0].air_course).max() > 0.01
    assert told[1][0].air_course == pytest.approx(told[0][0].air_course)
