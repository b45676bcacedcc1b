"""A knock is shown by a star with it beside one without; a trail by its frame, and by nothing where that is gone."""

from dataclasses import replace

import by_hand

from framecheck.causes.result import Finding
from framecheck.decision.judgement import Judgement
from framecheck.report.cause_photo import cause_photo
from framecheck.report.cause_picture import cause_picture
from framecheck.report.crops import FramePictures

SEEN = FramePictures(whole=b"whole", sheet=b"sheet", star=b"star")


def found(cause: str, frame: int) -> tuple[Judgement, Finding]:
    finding = Finding(cause=cause, confidence=0.95, affected=frozenset({frame}), cost=None)
    return replace(by_hand.judgement(8), findings=(finding,)), finding


def test_a_knock_is_shown_by_two_stars() -> None:
    judgement, finding = found("shock", 3)
    files = [frame.result.exposure.file for frame in judgement.night.frames]
    chart = cause_photo(judgement, finding, dict.fromkeys(files, SEEN))
    assert chart is not None
    assert chart.drawing.count("<img") == 2
    assert files[3].name in chart.caption
    without = cause_picture(judgement, finding, {})  # frames that are gone: along the night, all of them
    assert without is not None
    assert without.title == "Elongation with and without knocks and gusts"


def test_a_trail_is_shown_by_its_frame_or_not_at_all() -> None:
    judgement, finding = found("trail-crossing", 2)
    file = judgement.night.frames[2].result.exposure.file
    chart = cause_picture(judgement, finding, {file: SEEN})
    assert chart is not None
    assert "image/jpeg" in chart.drawing
    # what a trail leaves in a frame is no width and no length of stars
    assert cause_picture(judgement, finding, {}) is None
