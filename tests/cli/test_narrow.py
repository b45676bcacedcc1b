"""On a terminal of 60 columns no line is longer, and no word is broken."""

import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import by_hand
import numpy as np
import pytest

sys.path += [str(Path(__file__).parent.parent / room) for room in ("decision",)]
from moved_nights import moved_night
from past_nights import night

from framecheck.cli.advise_command import advice_lines
from framecheck.cli.compare_command import comparison_lines
from framecheck.cli.frame_command import frame_lines, judge_alone
from framecheck.cli.history_command import history_lines
from framecheck.cli.logbook_command import list_lines
from framecheck.cli.plan_page import plan_lines
from framecheck.decision.compare import compare
from framecheck.decision.history import histories
from framecheck.decision.judge import judge
from framecheck.logbook.book import FolderEntry
from framecheck.plan.make import make_plan
from framecheck.plan.records import Setup
from framecheck.read.rig import Rig
from framecheck.report.columns import in_columns
from framecheck.report.frame_account import frame_account
from framecheck.report.look import Look
from framecheck.report.terminal import night_lines
from framecheck.watch.events import frame_came, knew

WIDE, NARROW = Look(width=200), Look(width=60)
Lines = Callable[[Look], Sequence[str]]


def of_frame(look: Look) -> Sequence[str]:
    result = by_hand.judgement(1).night.frames[0].result
    return frame_lines(result, frame_account(judge_alone(result, Rig())), look)


def of_watch(look: Look) -> Sequence[str]:
    rows = by_hand.judgement(20).rows
    return [line for row in rows for line in frame_came(row, look).lines] + list(
        knew(rows, 1, 1, look, summed=True).lines
    )


SPOILT = night(seed=2, causes=("periodic-error", "sensor-tilt"), smear=2.0)
SETUP = Setup(rig=Rig(focal_length_mm=530, pixel_um=3.76, aperture_mm=106), seeing_arcsec=(2, 4))
ENTRY = FolderEntry(
    folder="/data/nights/2025-09-12/lights", n_measured=320, n_skipped=40, versions=("0.1.0",), n_outdated=3,
    first_utc="2025-09-13T04:12:00Z", last_utc="2025-09-13T04:12:00Z", size_bytes=10**7,
)  # fmt: skip
FACES: dict[str, Lines] = {
    "night": lambda look: night_lines(by_hand.judgement(44), look),
    "advise": lambda look: advice_lines(judge(moved_night(np.array([4.0, 0, 0]), beta=3.5)), look),
    "compare": lambda look: comparison_lines(compare([night(seed=1), SPOILT]), look),
    "history": lambda look: history_lines(histories([night(seed=1), SPOILT]), look),
    "plan": lambda look: plan_lines(make_plan(SETUP), look),
    "frame": of_frame,
    "watch": of_watch,
    "logbook": lambda look: list_lines(Path("/home/me/book.sqlite"), [ENTRY], look),
}


@pytest.mark.parametrize("face", FACES)
def test_lines_fit_and_words_stay_whole(face: str) -> None:
    wide, narrow = ("\n".join(FACES[face](look)).splitlines() for look in (WIDE, NARROW))
    words = {word.strip(",;:") for line in wide for word in line.split()}
    for line in narrow:
        assert len(line) <= 60, line
        broken = [word for word in line.split() if word.strip(",;:") not in words | NAMED]
        assert not broken, line


NAMED = {"FWHM", "began", "px"}
"""Heads of columns stand once above them, or in each row."""


def test_columns_stand_beside_each_other_where_there_is_room_and_below_where_not() -> None:
    rows = [("tracking error", "0.71", "good: up to 0.54"), ("width", "12.3", "fine")]
    wide = in_columns(rows, WIDE, heads=("", "now", ""), right=(1,))
    assert wide == [
        "                   now",
        "  tracking error  0.71  good: up to 0.54",
        "  width           12.3  fine",
    ]
    narrow = in_columns(rows, Look(width=30), heads=("", "now", ""))
    assert narrow[:2] == ["  tracking error", "      now 0.71, good: up to\n      0.54"]
