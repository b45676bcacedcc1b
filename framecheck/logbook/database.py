"""The logbook's file: opened so that what is in it can do no harm, and set aside when it is damaged."""

import os
import sqlite3
import stat
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, Final, Self, TypeVar

from framecheck.document import LARGEST_FILE
from framecheck.logbook.schema import bring_up_to_date
from framecheck.logbook.seal import Row, columns, is_sound, marks, sealed
from framecheck.logbook.unusable import DamagedLogbook, UnusableLogbook, in_words

T = TypeVar("T")
GOES_ON: Final = "framecheck goes on without it."

_WAIT_S: Final = 30.0
"""[s] Chosen: another process writes a frame in milliseconds; a disk asleep wakes in ten seconds."""
_BESIDE: Final = ("-wal", "-shm", "-journal")
"""What SQLite keeps beside a file, by the ends of the names: its format documents name them."""


def open_database(file: Path) -> sqlite3.Connection:
    """Open the logbook's file, made with its folder if it is not there, its tables brought up to date.

    Raises
    ------
    DamagedLogbook
        If it was a logbook, and its content is not what was written.
    UnusableLogbook
        If it cannot be opened and written to for another reason.
    """
    with in_words(file):
        _make(file)
        database = connect(file)
        try:
            bring_up_to_date(database)  # first of all: a file that is not ours is not written to
            _write_ahead(database)
            # in WAL mode this never corrupts; only a power cut may cost the last frames
            database.execute("PRAGMA synchronous = NORMAL")
        except BaseException:
            database.close()
            raise
    return database


def _write_ahead(database: sqlite3.Connection) -> None:
    """Switch to WAL mode. Of processes that do so at once SQLite turns some away, which it does not let wait here."""
    last = time.monotonic() + _WAIT_S
    while True:
        try:
            database.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as why:
            if not why.sqlite_errorname.startswith("SQLITE_BUSY") or time.monotonic() > last:
                raise
            time.sleep(0.01)
        else:
            return


def connect(file: Path) -> sqlite3.Connection:
    """A connection that trusts nothing in the file.

    Raises
    ------
    UnusableLogbook
        If it is a device or a pipe, which is not opened.
    OSError, sqlite3.Error
        If there is no such file, or it cannot be opened.
    """
    if not stat.S_ISREG(file.stat().st_mode):
        raise UnusableLogbook(f"{file}: isn't a regular file. Name another one with --logbook.")
    whole = file.absolute().as_uri() + "?mode=rw"
    database = sqlite3.connect(whole, uri=True, timeout=_WAIT_S, isolation_level=None)
    database.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LARGEST_FILE)
    database.execute("PRAGMA trusted_schema = OFF")
    database.execute("PRAGMA cell_size_check = ON")
    database.text_factory = _text  # damaged text comes out as what its checksum does not fit
    return database


def _text(held: bytes) -> str:
    return held.decode("utf-8", "surrogateescape")


def _make(file: Path) -> None:
    """An empty file that only its owner reads, if there is none: folders of frames tell where one is at night."""
    if file.is_symlink() or file.exists():
        return
    missing = [folder for folder in file.parents if not folder.exists()]
    file.parent.mkdir(parents=True, exist_ok=True)
    for folder in missing[:1]:
        folder.chmod(0o700)
    with suppress(FileExistsError):  # another process that starts at the same time makes it
        os.close(os.open(file, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))


def set_aside(file: Path) -> Path:
    """Give a damaged logbook another name, and what SQLite keeps beside it; the new name.

    Raises
    ------
    UnusableLogbook
        If the folder does not take it.
    """
    with in_words(file):
        number = 1
        while True:
            aside = file.with_name(f"{file.stem}.damaged-{number}{file.suffix}")
            try:
                os.close(os.open(aside, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
                break
            except FileExistsError:
                number += 1
        file.replace(aside)
        for end in _BESIDE:
            with suppress(FileNotFoundError):
                file.with_name(file.name + end).replace(aside.with_name(aside.name + end))
    return aside


class LogbookFile:
    """The open file of a logbook, and what becomes of it when it fails while a night is measured.

    Parameters
    ----------
    file : Path
        Made, with its folder, if it is not there.
    tell : callable, optional
        Called with a sentence if the file fails, which is then done without. If not given, that is raised.
    renew : bool
        Set a damaged file aside and begin a new one, instead of doing without.
    """

    def __init__(self, file: Path, *, tell: Callable[[str], None] | None = None, renew: bool = False) -> None:
        self.file = file
        self._tell = tell
        self._renew = renew
        self._given_up = False
        self._told_of_rows = False
        self._database = self._open()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        with suppress(sqlite3.Error):
            self._database.close()

    def _open(self) -> sqlite3.Connection:
        try:
            database = open_database(self.file)
        except DamagedLogbook:
            if not self._renew:
                raise
            self._set_aside()
            database = open_database(self.file)
        self._identity = _identity(self.file)
        return database

    def _set_aside(self) -> None:
        aside = set_aside(self.file)
        if self._tell is not None:
            self._tell(
                f"{self.file}: the logbook is damaged. It was set aside as {aside.name}, and a new one is begun. "
                f"`framecheck logbook --repair` keeps what is sound of the old one, named with --logbook."
            )

    def _attempt(self, work: Callable[[], T], otherwise: T) -> T:
        """Do something with the file; `otherwise` if it fails, once that was told."""
        if self._given_up:
            return otherwise
        try:
            with in_words(self.file):
                return work()
        except UnusableLogbook as why:
            with suppress(sqlite3.Error):
                if self._database.in_transaction:
                    self._database.execute("ROLLBACK")
            self._go_on_after(why)
            return otherwise

    def _go_on_after(self, why: UnusableLogbook) -> None:
        """With a new file, or without one; raises if there is nobody to tell."""
        if self._tell is None:
            raise why
        if self._renew and isinstance(why, DamagedLogbook):
            self.close()
            try:
                if _identity(self.file) == self._identity:  # else another process was first
                    self._set_aside()
                self._database = self._open()
                return
            except UnusableLogbook as again:
                why = again
        self._given_up = True
        self._tell(f"{why} {GOES_ON}")

    def _find(self, table: str, where: str, values: Sequence[Any]) -> tuple[int, Row] | None:
        """Number and content of the first row of a kind; None if there is none, or if it is damaged."""
        request = f"SELECT rowid, {columns(table)} FROM {table} WHERE {where} LIMIT 1"
        try:
            found = self._database.execute(request, values).fetchone()
        except sqlite3.DataError:  # longer than `LARGEST_FILE`
            found = (0,)
        if found is None:
            return None
        number, *content = found
        if not is_sound(table, content):
            self._tell_of_rows()
            return None
        return number, content[:-1]

    def _tell_of_rows(self) -> None:
        """Say once that there are damaged rows."""
        if self._tell is not None and not self._told_of_rows:
            self._tell(
                f"{self.file}: some of what the logbook holds is damaged and is not used; those frames are measured "
                "again. `framecheck logbook --check` tells more."
            )
        self._told_of_rows = True

    def _put(self, table: str, *row: Any) -> None:
        """Write a row in place of the one that it takes the key of."""
        self._database.execute(
            f"INSERT OR REPLACE INTO {table} ({columns(table)}) VALUES ({marks(table)})", sealed(*row)
        )


def _identity(file: Path) -> tuple[int, int] | None:
    try:
        state = file.stat()
    except OSError:
        return None
    return state.st_dev, state.st_ino
