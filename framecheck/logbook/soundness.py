"""What of a logbook is sound, and how the rest is dropped."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from framecheck.logbook.database import connect, open_database, set_aside
from framecheck.logbook.encode import decode
from framecheck.logbook.judged import night_of_row
from framecheck.logbook.mark import measuring
from framecheck.logbook.schema import APPLICATION
from framecheck.logbook.seal import COLUMNS, Row, columns, is_sound, marks
from framecheck.logbook.unusable import DamagedLogbook, UnusableLogbook, in_words

_NO_DAMAGE: Final = tuple(
    f"SQLITE_{name}" for name in ("NOTADB", "READONLY", "CANTOPEN", "BUSY", "LOCKED", "PERM", "AUTH", "FULL", "NOMEM")
)
"""Errors of a file that may be as sound as any, or is no database at all."""
_MOST_IN_VAIN: Final = 20_000
"""Numbers of rows that are tried before the rest of a table is given up. Chosen: some seconds."""


@dataclass(kw_only=True, slots=True)
class Soundness:
    """What a look at all of a logbook came to."""

    n_sound: dict[str, int] = field(default_factory=lambda: dict.fromkeys(COLUMNS, 0))
    """Rows by table."""
    n_damaged: dict[str, int] = field(default_factory=lambda: dict.fromkeys(COLUMNS, 0))
    """Rows that are not what was written."""
    unread: list[str] = field(default_factory=list)
    """Tables of which some rows cannot be read, so that nobody knows how many there were."""
    structure: str | None = None
    """What is wrong with the file itself; None if nothing is."""

    @property
    def is_sound(self) -> bool:
        """Whether nothing is wrong."""
        return self.structure is None and not self.unread and not any(self.n_damaged.values())


def look_through(file: Path) -> Soundness:
    """Look at every row of a logbook, and change nothing.

    Raises
    ------
    UnusableLogbook
        If it cannot be opened at all, or is no logbook.
    """
    found = Soundness(structure=_structure(file))
    with in_words(file), closing(connect(file)) as database:
        for table in COLUMNS:
            for row in _rows(database, table):
                if row is None:
                    found.unread += [table] if table not in found.unread else []
                else:
                    (found.n_sound if _is_true(table, row[1:]) else found.n_damaged)[table] += 1
    return found


def repair(file: Path) -> tuple[Soundness, Path | None]:
    """Drop what is not sound; what was found, and where the damaged file was set aside, if its structure was damaged.

    Rows of a file whose structure is sound are dropped where they lie. Of any other file the sound rows are copied into
    a new one, which takes its place once it is whole.

    Raises
    ------
    UnusableLogbook
        If it is no logbook, or cannot be written.
    """
    found = look_through(file)
    if found.is_sound:
        return found, None
    if found.structure is None:
        with in_words(file), closing(connect(file)) as database:
            _drop(database)
        return found, None
    beside = file.with_name(f"{file.name}.repaired")
    beside.unlink(missing_ok=True)
    with in_words(file), closing(open_database(beside)) as new, closing(connect(file)) as old:
        new.execute("BEGIN")
        for table in COLUMNS:
            for row in _rows(old, table):
                if row is not None and _is_true(table, row[1:]):
                    new.execute(
                        f"INSERT OR REPLACE INTO {table} ({columns(table)}) VALUES ({marks(table)})", list(row[1:])
                    )
        new.execute("COMMIT")
    aside = set_aside(file)
    with in_words(file):
        beside.replace(file)
    return found, aside


def _structure(file: Path) -> str | None:
    """What is wrong with the file as a database and with its tables."""
    with in_words(file), closing(connect(file)) as database:
        try:
            (application,) = database.execute("PRAGMA application_id").fetchone()
            (said,) = database.execute("PRAGMA integrity_check(1)").fetchone()
        except sqlite3.DatabaseError as why:
            if why.sqlite_errorname.startswith(_NO_DAMAGE):
                raise
            return str(why)
    if application != APPLICATION:
        raise UnusableLogbook(f"{file}: is a database of another program, not a logbook. Leave it alone.")
    if said != "ok":
        return str(said).replace("\n", " ")
    try:
        open_database(file).close()
    except DamagedLogbook:
        return "its tables are not those of a logbook"
    return None


def _rows(database: sqlite3.Connection, table: str) -> Iterator[Row | None]:
    """Rows of a table with their numbers, the checksum last; None for each stretch that cannot be read."""
    after, in_vain = -1, 0
    while in_vain < _MOST_IN_VAIN:
        try:
            request = f"SELECT rowid, {columns(table)} FROM {table} NOT INDEXED WHERE rowid > ? ORDER BY rowid"
            for row in database.execute(request, [after]):
                yield row
                after, in_vain = row[0], 0
            return
        except (sqlite3.Error, MemoryError, OverflowError):
            if in_vain == 0:
                yield None
            after, in_vain = after + 1, in_vain + 1  # the row that cannot be read has the next number, or a later one


def _is_true(table: str, row: Row) -> bool:
    """Whether a row is what was written, and what we write."""
    if not is_sound(table, row):
        return False
    held: dict[str, Any] = dict(zip(COLUMNS[table], row, strict=False))
    try:
        if table == "frames" and held["measuring"] == measuring():
            decode(held["outcome"], held["record"], held["arrays"])
        elif table == "nights":
            night_of_row(held["document"])
    except ValueError:
        return False
    return True


def _drop(database: sqlite3.Connection) -> None:
    database.execute("BEGIN IMMEDIATE")
    for table in COLUMNS:
        numbers = [row[0] for row in _rows(database, table) if row is not None and not _is_true(table, row[1:])]
        database.executemany(f"DELETE FROM {table} WHERE rowid = ?", [[number] for number in numbers])
    database.execute("COMMIT")
