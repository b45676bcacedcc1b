"""The lines of a watched night, for a person and for a program."""

import json
import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import by_hand
import pytest

from framecheck.decision.account import account_of
from framecheck.decision.alarms import Alarm, Told
from framecheck.decision.frame_row import FrameRow
from framecheck.errors import UnusableFrame
from framecheck.field import FrameFailure
from framecheck.night.records import Skipped
from framecheck.read.local_time import LocalTime
from framecheck.report.look import Look
from framecheck.watch import events
from framecheck.watch.events import Event, event_json, frame_line

ROWS = by_hand.judgement(44).rows
KEPT = ROWS[0]
SPOILT = next(row for row in ROWS if row.grade == "reject")
FOLDER = Path("lights")
HOSTILE = "\x1b]0;title\x07\x1b[2J\r\u202e\udcff"
ALARM = Alarm(
    sign="dimmer", group=HOSTILE, since=HOSTILE, since_utc=None, usual=1.0, now=float("nan"), cause="cloud",
    confidence=0.84, cure="Leave them out.", caution=None,
)  # fmt: skip


def test_a_frame_takes_one_line_under_its_heads() -> None:
    measured = [row for row in ROWS if row.status == "measured"]
    known = events.knew(measured, 2, 1, Look(), summed=True)
    heads = known.lines[-1]
    line = frame_line(KEPT, Look())
    assert "\n" not in line
    assert len(line) == len(heads) <= 80
    for head, value in (("elong.", "1.0"), ("light", " %"), ("stars", "240")):
        end = heads.index(head) + len(head)
        assert value in line[end - 7 : end]
    assert known.lines[:-1] == (
        "44 frames of this night are there: 35 keep, 7 doubtful, 2 reject.",
        "2 files skipped: not light frames.",
        "1 frame of earlier nights skipped.",
    )


def test_a_frame_that_is_not_kept_says_why() -> None:
    assert frame_line(SPOILT, Look()).endswith("stars are 1.7 times as long as wide (keep below 1.3)")
    wrapped = frame_line(SPOILT, Look(width=80)).split("\n")
    assert len(wrapped) > 1
    assert all(len(line) <= 80 for line in wrapped)


def test_what_is_not_known_is_a_dash() -> None:
    assert frame_line(FrameRow(file="a.fits"), Look()).split() == ["a.fits", "●", "keep", "–", "–", "–", "–"]


def test_a_file_that_is_not_whole_is_named_without_a_guess_at_its_age() -> None:
    fault = UnusableFrame(FOLDER / "a.fits", "ends after 1 of 2 MB", "Wait.")
    (line,) = events.incomplete(fault, FOLDER).lines
    assert line == "a.fits ends after 1 of 2 MB and has not changed for a minute. It is read as soon as it does."


def some_events() -> list[Event]:
    look, row = Look(width=80), replace(KEPT, file=HOSTILE, grade="reject", reasons=(HOSTILE,))
    failure = FrameFailure(exposure=None, file=HOSTILE, fault=HOSTILE, remedy=HOSTILE)
    return [
        events.began(Path(HOSTILE), 5.0),
        events.frame_came(row, look),
        events.failed(failure, FOLDER),
        events.left_aside(Skipped(file=Path(HOSTILE), kind="dark", why=HOSTILE), FOLDER),
        events.incomplete(UnusableFrame(Path(HOSTILE), "ends early", "Wait."), FOLDER),
        events.gone([Path(HOSTILE)], FOLDER, were_read=True),
        events.gone([Path(HOSTILE)], FOLDER, were_read=False),
        events.back([Path(HOSTILE)], FOLDER),
        events.folder_lost(HOSTILE),
        events.folder_back(Path(HOSTILE)),
        *(events.alarmed(Told(news=news, alarm=ALARM), None, look) for news in ("alarm", "cause", "over")),
        events.new_night(look),
        events.ended(account_of(ROWS), ["done"]),
    ]


@pytest.mark.parametrize("event", some_events(), ids=lambda event: event.name)
def test_nothing_from_files_can_steer_the_terminal_or_break_the_json(event: Event) -> None:
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u202e\ud800-\udfff]", "\n".join(event.lines))
    told = event_json(event)
    assert "\n" not in told
    told.encode("utf-8")

    def refuse(value: str) -> None:
        raise AssertionError(value)

    document = json.loads(told, parse_constant=refuse)
    assert document["event"] == event.name
    assert document["told_utc"].endswith("Z")


def test_those_who_want_quiet_are_told_of_alarms_and_problems() -> None:
    loud = {event.name for event in some_events() if event.matters}
    assert loud == {"failed", "incomplete", "gone", "folder lost", "folder back", "alarm", "cause", "over"}


def test_the_last_line_counts() -> None:
    text = events.status_text(account_of(ROWS), 130.0, 1)
    assert text.startswith("44 frames: 35 keep, 7 doubtful, 2 reject · 1 not measured")
    assert text.endswith("1 arriving · last came 2 min ago")


def test_the_clock_of_the_place_stands_beside_utc_where_it_is_known() -> None:
    night = by_hand.judgement(2)
    there = LocalTime(ahead=timedelta(hours=2), name="camera's clock")
    line = events.frame_line(night.rows[0], Look(), there)
    assert line.startswith("19:40 21:40 lights/")
    said = events.knew(night.rows, 0, 0, Look(), summed=False, local=there).lines
    assert said[0] == "Times are UTC, then camera's clock."
    assert said[1].startswith("UTC   local frame")


def test_a_clock_without_a_zone_is_not_called_utc() -> None:
    rows = [replace(row, start_utc=None, start_local=row.start_utc.removesuffix("Z")) for row in ROWS[:3]]
    for some in (rows, []):  # before the first frame nothing is known of the clock
        assert events.knew(some, 0, 0, Look(), summed=False).lines[-1].startswith("time  frame")
    assert events.knew(ROWS[:3], 0, 0, Look(), summed=False).lines[-1].startswith("UTC   frame")
