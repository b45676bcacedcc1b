"""frames.csv: the frames for a spreadsheet, one row each."""

import csv
import io
from collections.abc import Sequence
from dataclasses import fields
from typing import Any, Final

from framecheck.report.frame_row import FrameRow
from framecheck.report.night_json import row_document

_STARTS_A_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""First signs that make a spreadsheet run a text cell as a formula. Common practice (OWASP, "CSV Injection")."""


def frames_csv(rows: Sequence[FrameRow]) -> str:
    """The frames as comma-separated values (RFC 4180), the fields of night.json's `frames[]` in their order.

    Returns
    -------
    str
        A header line, then a line a frame, each ended by CR LF. Unknown is empty. Reasons are joined by "; ". Text
        that a spreadsheet would run as a formula gets an apostrophe in front.
    """
    lines = io.StringIO(newline="")
    writer = csv.writer(lines, lineterminator="\r\n")
    writer.writerow(column.name for column in fields(FrameRow))
    for row in rows:
        writer.writerow(_cell(value) for value in row_document(row).values())
    return lines.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    text = "; ".join(value) if isinstance(value, list) else str(value)
    is_text = isinstance(value, str | list)
    return "'" + text if is_text and text.startswith(_STARTS_A_FORMULA) else text
