"""Rows of the logbook under a checksum: one that was changed by a failing disk is never taken for what was written."""

import hashlib
from collections.abc import Mapping, Sequence
from typing import Any, Final

Row = Sequence[Any]

TEXT, WHOLE, BYTES, MAYBE_BYTES = (str,), (int,), (bytes,), (bytes, type(None))
COLUMNS: Final[Mapping[str, Mapping[str, tuple[type, ...]]]] = {
    "frames": {
        "size": WHOLE,
        "modified_ns": WHOLE,
        "fingerprint": BYTES,
        "content": MAYBE_BYTES,
        "measuring": TEXT,
        "rig": TEXT,
        "folder": TEXT,
        "name": TEXT,
        "measured_utc": TEXT,
        "framecheck": TEXT,
        "outcome": TEXT,
        "record": TEXT,
        "arrays": BYTES,
    },
    "nights": {
        "folder": TEXT,
        "first_utc": TEXT,
        "frames": BYTES,
        "judged_utc": TEXT,
        "framecheck": TEXT,
        "document": BYTES,
    },
    "watched": {"folder": TEXT, "told": TEXT},
    "reports": {
        "out": TEXT,
        "folder": TEXT,
        "basis": BYTES,
        "judged_utc": TEXT,
        "summary": TEXT,
        "files": TEXT,
        "failures": TEXT,
    },
    "sorts": {"id": TEXT, "target": TEXT, "frames": TEXT, "begun_utc": TEXT},
}
"""What the tables hold beside `checksum`, and of which type."""


def checksum(*row: Any) -> bytes:
    """Hash of a row: each value with its type and length.

    BLAKE2b (RFC 7693) of 16 bytes: it misses no change by chance, where the 32 bits of a CRC would miss one of four
    thousand million, and costs 0.1 ms for a frame's 105 kB (a CRC 0.02). It proves no origin: whoever can write the
    file can write a checksum, and what is read is looked at as foreign for that.
    """
    digest = hashlib.blake2b(digest_size=16)
    for value in row:
        held = value if isinstance(value, bytes) else str(value).encode("utf-8", "surrogateescape")
        digest.update(f"{type(value).__name__} {len(held)} ".encode() + held)
    return digest.digest()


def sealed(*row: Any) -> list[Any]:
    """The row, and behind it its checksum."""
    return [*row, checksum(*row)]


def is_sound(table: str, row: Row) -> bool:
    """Whether a row, its checksum last, is of the table's types and as it was written."""
    kinds = COLUMNS[table].values()
    if len(row) != len(kinds) + 1 or not all(isinstance(value, kind) for value, kind in zip(row, kinds, strict=False)):
        return False
    return bool(row[-1] == checksum(*row[:-1]))


def columns(table: str) -> str:
    """Names of a table's columns, the checksum last, as SQL lists them."""
    return ", ".join([*COLUMNS[table], "checksum"])


def marks(table: str) -> str:
    """A question mark for each of them."""
    return ", ".join("?" * (len(COLUMNS[table]) + 1))
