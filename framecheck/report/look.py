"""How text is laid out for a terminal of some width, in colour where it is wanted, or for a pipe."""

import os
import shutil
import textwrap
from dataclasses import dataclass
from typing import Final, TextIO

from framecheck.words import tied, untied

_WIDEST: Final = 100
"""[columns] Chosen: longer lines are hard to read."""
_STYLES: Final = {"bold": "1", "quiet": "2", "keep": "36", "doubtful": "33", "reject": "31"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Look:
    """How text is laid out: for a terminal of some width, or for a pipe."""

    width: int | None = None
    """Columns to wrap at; None for a pipe, where a line stays whole for the program that reads it."""
    colour: bool = False

    def style(self, text: str, name: str) -> str:
        """The text in a style, where colour is wanted."""
        return f"\x1b[{_STYLES[name]}m{text}\x1b[0m" if self.colour else text

    def wrap(self, text: str, hang: int, used: int = 0) -> str:
        """The text in lines, those after the first set in by `hang`; `used` columns of the first are taken already."""
        if self.width is None:
            return text
        text, width = tied(text), max(20 + hang, self.width)
        if used > 0.6 * width:  # a long name before it: begin on a line of its own
            lines = textwrap.wrap(
                text, width, initial_indent=" " * hang, subsequent_indent=" " * hang, break_on_hyphens=False
            )
            return untied("\n" + "\n".join(lines))
        lines = textwrap.wrap(
            text,
            width,
            initial_indent=" " * used,
            subsequent_indent=" " * hang,
            break_long_words=False,
            break_on_hyphens=False,
        )
        return untied("\n".join(lines))[used:]


def look_of(stream: TextIO) -> Look:
    """Width and colour that suit a stream; NO_COLOR and a dumb terminal are honoured."""
    if not stream.isatty():
        return Look()
    plain_wanted = bool(os.environ.get("NO_COLOR")) or is_dumb()
    return Look(width=min(_WIDEST, shutil.get_terminal_size().columns), colour=not plain_wanted)


def is_dumb() -> bool:
    """Whether the terminal knows nothing but plain lines: neither colour nor going back."""
    return os.environ.get("TERM") == "dumb"
