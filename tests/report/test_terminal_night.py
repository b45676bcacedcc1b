"""The night in a few lines."""

import re
from dataclasses import replace
from pathlib import Path

import by_hand
import pytest

from framecheck.cli.frame_command import frame_lines, judge_alone
from framecheck.decision.grades import Grade
from framecheck.field.result import FrameFailure, FrameResult
from framecheck.read.rig import Rig
from framecheck.report.frame_account import frame_account
from framecheck.report.look import Look
from framecheck.report.terminal import failure_line, night_lines

PIPE = Look()


def text(night: by_hand.Judgement, look: Look = PIPE) -> str:
    return "\n".join(night_lines(night, look))


def of_frame(result: FrameResult, rig: Rig, look: Look = PIPE) -> str:
    return "\n".join(frame_lines(result, frame_account(judge_alone(result, rig)), look))


def test_it_answers_and_names_the_worst() -> None:
    said = text(by_hand.judgement(44))
    assert said.startswith("M 101, 12 March 2024\n19:40 to 23:27 UTC\n\nFair night: ")
    there = replace(by_hand.judgement(44).night, rig=Rig(site_longitude_deg=150.0))  # ten hours ahead of Greenwich
    assert "UTC (05:40 to 09:27 local mean time)" in text(replace(by_hand.judgement(44), night=there))
    assert re.search(r"Worth +.* of perfect exposure \(3 h 40 min shot\)", said)
    assert "Rejected\n  × lights/M101_L_010.fits  stars are 1.7 times as long as wide" in said
    assert "Doubtful, the worst 3 of 7" in said
    assert "lights/M101_L_099.fits ends after 12 of 52 MB. Copy it again from the camera." in said


def test_the_most_harmful_frames_come_first_and_the_rest_is_counted() -> None:
    night = by_hand.judgement(20)
    grades = tuple(
        Grade(file=by_hand.FOLDER / f"{i}.fits", grade="reject", reasons=(f"reason {i}",), benefit=-float(i))
        for i in range(20)
    )
    said = text(replace(night, grades=grades))
    assert "Rejected, the worst 6 of 20" in said
    assert re.findall(r"× (\d+)\.fits", said) == ["19", "18", "17", "16", "15", "14"]


def test_nothing_from_files_or_headers_can_steer_the_terminal() -> None:
    hostile = "\x1b]0;title\x07\x1b[2J\r\u202e"
    night = by_hand.judgement(2)
    failure = FrameFailure(exposure=None, file=hostile, fault=hostile, remedy=hostile)
    groups = tuple(replace(group, target=hostile) for group in night.groups)
    grades = tuple(replace(grade, file=Path(hostile), grade="reject", reasons=(hostile,)) for grade in night.grades)
    spoilt = replace(
        night, night=replace(night.night, failures=(failure,)), groups=groups, grades=grades
    )  # fmt: skip
    said = text(spoilt)
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u202e]", said)
    exposure = replace(night.night.frames[0].result.exposure, file=Path(hostile), target=hostile, conflicts=(hostile,))
    lines = of_frame(replace(night.night.frames[0].result, exposure=exposure), Rig())
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u202e]", lines)


def test_colour_is_never_the_only_sign() -> None:
    night = by_hand.judgement(44)
    plain = text(night)
    coloured = text(night, Look(colour=True))
    assert "\x1b[" in coloured
    assert re.sub(r"\x1b\[\d+m", "", coloured) == plain


def test_lines_fit_the_terminal() -> None:
    for line in text(by_hand.judgement(44), Look(width=72)).split("\n"):
        assert len(line) <= 72


def test_a_failure_names_file_fault_and_remedy() -> None:
    failure = FrameFailure(exposure=None, file="a/b.fits", fault="is empty (0 bytes)", remedy="Delete it")
    assert failure_line(failure) == "a/b.fits is empty (0 bytes). Delete it."
    assert failure_line(failure, Path("a")) == "b.fits is empty (0 bytes). Delete it."


@pytest.mark.parametrize(("rig", "size"), [(Rig(), "1.7"), (by_hand.RIG, "arcsec")])
def test_one_frame_with_units_and_errors(rig: Rig, size: str) -> None:
    said = of_frame(by_hand.frame(0).result, rig)
    assert re.search(r"FWHM +.*" + size + r".* ± 0\.02 px", said)
    assert "up to 1.2 is hardly seen" in said
    shapeless = replace(by_hand.frame(0).result, shape=None)
    assert "too few good stars" in of_frame(shapeless, rig)
