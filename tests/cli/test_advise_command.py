"""`framecheck advise` as a user runs it, and what it says of nights whose mount is known."""

import json
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

sys.path += [str(Path(__file__).parent.parent / room) for room in ("causes", "decision", "whole")]
from moved_nights import RIG
from moving_nights import MovingNight, night_of
from small_night import draw_light

from framecheck.cli import main
from framecheck.cli.advise_command import advice_document, advice_lines
from framecheck.decision.judge import judge
from framecheck.decision.judgement import Judgement
from framecheck.report.look import Look

PAGE = 66
"""Lines on a printed page. Common practice."""


@pytest.fixture(scope="module")
def healthy() -> Judgement:
    return judge(night_of(MovingNight(n=30, guided=True)))


@pytest.fixture(scope="module")
def trailed() -> Judgement:
    return judge(night_of(MovingNight(n=30, pointing=lambda t: 3.0 * t / 60 + 0j)))


def test_the_answer_comes_first(healthy: Judgement) -> None:
    lines = advice_lines(healthy, Look())
    assert lines[:2] == ["Would a better mount pay?", "No. Perfect tracking would gain too little."]
    assert lines[3].startswith("Mount: fine")
    assert lines[4] == "Do first: Stack all 30 frames: nothing we found is worth fixing first."


def test_numbers_stand_against_what_would_be_good(healthy: Judgement) -> None:
    text = "\n".join(advice_lines(healthy, Look()))
    for words in ("Tracking error in an exposure", "you need 0.", "with perfect tracking", "30 of 30", "atmosphere"):
        assert words in text
    assert "What to do" not in text  # nothing to cure


def test_what_to_do_is_told_where_something_is_to_be_done(trailed: Judgement) -> None:
    decision = trailed.mount_decision
    text = "\n".join(advice_lines(trailed, Look()))
    assert decision.answer != "not needed"
    assert decision.because[0] in text
    for step in decision.what_would_settle_it:
        assert step in text


def test_it_fits_on_a_page_of_any_terminal(healthy: Judgement, trailed: Judgement) -> None:
    for judgement in (healthy, trailed):
        lines = "\n".join(advice_lines(judgement, Look(width=80))).splitlines()
        assert len(lines) <= PAGE
        assert max(map(len, lines)) <= 88


def test_json_holds_decision_budget_and_what_if(healthy: Judgement) -> None:
    document = advice_document(healthy)
    assert list(document) == ["schema", "generator", "morning", "mount_decision", "budget", "what_if"]
    assert sum(term["share"] for term in document["budget"]) == pytest.approx(1, abs=1e-5)
    assert [case["case"] for case in document["what_if"]][:2] == ["as it was", "perfect tracking"]


def test_a_folder_of_frames(tmp_path: Path) -> None:
    for index in range(4):
        draw_light(tmp_path / "lights" / f"light {index}.fits", index)
    runner, environment = CliRunner(), {"TERM": "dumb"}
    said = runner.invoke(main.app, ["advise", str(tmp_path), "--workers", "1", "--json"], env=environment)
    assert said.exit_code == 0, said.output
    document = json.loads(said.stdout)
    assert document["mount_decision"]["answer"] != "upgrade justified"  # the stars are round
    assert document["mount_decision"]["fwhm_now_arcsec"] is not None
    assert sorted(path.name for path in tmp_path.iterdir()) == ["lights"]  # nothing is written


def test_a_folder_without_frames(tmp_path: Path) -> None:
    said = CliRunner().invoke(main.app, ["advise", str(tmp_path)])
    assert said.exit_code != 0
    assert "holds no FITS file" in str(said.exception)


def test_the_made_nights_are_of_one_arcsecond_a_pixel() -> None:
    assert RIG.pixel_scale_arcsec == pytest.approx(1.0, rel=1e-3)
