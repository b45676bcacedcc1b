"""What a terminal is shown, and what a pipe is spared."""

import io
import sys

import pytest

from framecheck.cli import terminal
from framecheck.cli.terminal import ProgressLine, StatusLine, time_left
from framecheck.report.look import Look, look_of


class Screen(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_pipe_gets_whole_lines_without_colour() -> None:
    look = look_of(io.StringIO())
    assert look == Look(width=None, colour=False)
    assert look.wrap("word " * 100, 4) == "word " * 100
    assert look.style("reject", "reject") == "reject"


@pytest.mark.parametrize(
    ("variable", "value", "colour"),
    [("NO_COLOR", "1", False), ("NO_COLOR", "", True), ("TERM", "dumb", False), ("TERM", "xterm", True)],
)
def test_colour_only_where_it_is_wanted(
    variable: str, value: str, colour: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    # no-color.org: "when present and not an empty string (regardless of its value)"
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv(variable, value)
    assert look_of(Screen()).colour is colour


def test_text_is_wrapped_with_a_hanging_indent() -> None:
    wrapped = Look(width=30).wrap("one two three four five six seven eight", 6, used=6)
    first, *rest = wrapped.split("\n")
    assert len(first) <= 24
    assert all(line.startswith("      ") and len(line) <= 30 for line in rest)
    assert " ".join(wrapped.split()) == "one two three four five six seven eight"


def test_a_long_name_gets_a_line_of_its_own() -> None:
    assert Look(width=40).wrap("the reason why", 4, used=38) == "\n    the reason why"


def test_progress_tells_rate_and_time_left(monkeypatch: pytest.MonkeyPatch) -> None:
    screen, clock = Screen(), iter([0.0, 10.0, 10.05, 20.0])
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setattr(terminal.time, "monotonic", lambda: next(clock))
    with ProgressLine("Measuring frames:") as progress:
        progress(20, 80)
        progress(21, 80)  # too soon after the last
        progress(80, 80)
    shown = screen.getvalue().split("\r\x1b[K")
    assert "Measuring frames: 20 of 80, 2.0 a second, 30 s left" in shown
    assert not any("21 of 80" in line for line in shown)
    assert shown[-1] == ""


@pytest.mark.parametrize("quiet", [True, False])
def test_progress_is_silent_in_a_pipe_or_when_told_to_be(quiet: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    stream = Screen() if quiet else io.StringIO()
    monkeypatch.setattr(sys, "stderr", stream)
    with ProgressLine("Measuring frames:", quiet=quiet) as progress:
        progress(1, 2)
    assert stream.getvalue() == ""


@pytest.mark.parametrize(
    ("seconds", "text"), [(41.6, "42 s"), (59.7, "1 min 00 s"), (200, "3 min 20 s"), (7500, "2 h 05 min")]
)
def test_time_left(seconds: float, text: str) -> None:
    assert time_left(seconds) == text


def test_a_status_line_renews_itself_and_a_pipe_is_spared(monkeypatch: pytest.MonkeyPatch) -> None:
    screen = Screen()
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setenv("COLUMNS", "20")
    with StatusLine() as status:
        status.show("3 frames")
        status.show("4 frames and much more to tell")
    assert screen.getvalue() == "\r\x1b[K3 frames\r\x1b[K4 frames and much m\r\x1b[K"
    for quiet, stream in ((True, Screen()), (False, io.StringIO())):
        monkeypatch.setattr(sys, "stderr", stream)
        with StatusLine(quiet=quiet) as status:
            status.show("3 frames")
        assert stream.getvalue() == ""
