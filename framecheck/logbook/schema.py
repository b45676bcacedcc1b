"""The tables of a logbook, and how an older one becomes a newer one."""

import sqlite3
from typing import Final

APPLICATION: Final = 0x46726D43
"""SQLite's application_id: "FrmC". Tells our files from those of other programs."""

MIGRATIONS: Final[tuple[tuple[str, ...], ...]] = (
    (
        """
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
        """,
        "CREATE UNIQUE INDEX frames_known ON frames (fingerprint, size, measuring, rig, modified_ns)",
        "CREATE INDEX frames_folder ON frames (folder)",
    ),
    (
        """
        CREATE TABLE nights (
            out TEXT PRIMARY KEY,           -- folder of the report
            folder TEXT NOT NULL,           -- of the frames
            basis BLOB NOT NULL,            -- hash of all that the report follows from
            judged_utc TEXT NOT NULL,
            summary TEXT NOT NULL,          -- what was told when it was judged
            files TEXT NOT NULL,            -- hashes of the report's files by name, as JSON
            failures TEXT NOT NULL          -- what was wrong with files that could not be measured, by path, as JSON
        )
        """,
    ),
)
"""Steps from each schema version to the next; never change one that has been released, add another."""

SCHEMA: Final = len(MIGRATIONS)


class ForeignFile(Exception):  # noqa: N818 - says what it is
    """A database that is not a logbook, or one of a newer framecheck; the message says which, mid-sentence."""


def bring_up_to_date(database: sqlite3.Connection, migrations: tuple[tuple[str, ...], ...] = MIGRATIONS) -> None:
    """Make the tables, or bring those of an older version up to date, in one transaction.

    Raises
    ------
    ForeignFile
        If it is no logbook, or a newer one.
    sqlite3.Error
        If the file does not take it.
    """
    database.execute("BEGIN IMMEDIATE")  # of two processes that start at once the second finds it done
    try:
        version = _version(database, len(migrations))
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


def _version(database: sqlite3.Connection, newest: int) -> int:
    (application,) = database.execute("PRAGMA application_id").fetchone()
    (version,) = database.execute("PRAGMA user_version").fetchone()
    (tables,) = database.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if application != APPLICATION and (tables or version or application):
        raise ForeignFile("is a database of another program, not a logbook")
    if version > newest:
        raise ForeignFile(f"was written by a newer framecheck (its tables are version {version}, ours {newest})")
    return int(version)
