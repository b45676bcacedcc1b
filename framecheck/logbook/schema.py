"""The tables of a logbook, and how an older one becomes a newer one."""

import sqlite3
from contextlib import closing
from functools import cache
from typing import Final

from framecheck.logbook.seal import checksum

APPLICATION: Final = 0x46726D43
"""SQLite's application_id: "FrmC". Tells our files from those of other programs."""

_FRAMES: Final = """
        CREATE TABLE frames (
            id INTEGER PRIMARY KEY,
            size INTEGER NOT NULL,          -- of the file [byte]
            modified_ns INTEGER NOT NULL,   -- when the file was last written [ns since 1970]
            fingerprint BLOB NOT NULL,      -- of its head and sampled blocks
            content BLOB,                   -- hash of all its bytes, where asked for
            measuring TEXT NOT NULL,        -- version of measuring and of the records
            rig TEXT NOT NULL,              -- what was known of the rig, as JSON
            folder TEXT NOT NULL,           -- where the frame was last seen
            name TEXT NOT NULL,
            measured_utc TEXT NOT NULL,
            framecheck TEXT NOT NULL,       -- version of the program
            outcome TEXT NOT NULL,          -- 'measured' or 'skipped'
            record TEXT NOT NULL,           -- JSON
            arrays BLOB NOT NULL            -- npz: star table, mean star, map of the sky
        )
        """
_NIGHTS: Final = """
        CREATE TABLE nights (
            id INTEGER PRIMARY KEY,
            folder TEXT NOT NULL,           -- that was judged
            first_utc TEXT NOT NULL,        -- start of its first frame; empty if unknown
            frames BLOB NOT NULL UNIQUE,    -- hash of its frames' names and starts
            judged_utc TEXT NOT NULL,
            framecheck TEXT NOT NULL,       -- version of the program
            document BLOB NOT NULL          -- night.json without its pictures' numbers (zlib)
        )
        """
_WATCHED: Final = """
        CREATE TABLE watched (
            folder TEXT PRIMARY KEY,        -- that was watched
            told TEXT NOT NULL              -- what its watcher was told, as JSON
        )
        """
_REPORTS: Final = """
        CREATE TABLE reports (
            out TEXT PRIMARY KEY,           -- folder of the report
            folder TEXT NOT NULL,           -- of the frames
            basis BLOB NOT NULL,            -- hash of all that the report follows from
            judged_utc TEXT NOT NULL,
            summary TEXT NOT NULL,          -- what was told when it was judged
            files TEXT NOT NULL,            -- hashes of the report's files by name, as JSON
            failures TEXT NOT NULL          -- what was wrong with files that could not be measured, by path, as JSON
        )
        """
_SORTS: Final = """
        CREATE TABLE sorts (
            id TEXT PRIMARY KEY,            -- of a sort, as its journal names it
            target TEXT NOT NULL,           -- folder that was sorted into
            frames TEXT NOT NULL,           -- folder that the frames came from
            begun_utc TEXT NOT NULL,
            checksum BLOB NOT NULL          -- of all columns before it
        )
        """
_FRAMES_KNOWN: Final = (
    "CREATE UNIQUE INDEX frames_known ON frames (fingerprint, size, measuring, rig, modified_ns)",
    "CREATE INDEX frames_folder ON frames (folder)",
)
_NIGHTS_KNOWN: Final = "CREATE INDEX nights_folder ON nights (folder)"


def _sealed(table: str, of: str) -> str:
    """The same table with a checksum as its last column; to the letter what is in logbooks already."""
    before, end, after = table.rpartition("NOT NULL")
    comment, close = after[1:].split("\n", 1)
    return f"{before}{end},{comment}\n            checksum BLOB NOT NULL          -- of all columns {of}\n{close}"


MIGRATIONS: Final[tuple[tuple[str, ...], ...]] = (
    (_FRAMES, *_FRAMES_KNOWN),
    (_NIGHTS, _NIGHTS_KNOWN),
    (_WATCHED,),
    (_REPORTS,),
    (  # every row under a checksum; frames and reports, which were kept in another form, are made anew
        "DROP TABLE frames",
        _sealed(_FRAMES, "but id").replace(
            "npz: star table, mean star, map of the sky", "star table, mean star, map of the sky (zlib)"
        ),
        *_FRAMES_KNOWN,
        "CREATE TEMP TABLE kept AS SELECT * FROM nights",
        "DROP TABLE nights",
        _sealed(_NIGHTS, "but id"),
        _NIGHTS_KNOWN,
        """
        INSERT INTO nights SELECT id, folder, first_utc, frames, judged_utc, framecheck, document,
            checksum(folder, first_utc, frames, judged_utc, framecheck, document) FROM kept
        """,
        "DROP TABLE kept",
        "DROP TABLE watched",
        _sealed(_WATCHED, "before it"),
        "DROP TABLE reports",
        _sealed(_REPORTS, "before it"),
        _SORTS,
    ),
)
"""Steps from each schema version to the next; never change one that has been released, add another."""

SCHEMA: Final = len(MIGRATIONS)


class ForeignFile(Exception):  # noqa: N818 - says what it is
    """A database that is not a logbook, or one of a newer framecheck; the message says which, mid-sentence."""


class DamagedFile(Exception):  # noqa: N818 - says what it is
    """A logbook whose tables are not those that framecheck made."""


def bring_up_to_date(database: sqlite3.Connection, migrations: tuple[tuple[str, ...], ...] = MIGRATIONS) -> None:
    """Make the tables, or bring those of an older version up to date, in one transaction.

    Raises
    ------
    ForeignFile
        If it is no logbook, or a newer one.
    DamagedFile
        If its tables are not ours to the letter: others might hold what runs when they are read.
    sqlite3.Error
        If the file does not take it.
    """
    database.create_function("checksum", -1, checksum, deterministic=True)
    database.execute("BEGIN IMMEDIATE")  # of two processes that start at once the second finds it done
    try:
        version = _version(database, len(migrations))
        _check_tables(database, migrations[:version])
        for step in migrations[version:]:
            for statement in step:
                database.execute(statement)
        if version < len(migrations):
            database.execute(f"PRAGMA application_id = {APPLICATION}")
            database.execute(f"PRAGMA user_version = {len(migrations)}")
        database.execute("COMMIT")
    except BaseException:
        if database.in_transaction:
            database.execute("ROLLBACK")
        raise


def _check_tables(database: sqlite3.Connection, migrations: tuple[tuple[str, ...], ...]) -> None:
    """See that the database holds what these steps make, and nothing else: no view, no trigger."""
    if _tables(database) != _tables_after(migrations):
        raise DamagedFile("its tables are not those of a logbook")


@cache
def _tables_after(migrations: tuple[tuple[str, ...], ...]) -> list[tuple[str, ...]]:
    with closing(sqlite3.connect(":memory:")) as empty:
        empty.create_function("checksum", -1, checksum, deterministic=True)
        for step in migrations:
            for statement in step:
                empty.execute(statement)
        return _tables(empty)


def _tables(database: sqlite3.Connection) -> list[tuple[str, ...]]:
    return database.execute("SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY type, name").fetchall()


def _version(database: sqlite3.Connection, newest: int) -> int:
    (application,) = database.execute("PRAGMA application_id").fetchone()
    (version,) = database.execute("PRAGMA user_version").fetchone()
    (tables,) = database.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if application != APPLICATION and (tables or version or application):
        raise ForeignFile("is a database of another program, not a logbook")
    if version > newest:
        raise ForeignFile(f"was written by a newer framecheck (its tables are version {version}, ours {newest})")
    if version < 0:
        raise DamagedFile("its version is none")
    return int(version)
