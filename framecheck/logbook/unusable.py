"""What keeps a logbook from being used, as sentences."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from framecheck.errors import UnusableRequest
from framecheck.logbook.schema import ForeignFile

_REASONS: Final = {
    "FULL": "the disk is full. Make room, or name a file on another disk",
    "READONLY": "it may only be read. Change the permissions, or name another file",
    "CANTOPEN": "it cannot be opened or made. Check path and permissions, or name another file",
    "BUSY": "another process has held it for half a minute. Wait, or name another file",
    "LOCKED": "another process has held it for half a minute. Wait, or name another file",
    "NOTADB": "the file is no logbook. Leave it alone, and name another file",
    "CORRUPT": "its content is damaged. Move it away, and a new one is begun",
    "IOERR": "the disk failed while it was used. Check the disk and the room left on it, or name another file",
    "PERM": "there is no permission to use it. Change the permissions, or name another file",
}


class UnusableLogbook(UnusableRequest):
    """A logbook that cannot be opened, read or written; the message says why and what to do."""


@contextmanager
def in_words(file: Path) -> Iterator[None]:
    """Turn what SQLite or the system says into a sentence."""
    try:
        yield
    except ForeignFile as why:
        remedy = "Update framecheck" if "newer" in str(why) else "Leave it alone"
        raise UnusableLogbook(f"{file}: this file {why}. {remedy}, or name another logbook.") from why
    except sqlite3.Error as why:
        raise UnusableLogbook(f"{file}: the logbook cannot be used: {_reason(why)}.") from why
    except OSError as why:
        reason = why.strerror or str(why)
        raise UnusableLogbook(f"{file}: the logbook cannot be made: {reason}. Name a file in another folder.") from why


def _reason(why: sqlite3.Error) -> str:
    name = (getattr(why, "sqlite_errorname", None) or "").removeprefix("SQLITE_")
    for start, reason in _REASONS.items():
        if name.startswith(start):
            return reason
    return f"{why}. Move it away, and a new one is begun"
