"""Rows of text in columns where the terminal is wide enough, else each row as a few lines of its own."""

import re
from collections.abc import Sequence
from typing import Final

from framecheck.report.look import Look

_GAP: Final = 2
"""[columns] Between two columns."""
_LEAST: Final = 24
"""[columns] Chosen: text in a narrower last column is hard to read."""
_STYLE: Final = re.compile("\x1b\\[[0-9;]*m")


def in_columns(
    rows: Sequence[Sequence[str]], look: Look, *, heads: Sequence[str] = (), right: Sequence[int] = (), indent: int = 2
) -> list[str]:
    """Lay rows out as a table, the last column wrapped; in a narrow terminal each row as a line and what follows it.

    Parameters
    ----------
    rows : sequence of sequences of str
        Cells, the same number in each row.
    look : Look
    heads : sequence of str
        Of the columns; in a narrow terminal they stand before their cells. Empty: the cells speak for themselves.
    right : sequence of int
        Columns whose cells end together: numbers.
    indent : int
        Columns before the first.
    """
    if not rows:
        return []
    shown = [*([heads] if heads else []), *rows]
    widths = [max(_length(row[k]) for row in shown) for k in range(len(rows[0]))]
    before = indent + sum(widths[:-1]) + _GAP * (len(widths) - 1)
    if look.width is None or before + min(widths[-1], _LEAST) <= look.width:
        return [_side_by_side(row, widths, look, right, indent, before) for row in shown]
    return [line for row in rows for line in _below_each_other(row, heads, look, indent)]


def _side_by_side(
    row: Sequence[str], widths: Sequence[int], look: Look, right: Sequence[int], indent: int, before: int
) -> str:
    cells = []
    for k, (cell, width) in enumerate(zip(row, widths, strict=True)):
        room = " " * (width - _length(cell))
        cells.append(room + cell if k in right else cell + room)
    *first, last = cells
    line = " " * indent + (" " * _GAP).join([*first, ""])
    if look.width is None or _length(last.rstrip()) <= look.width - before:
        return (line + last).rstrip()
    return line + look.wrap(row[-1], before, used=before)


def _below_each_other(row: Sequence[str], heads: Sequence[str], look: Look, indent: int) -> list[str]:
    """The first cell on a line of its own, the others after it with their heads."""
    first, *rest = row
    named = [f"{head} {cell}".strip() for head, cell in zip(heads[1:] or [""] * len(rest), rest, strict=True) if cell]
    deeper = indent + 4
    return [
        " " * indent + look.wrap(first, indent, used=indent),
        " " * deeper + look.wrap(", ".join(named), deeper, used=deeper),
    ]


def _length(text: str) -> int:
    """Columns that a text takes on the terminal."""
    return len(_STYLE.sub("", text))
