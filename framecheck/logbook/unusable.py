"""What keeps a logbook from being used, as sentences."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from framecheck.errors import NO_PLACE, CannotFinish, UnusableRequest
from framecheck.logbook.schema import DamagedFile, ForeignFile

_REASONS: Final = {
    "FULL": "the disk is full. Make room, or name a file on another disk",
    "READONLY": "it may only be read. Change the permissions, or name another file",
    "CANTOPEN": "it cannot be opened or made. Check path and permissions, or name another file",
    "BUSY": "another process has held it for half a minute. Wait, or name another file",
    "LOCKED": "another process has held it for half a minute. Wait, or name another file",
    "IOERR": "the disk failed while it was used. Check the disk and the room left on it, or name another file",
    "PERM": "there is no permission to use it. Change the permissions, or name another file",
    "AUTH": "there is no permission to use it. Change the permissions, or name another file",
    "NOMEM": "there is too little memory for it. Close other programs",
    "NOTADB": "the file is no logbook. Leave it alone, and name another file",
}
"""What SQLite's errors mean where the file need not be damaged; of a file that is no database nobody can tell."""
_DAMAGED: Final = ("NOTADB", "CORRUPT", "FORMAT")
_DAMAGED_WORDS: Final = ("malformed", "no such table", "no such column", "no such index")
"""Errors of SQLite, and words of others, that a sound logbook never makes; too little memory is no sign of damage."""


class UnusableLogbook(UnusableRequest):
    """A logbook that cannot be opened, read or written; the message says why and what to do."""


class RefusedLogbook(UnusableLogbook, CannotFinish):
    """One that disk, rights or another process keep from being used for now."""


class DamagedLogbook(UnusableLogbook):
    """One whose file is not what framecheck wrote: damaged, or somebody else's."""


@contextmanager
def in_words(file: Path) -> Iterator[None]:
    """Turn what SQLite or the system says into a sentence."""
    try:
        yield
    except ForeignFile as why:
        if "newer" in str(why):
            raise UnusableLogbook(f"{file}: this file {why}. Update framecheck, or name another logbook.") from why
        raise DamagedLogbook(f"{file}: this file {why}. Leave it alone, or name another logbook.") from why
    except sqlite3.Error as why:
        raise _sentence(file, why) from why
    except (DamagedFile, UnicodeDecodeError, OverflowError) as why:
        raise _damaged(file) from why
    except MemoryError as why:
        raise RefusedLogbook(f"{file}: the logbook cannot be used: {_REASONS['NOMEM']}.") from why
    except OSError as why:
        reason = why.strerror or str(why)
        kind = UnusableLogbook if why.errno in NO_PLACE else RefusedLogbook
        raise kind(f"{file}: the logbook cannot be made: {reason}. Name a file in another folder.") from why


def _sentence(file: Path, why: sqlite3.Error) -> UnusableLogbook:
    name = (getattr(why, "sqlite_errorname", None) or "").removeprefix("SQLITE_")
    known = next((reason for start, reason in _REASONS.items() if name.startswith(start)), None)
    text = f"{file}: the logbook cannot be used: {known or why}."
    if name.startswith(_DAMAGED) or any(words in str(why) for words in _DAMAGED_WORDS):
        return _damaged(file) if known is None else DamagedLogbook(text)
    return UnusableLogbook(text) if known is None else RefusedLogbook(text)


def _damaged(file: Path) -> DamagedLogbook:
    return DamagedLogbook(
        f"{file}: the logbook is damaged. `framecheck logbook --repair` keeps what is sound of it; or move it away, "
        "and a new one is begun."
    )
