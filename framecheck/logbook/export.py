"""The measured frames of a logbook as one table."""

import csv
import io
from collections.abc import Iterator
from datetime import datetime
from itertools import islice
from typing import Any, BinaryIO, Final

from framecheck.logbook.book import Logbook
from framecheck.quantity import in_file
from framecheck.report.spreadsheet import cell

_FRAMES_AT_ONCE: Final = 1000
"""Chosen: memory does not grow with the logbook."""
_QUANTITIES: Final = in_file("logbook")
_KINDS: Final = (str, *(quantity.kind for quantity in _QUANTITIES), str, str)
_NAMES: Final = ("file", *(quantity.name for quantity in _QUANTITIES), "measured_utc", "framecheck")
"""Names as in night.json, units in them; at the end when and by which version a frame was measured."""


def export_csv(logbook: Logbook, file: BinaryIO) -> None:
    """Write a line a frame (RFC 4180, UTF-8); unknown is empty, text that would run as a formula gets an apostrophe."""
    text = io.TextIOWrapper(file, encoding="utf-8", newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(_NAMES)
    writer.writerows(map(cell, row) for row in _rows(logbook))
    text.detach()


def export_parquet(logbook: Logbook, file: BinaryIO) -> None:
    """Write a row a frame, with types; unknown is null."""
    import pyarrow
    import pyarrow.parquet

    kinds = {float: "float64", int: "int64", str: "string", datetime: pyarrow.timestamp("us", "UTC")}
    schema = pyarrow.schema([(name, kinds[kind]) for name, kind in zip(_NAMES, _KINDS, strict=True)])
    rows = _rows(logbook)
    with pyarrow.parquet.ParquetWriter(file, schema, compression="zstd") as writer:
        while some := list(islice(rows, _FRAMES_AT_ONCE)):
            columns = [
                pyarrow.array(column, field.type) for column, field in zip(zip(*some, strict=True), schema, strict=True)
            ]
            writer.write_table(pyarrow.Table.from_arrays(columns, schema=schema))


def _rows(logbook: Logbook) -> Iterator[list[Any]]:
    for result, when, version in logbook.frames():
        known = [_known(quantity.of_result(result)) for quantity in _QUANTITIES]
        yield [_known(str(result.exposure.file)), *known, when, version]


def _known(value: Any) -> Any:
    """A value that files can hold: None for a number that is none, text that is UTF-8."""
    if isinstance(value, str):
        return value.encode("utf-8", "replace").decode("utf-8")
    return None if value != value else value
