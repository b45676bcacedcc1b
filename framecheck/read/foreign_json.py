"""JSON of strangers: what it would take to hold is estimated before it is made, and whatever is wrong is one error."""

import json
from typing import Any, Final

_MOST_PARTS: Final = 3_000_000
"""Lists and tables. Chosen: a night of 50,000 frames has a tenth of it; empty ones, of three bytes in a file and a
hundred in memory, then take 0.4 GB."""
_MOST_VALUES: Final = 12_000_000
"""Chosen: a night of 50,000 frames has a third of it."""


def json_of(text: str) -> Any:
    """What a JSON text holds.

    Raises
    ------
    ValueError
        If it is none, is nested too deeply, has a number of thousands of digits, or holds more than any file of ours.
    """
    if text.count("[") + text.count("{") > _MOST_PARTS or text.count(",") > _MOST_VALUES:
        raise ValueError("it holds more than any file of ours")
    try:
        return json.loads(text)
    except RecursionError as why:
        raise ValueError("it is nested too deeply") from why
