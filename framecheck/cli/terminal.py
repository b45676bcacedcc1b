"""What a terminal is shown: lines, progress and status; nothing that renews itself in a pipe."""

import os
import shutil
import sys
import time
from pathlib import Path
from typing import Final

from framecheck.report.look import is_dumb, look_of

REFRESH_S: Final = 0.2
"""Least time between two lines of progress. [s] Chosen: steady to the eye."""


def is_talked_with() -> bool:
    """Whether a person sits at the terminal, who can be asked."""
    return sys.stdin.isatty() and sys.stdout.isatty()


def say(text: str = "") -> None:
    """Print a line for a person; if nobody listens any more, stop quietly."""
    try:
        sys.stdout.write(text + "\n")
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # so that the interpreter's last flush succeeds
        raise SystemExit(0) from None


def tell(text: str) -> None:
    """Print a sentence for a person, in lines that fit the terminal."""
    say(look_of(sys.stdout).wrap(text, 0))


def warn(text: str) -> None:
    """Print a sentence about something wrong, in lines that fit the terminal."""
    look = look_of(sys.stderr)
    lines = (line if len(line) <= (look.width or len(line)) else look.wrap(line, 2) for line in text.split("\n"))
    sys.stderr.write("\n".join(lines) + "\n")


def speak_any_script() -> None:
    """See that no sign of a file name or unit can break the output where the terminal's encoding lacks it."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")


class ProgressLine:
    """One line on a terminal that tells frames done, rate and time left; silent in a pipe or when told to be.

    Use as a context manager; the line is wiped at the end.
    """

    def __init__(self, what: str, *, quiet: bool = False) -> None:
        self._what = what
        self._shown = sys.stderr.isatty() and not quiet and not is_dumb()
        self._start = time.monotonic()
        self._last = 0.0

    def __enter__(self) -> "ProgressLine":
        if self._shown:
            sys.stderr.write(f"{self._what} …")
            sys.stderr.flush()
        return self

    def __exit__(self, *_: object) -> None:
        _wipe(self._shown)

    def tell(self, text: str) -> None:
        """Print a sentence in the place of the line, which comes again with the next frame."""
        if self._shown:
            sys.stderr.write("\r\x1b[K")
        warn(text)

    def __call__(self, done: int, total: int, path: Path | None = None) -> None:
        """Show how far the work has come."""
        now = time.monotonic()
        if not self._shown or (now - self._last < REFRESH_S and done < total):
            return
        self._last = now
        line = f"{self._what} {done} of {total}, {_pace(done, now - self._start, total - done)}"
        columns = shutil.get_terminal_size().columns
        sys.stderr.write(f"\r\x1b[K{line[: max(1, columns - 1)]}")
        sys.stderr.flush()


class StatusLine:
    """A line at the foot of a terminal that renews itself; silent in a pipe or when told to be.

    Use as a context manager; `wipe` before other lines are printed, and show it again after them.
    """

    def __init__(self, *, quiet: bool = False) -> None:
        self._shown = sys.stderr.isatty() and not quiet

    def __enter__(self) -> "StatusLine":
        return self

    def __exit__(self, *_: object) -> None:
        self.wipe()

    def show(self, text: str) -> None:
        """Put the text in place of the one before; what does not fit is left away from its end, part by part."""
        if self._shown:
            columns = shutil.get_terminal_size().columns
            while len(text) >= columns and " · " in text:
                text = text.rpartition(" · ")[0]
            sys.stderr.write(f"\r\x1b[K{text[: max(1, columns - 1)]}")
            sys.stderr.flush()

    def wipe(self) -> None:
        """Take the line away."""
        _wipe(self._shown)


def _pace(done: int, passed_s: float, left: int) -> str:
    """Rate and time left."""
    rate = done / max(passed_s, 1e-6)
    pace = f"{rate:.1f} a second" if rate >= 1 else f"{1 / max(rate, 1e-9):.1f} s each"
    return f"{pace}, {time_left(left / max(rate, 1e-9))} left"


def time_left(seconds: float) -> str:
    """A time in words, to the second below an hour: 42 s, 3 min 20 s, 2 h 05 min."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def _wipe(shown: object) -> None:
    """Take a line away that was shown."""
    if shown:
        sys.stderr.write("\r\x1b[K")
        sys.stderr.flush()
