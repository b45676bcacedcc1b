"""frames.csv: the frames for a spreadsheet, one row each."""

import csv
import io
from collections.abc import Sequence
from dataclasses import fields

from framecheck.decision.frame_row import FrameRow
from framecheck.document import plain_values
from framecheck.report.spreadsheet import cell


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
    writer.writerows(map(cell, plain_values(row).values()) for row in rows)
    return lines.getvalue()
