"""How numbers, units and foreign text read: in few digits, and never able to steer a terminal or a page."""

import math
import os
import re
import shlex
import unicodedata
from pathlib import Path, PurePath
from typing import Final

UNKNOWN: Final = "–"
"""Stands where a number is not known."""
_SIGNS: Final = {
    "percent": " %", "percent of the squared FWHM": " % of the squared FWHM", "arcsec": "″",
    "arcsec rms": "″ rms", "arcsec/min": "″ a minute", "arcsec/s": "″ a second", "arcmin": "′", "deg": "°",
    "deg/h": "° an hour", "px": " px", "px/min": " px a minute", "s": " s", "K": " K", "ratio": "",
}  # fmt: skip
"""What stands after a number of that unit."""
SHORT_UNITS: Final = {
    "": "", "arcsec": "″", "arcsec/px": "″/px", "arcsec/s": "″/s", "arcsec/min": "″/min", "arcmin": "′",
    "min/h": " min/h", "deg": "°", "deg/h": "°/h", "px": " px", "px/min": " px/min", "mm": " mm", "µm": " µm",
    "micrometre": " µm", "ADU": " ADU", "s": " s", "percent": " %",
}  # fmt: skip
"""The same in a table, where room is short."""
_SMALLEST: Final = {"percent": 0.1, "percent of the squared FWHM": 0.1}
"""Smaller shares are told as "below" it: three digits of a tiny chance say nothing more. Chosen."""
_LIMIT: Final = re.compile(r"\b(?:below|above|within|up to) \d+(?:\.\d+)?(?![\d.]|\s?%)")
"""A limit in words whose unit is left to the value beside it."""
_TIE: Final = re.compile(r"(?<=\d) (?=(?:%|s|min|h|px|K|°C|MB|mm)(?!\w))|(?<=\d h) (?=\d+ min)")
"""Spaces between a number and its unit, where no line may end."""
_BARE: Final = ("ratio", "long over short axis")
"""Units that a limit in words does without."""


def plain(text: str) -> str:
    """Text from file names and headers with all that could steer a terminal or reorder a line made visible.

    Control characters, marks that change the direction of writing and bytes that are no text are shown as escapes.
    """
    return "".join(_visible(sign) for sign in text)


def safe(text: object) -> str:
    """Text from files and headers with all that could steer a terminal made visible."""
    return plain(str(text))


def tied(text: str) -> str:
    """The text with numbers and their units kept on one line, by spaces that do not break."""
    return _TIE.sub("\u00a0", text)


def untied(text: str) -> str:
    """The text with plain spaces again, once its lines are set."""
    return text.replace("\u00a0", " ")


def steers(sign: str) -> bool:
    """Whether a sign is none to be seen, but one that could steer a terminal or reorder a line."""
    return unicodedata.category(sign) in ("Cc", "Cf", "Zl", "Zp", "Co", "Cn")


def _visible(sign: str) -> str:
    if unicodedata.category(sign) == "Cs":
        return f"\\x{ord(sign) & 0xFF:02x}"  # a byte that is no UTF-8, as os.fsdecode hands it over
    if steers(sign):
        number = ord(sign)
        return f"\\x{number:02x}" if number < 0x100 else f"\\u{number:04x}" if number < 0x10000 else f"\\U{number:08x}"
    return sign


def valid_text(text: str) -> str:
    """Text that UTF-8 can hold: bytes of a file name that are no text are shown as escapes, the rest stays."""
    return "".join(_visible(sign) if "\ud800" <= sign <= "\udfff" else sign for sign in text)


def cut(text: str, longest: int = 300) -> str:
    """Foreign text of no more than so many signs: three lines of the page, if nothing else is said."""
    return text if len(text) <= longest else text[: longest - 1] + "…"


def path_in(folder: Path, file: PurePath) -> str:
    """A file's path relative to the night's folder, with forward slashes, also of one that lies elsewhere.

    Without a folder it is as it was given.
    """
    from framecheck.read.remote import is_remote, place_name  # not at the top: the first words come from here

    try:
        return valid_text(place_name(file.relative_to(folder)))
    except ValueError:
        if not file.is_absolute() or file.drive != folder.drive or is_remote(folder) or folder == Path():
            return valid_text(place_name(file))
    try:
        return valid_text(Path(os.path.relpath(file, folder)).as_posix())
    except OSError:  # we are in a folder that is gone
        return valid_text(place_name(file))


def as_argument(path: Path) -> str:
    """A path as one types it after a command."""
    text = str(path)
    text = f"./{text}" if text.startswith("-") else text
    return safe(f'"{text}"' if os.name == "nt" and " " in text else text if os.name == "nt" else shlex.quote(text))


def known(value: float | None) -> float | None:
    """The value as a plain float; None if it is unknown, not a number or infinite."""
    return float(value) if value is not None and math.isfinite(value) else None


def number(value: float | None, digits: int = 3) -> str:
    """A number with so many significant digits, thousands set apart, without powers of ten."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    if value == 0:
        return "0"
    rounded = float(f"{value:.{digits - 1}e}")
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(rounded))))
    text = f"{rounded:,.{min(decimals, 12)}f}".replace(",", "\u202f")
    return text.replace("-", "−")


def arcminutes(value: float | None) -> str:
    """How far an axis is off: whole arcminutes, tenths below ten."""
    return number(value, 3 if value is not None and value >= 100 else 2)


def fixed(value: float | None, decimals: int) -> str:
    """A number with so many decimals."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    text = f"{value:,.{decimals}f}".replace(",", "\u202f")
    return text.replace("-", "−") if float(f"{value:.{decimals}f}") else text.lstrip("-")


def signed(value: float | None, decimals: int, unit: str) -> str:
    """A change with its sign and unit; empty if unknown."""
    if value is None:
        return ""
    shown = fixed(value, decimals)
    return ("+" if value > 0 and float(f"{value:.{decimals}f}") else "") + shown + unit


def percent(share: float | None) -> str:
    """A share as a whole percentage."""
    return UNKNOWN if share is None or not math.isfinite(share) else f"{100 * share:.0f} %"


def rare(chance: float) -> str:
    """A small chance as a percentage that is never told as none at all."""
    return "below 0.1 %" if chance < 0.001 else f"{number(100 * chance, 2)} %"


def duration(seconds: float | None) -> str:
    """A length of time as one says it: 42 s, 35 min, 1 h 36 min."""
    if seconds is None or not math.isfinite(seconds):
        return UNKNOWN
    if seconds < 99.5:
        return f"{number(seconds, 3) if seconds < 9.95 else round(seconds)} s"
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    return f"{minutes // 60} h" + (f" {minutes % 60} min" if minutes % 60 else "")


def counted(n: int, noun: str, plural: str | None = None) -> str:
    """A count with its noun: 1 frame, 2 frames."""
    shown = f"{n:,}".replace(",", "\u202f")
    return f"{shown} {noun if n == 1 else plural or noun + 's'}"


def size(n_bytes: int) -> str:
    """A number of bytes in words."""
    amount, unit = float(n_bytes), "bytes"
    for larger in ("kB", "MB", "GB", "TB"):
        if amount < 1000:
            break
        amount, unit = amount / 1000, larger
    return f"{amount:.3g} {unit}" if amount < 1000 else f"{amount:.0f} {unit}"


def listed(parts: list[str]) -> str:
    """Parts joined as a sentence does: a, b and c."""
    return " and ".join(filter(None, [", ".join(parts[:-1]), *parts[-1:]]))


def sentence(text: str) -> str:
    """The text with a capital and one full stop."""
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".") if text else ""


def clause(text: str) -> str:
    """The text as the end of a sentence goes: without its full stop, and small unless it starts with a short form."""
    text = text.strip().rstrip(".")
    is_word = len(text) < 2 or not text[1].isupper()
    return text[:1].lower() + text[1:] if is_word else text


def likely(confidence: float) -> str:
    """A confidence in words."""
    words = ("unlikely", "possible", "likely", "very likely", "almost certain")
    return words[sum(confidence >= limit for limit in (0.25, 0.5, 0.8, 0.95))]


def likelihood(confidence: float) -> str:
    """A confidence in words, with its number."""
    return f"{likely(confidence)} ({100 * confidence:.0f} %)"


def short_unit(unit: str) -> str:
    """A unit as it stands at an axis: the sign for arcseconds, else its name."""
    return _SIGNS[unit] if unit == "arcsec" else unit


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
    if unit == "long over short axis":
        return f"elongation {shown}"
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
