"""Numbers of evidence with their units, as a person reads them."""

import math
import re
from typing import Final

from framecheck.words import fixed, number, plain

_SIGNS: Final = {
    "percent": "\u202f%", "percent of the squared FWHM": "\u202f% of the squared FWHM", "arcsec": "″",
    "arcsec rms": "″ rms", "arcsec/min": "″ a minute", "arcsec/s": "″ a second", "arcmin": "′", "deg": "°",
    "deg/h": "° an hour", "px": "\u202fpx", "px/min": "\u202fpx a minute", "s": "\u202fs", "K": "\u202fK", "ratio": "",
    "long over short axis": " times as long as wide",
}  # fmt: skip
"""What stands after a number of that unit."""
_SMALLEST: Final = {"percent": 0.1, "percent of the squared FWHM": 0.1}
"""Smaller shares are told as "below" it: three digits of a tiny chance say nothing more. Chosen."""
_LIMIT: Final = re.compile(r"\b(?:below|above|within|up to) \d+(?:\.\d+)?(?![\d.]|\s?%)")
"""A limit in words whose unit is left to the value beside it."""
_BARE: Final = ("ratio", "long over short axis")
"""Units that a limit in words does without."""


def told(value: float, unit: str | None, decimals: int | None = None) -> str:
    """A number with its unit: 0.42″ a minute, 1 frame, below 0.1 %.

    Parameters
    ----------
    value : float
    unit : str or None
        As findings name it; one that is not known here stands after the number as it is.
    decimals : int, optional
        Three significant digits if not given.
    """
    least = _SMALLEST.get(unit or "")
    if least is not None and 0 < value < least:
        return f"below {least:g}{_SIGNS[unit or '']}"
    is_count = decimals is None and math.isfinite(value) and float(value).is_integer() and abs(value) < 10_000
    shown = (
        f"{value:.0f}".replace("-", "−") if is_count else number(value) if decimals is None else fixed(value, decimals)
    )
    if not unit:
        return shown
    if unit == "frames":
        return f"{shown} {'frame' if value == 1 else 'frames'}"
    return shown + _SIGNS.get(unit, f" {plain(unit)}")


def told_healthy(expected: str | float, unit: str | None) -> str:
    """What a healthy night shows, in the unit of the value beside it."""
    if not isinstance(expected, str):
        return "none" if expected == 0 and unit in ("frames", None) else told(expected, unit)
    text = plain(expected)
    if not unit or unit in _BARE:
        return text
    sign = _SIGNS["percent"] if unit.startswith("percent") else _SIGNS.get(unit, f" {plain(unit)}")
    return _LIMIT.sub(lambda found: found[0] + sign, text)
