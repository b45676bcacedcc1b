"""The courses that air may take through a night are those of a random process that forgets itself."""

import numpy as np
import pytest

from framecheck.model.setting import AIR_WANDERS, air_courses


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
