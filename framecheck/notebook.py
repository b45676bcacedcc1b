"""Records as a notebook shows them: a heading and a few rows, every text escaped."""

from collections.abc import Sequence
from html import escape

from framecheck.words import plain


def small_table(title: str, rows: Sequence[tuple[str, str]], *, about: str = "") -> str:
    """A heading, a line about it, and a table of names and values as HTML; rows without a value are left out.

    Parameters
    ----------
    title, about : str
    rows : sequence of (str, str)
        Text; what could steer a page or a line is made harmless here.
    """
    lines = [f"<p><b>{_safe(title)}</b>{f' {_safe(about)}' if about else ''}</p>"]
    cells = "".join(
        f'<tr style="text-align:left"><th scope="row">{_safe(name)}</th><td>{_safe(value)}</td></tr>'
        for name, value in rows
        if value
    )
    return "\n".join([*lines, f"<table>{cells}</table>"] if cells else lines)


def _safe(text: str) -> str:
    return escape(plain(text))
