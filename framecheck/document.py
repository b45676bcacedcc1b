"""Typed records as JSON and back: the one way for night.json, past nights and the logbook.

What the fields' annotations and the ranges here say is what is accepted, so that a file from elsewhere can at worst
hold wrong numbers.
"""

import json
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from datetime import datetime
from functools import cache
from typing import Any, Final, TypeVar

from framecheck.constants import LONGEST_PATH
from framecheck.words import cut, plain, steers, valid_text

Record = TypeVar("Record")

_DIGITS: Final = 6
"""Chosen: significant digits of a float, finer than any measurement here, so that equal nights give equal bytes."""
LARGEST: Final = 1e18
"""No number of a record is larger. Chosen: the error of a star that was hardly fitted was met at 1e17; squares of such
numbers still fit into single precision."""
LARGEST_FILE: Final = 1 << 28
"""[byte] Nothing that is read again is larger. Chosen: a night of 50,000 frames, half a million steps of a sort."""
_LONGEST: Final = 100_000
"""No list is longer. Chosen: a month of one-second exposures at night comes to more, and is no night."""
_RANGES: Final[Mapping[str, tuple[float, float]]] = {
    # chosen: wider than anything that is built or seen, narrow enough for arithmetic
    **dict.fromkeys(("exposure_s", "effective_exposure_s", "n_found", "n_saturated", "n_measured"), (0, 1e9)),
    **dict.fromkeys(("width_px", "height_px"), (1, 1e6)),
    **dict.fromkeys(("pixel_scale_arcsec", "pixel_px"), (1e-6, 1e6)),
    **dict.fromkeys(("focal_length_mm", "aperture_mm"), (0.1, 1e6)),
    **dict.fromkeys(("tilt_x_percent", "tilt_y_percent", "curvature_percent"), (-1e6, 1e6)),
    **dict.fromkeys(("ra_arcsec", "dec_arcsec", "x_px", "y_px", "coma_px", "trefoil_px"), (-1e6, 1e6)),
    **dict.fromkeys(("astigmatism_px", "value", "low", "high"), (-1e6, 1e6)),
    "fwhm_px": (1e-3, 1e5),
    "fwhm_arcsec": (0, 1e6),
    "centre_fwhm_px": (1e-6, 1e5),
    "elongation": (1, 1e4),
    "smear_px": (0, 1e5),
    "airmass": (0.5, 100),
    "confidence": (0, 1),
    "share": (-10, 10),
    "n_frames": (0, 1e7),
    "minutes": (-1e7, 1e7),
    "pixel_um": (1e-3, 1e4),
    "binning": (0.1, 1000),
    "worm_period_s": (0, 1e6),
    "open_ends": (0, 2),
    "usual": (1e-9, 1e12),
    "now": (-1e12, 1e12),
}
"""What a number of a name may be, in its unit; others are within `_USUAL`."""
_USUAL: Final = (-LARGEST, LARGEST)
_YEARS: Final = (1800, 2200)
"""Chosen: photographs of the sky began in 1840."""


class NoRecord(Exception):  # noqa: N818 - says what it is
    """Something that framecheck does not write; the message names it, as the end of a sentence."""


def plain_values(value: Any) -> Any:
    """Lists, dicts, text, numbers and None from records, tuples, times and numpy scalars; floats have six digits.

    Of a record all fields are written, or what its class names in `WRITTEN`.
    """
    if is_dataclass(value):
        names = getattr(value, "WRITTEN", None) or [field.name for field in fields(value)]
        return {name: plain_values(getattr(value, name)) for name in names}
    if isinstance(value, datetime):
        return time_text(value)
    if isinstance(value, Mapping):
        return {valid_text(str(name)): plain_values(inner) for name, inner in value.items()}
    if isinstance(value, tuple | list):
        return [plain_values(inner) for inner in value]
    if isinstance(value, str):
        return valid_text(value)
    if value is None or isinstance(value, bool | int):
        return value
    if hasattr(value, "item"):
        return plain_values(value.item())
    if isinstance(value, float):
        return rounded(value)
    raise TypeError(f"JSON cannot hold a {type(value).__name__}: {value!r}")


def time_text(moment: datetime) -> str:
    """A time in ISO 8601, with a Z for UTC."""
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def shared_fields(record: Any, kind: Any) -> dict[str, Any]:
    """What a record holds of the fields of another kind of record."""
    return {name: getattr(record, name) for name in kind.__dataclass_fields__ if hasattr(record, name)}


def rounded(value: float) -> float | None:
    """A float with six significant digits; None if it is not finite."""
    return float(f"{value:.{_DIGITS}g}") if math.isfinite(value) else None


def json_text(document: Mapping[str, Any], *, indent: int | None = 1) -> str:
    """The document as JSON text that any reader takes: UTF-8, no NaN, keys in the order of the contract.

    Signs that could steer a terminal or reorder a line are written as JSON's own escapes.
    """
    text = json.dumps(document, ensure_ascii=False, allow_nan=False, indent=indent)
    steering = {sign for sign in set(text) - {"\n"} if steers(sign)}
    return text.translate({ord(sign): json.dumps(sign)[1:-1] if sign != "\x7f" else "\\u007f" for sign in steering})


def record_of(
    kind: type[Record],
    value: Any,
    hook: Callable[[Any, Any], Any] | None = None,
    may_be_nan: Callable[[str], bool] = lambda name: False,
) -> Record:
    """A record from plain values; fields that it does not know are left out, absent ones take their default.

    Parameters
    ----------
    kind : type
        A dataclass whose fields are annotated.
    value : dict
        As JSON holds it.
    hook : callable, optional
        Makes what JSON cannot hold, from the annotation and the value.
    may_be_nan : callable
        Whether a number of a name may be none.

    Raises
    ------
    NoRecord
        If it is none; the message names the field.
    """
    import msgspec

    try:
        record = msgspec.convert(value, kind, dec_hook=hook)
        _check(record, "", "", may_be_nan)
        return record
    except msgspec.ValidationError as why:
        raise NoRecord(_in_words(str(why))) from why
    except (RecursionError, ValueError, OverflowError) as why:
        raise NoRecord(_short(str(why))) from why


def _check(value: Any, name: str, place: str, may_be_nan: Callable[[str], bool]) -> None:
    """See that all numbers, times and lists of a record can be."""
    if is_dataclass(value):
        for field, low, high in _limits(value.__class__):
            inner = getattr(value, field)
            is_usual = inner is None or (type(inner) is float and low <= inner <= high)
            if not is_usual:  # few are not: a night of 300 frames has 12,000 values
                _check(inner, field, f"{place}.{field}", may_be_nan)
    elif isinstance(value, tuple):
        if len(value) > _LONGEST:
            raise NoRecord(f"{place[1:]} has {len(value)} entries")
        for number, inner in enumerate(value):
            _check(inner, name, f"{place}[{number}]", may_be_nan)
    elif isinstance(value, str) and len(value) > LONGEST_PATH:  # all other texts are names and sentences
        raise NoRecord(f"{place[1:]} has {len(value)} signs")
    elif isinstance(value, datetime) or (isinstance(value, str) and name.endswith(("_utc", "_local"))):
        _check_time(value, place)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        low, high = _RANGES.get(name, _USUAL)
        if not low <= value <= high and not (value != value and may_be_nan(name)):
            raise NoRecord(f"{place[1:]} is {_short(f'{value:g}')}, which cannot be")


@cache
def _limits(kind: Any) -> tuple[tuple[str, float, float], ...]:
    """Fields of a record, with what a number may be there."""
    return tuple((field.name, *_RANGES.get(field.name, _USUAL)) for field in fields(kind))


def _check_time(value: datetime | str, place: str) -> None:
    try:
        moment = value if isinstance(value, datetime) else datetime.fromisoformat(value)
    except ValueError:
        raise NoRecord(f"{place[1:]} is {_short(repr(value))}, which isn't a time") from None
    is_local = place.endswith("_local")  # a clock that does not name its zone
    if (moment.tzinfo is None) != is_local or not _YEARS[0] <= moment.year <= _YEARS[1]:
        raise NoRecord(f"{place[1:]} is {_short(str(value))}, which cannot be")


_KINDS: Final = {
    "str": "a text",
    "float": "a number",
    "int": "a whole number",
    "bool": "true or false",
    "null": "nothing",
    "array": "a list",
    "object": "a table of fields",
}


def _in_words(message: str) -> str:
    """What msgspec found, as the end of a sentence."""
    said, _, at = message.partition(" - at `$")
    place = at.rstrip("`").lstrip(".") or "it"
    missing = re.fullmatch(r"Object missing required field `(.*)`", said)
    if missing is not None:
        return f"{place} has no {missing[1]}"
    wrong = re.fullmatch(r"Expected `(.*)`, got `(.*)`", said)
    if wrong is None:
        return _short(f"{place}: {said[:1].lower()}{said[1:]}")
    wanted, found = (" or ".join(_KINDS.get(one, one) for one in kinds.split(" | ")) for kinds in wrong.groups())
    return _short(f"{place} is {found}, not {wanted}")


def _short(text: str) -> str:
    return cut(plain(text), 120)
