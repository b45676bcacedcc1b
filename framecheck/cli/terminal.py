"""What a terminal is shown: safe text, progress, and nothing in a pipe."""

import sys
import time
from pathlib import Path
from typing import Final

from framecheck.report.words import plain

REFRESH_S: Final = 0.2
"""Least time between two lines of progress. [s] Chosen: steady to the eye."""


def safe(text: object) -> str:
    """Text from files and headers with all that could steer a terminal made visible."""
    return plain(str(text))


def say(text: str = "") -> None:
    """Print a line for a person."""
    sys.stdout.write(text + "\n")


def warn(text: str) -> None:
    """Print a line about something wrong."""
    sys.stderr.write(text + "\n")


class ProgressLine:
    """One line on a terminal that tells frames done, rate and time left; silent in a pipe or when told to be.

    Use as a context manager; the line is wiped at the end.
    """

    def __init__(self, what: str, *, quiet: bool = False) -> None:
        self._what = what
        self._shown = sys.stderr.isatty() and not quiet
        self._start = time.monotonic()
        self._last = 0.0

    def __enter__(self) -> "ProgressLine":
        return self

    def __exit__(self, *_: object) -> None:
        if self._shown:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()

    def __call__(self, done: int, total: int, path: Path | None = None) -> None:
        """Show how far the work has come."""
        now = time.monotonic()
        if not self._shown or (now - self._last < REFRESH_S and done < total):
            return
        self._last = now
        rate = done / max(now - self._start, 1e-6)
        left = (total - done) / max(rate, 1e-9)
        pace = f"{rate:.1f} frames/s" if rate >= 1 else f"{1 / max(rate, 1e-9):.1f} s a frame"
        sys.stderr.write(f"\r\x1b[K{self._what} {done} of {total}, {pace}, {duration(left)} left")
        sys.stderr.flush()


def duration(seconds: float) -> str:
    """A time in words: 42 s, 3 min 20 s, 2 h 05 min."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"
