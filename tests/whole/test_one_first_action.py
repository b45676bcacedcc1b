"""Page, terminal, `advise`, live page, history and JSON name the same first action, in the same words."""

import re
import sys
from datetime import UTC, datetime
from html import unescape
from pathlib import Path

import pytest

sys.path += [str(Path(__file__).parent.parent / room) for room in ("report", "logbook", "decision")]
import by_hand
from test_first_look import worm

from framecheck.cli.advise_command import advice_document, advice_lines
from framecheck.cli.history_command import history_lines
from framecheck.decision.history import histories
from framecheck.decision.judgement import Judgement
from framecheck.decision.past_night import past_night
from framecheck.report.history_page import history_page
from framecheck.report.live_page import live_page
from framecheck.report.look import Look
from framecheck.report.night_json import night_document
from framecheck.report.page import night_page
from framecheck.report.terminal import night_lines

PIPE = Look()


def visible(html: str) -> str:
    """Text of a page, as it is read."""
    body = re.sub(r"<(script|style|svg).*?</\1>", " ", html, flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", "", body)).split())


def faces(night: Judgement) -> dict[str, str]:
    """What each face of framecheck says of a night."""
    document = night_document(night)
    told = histories([past_night(document, "night", "night")])
    live = live_page(night, night.rows, (), (), is_over=False, written=datetime(2024, 3, 12, tzinfo=UTC))
    return {
        "page": visible(night_page(night)),
        "terminal": "\n".join(night_lines(night, PIPE)),
        "advise": "\n".join(advice_lines(night, PIPE)),
        "live page": visible(live.html),
        "history": "\n".join(history_lines(told, PIPE)),
        "history's page": visible(history_page(told)),
    }


@pytest.mark.parametrize("night", [worm(), by_hand.judgement()], ids=["a worm", "nothing to fix"])
def test_all_faces_name_the_same_first_action(night: Judgement) -> None:
    action = night.morning.action.sentence
    for face, text in faces(night).items():
        assert action in text, face
    for document in (night_document(night), advice_document(night)):
        told = document["morning"]["action"]
        assert action == (f"{told['todo']}: {told['because']}." if told["because"] else f"{told['todo']}.")


def test_verdict_and_mounts_line_are_the_same_too() -> None:
    night = worm()
    for face, text in faces(night).items():
        if not face.startswith("advise"):
            assert night.morning.verdict in text, face
        if not face.startswith("history"):
            assert night.morning.mount.removeprefix("Mount: ") in text, face
