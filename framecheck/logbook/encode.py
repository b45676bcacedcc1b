"""Records as JSON, their arrays in one packed block: plain formats, read without running anything.

What the fields' annotations and the ranges here say is what is accepted, so that a logbook from elsewhere can at worst
hold wrong numbers.
"""

import json
import types
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any, Final, Literal, Union, get_args, get_origin, get_type_hints

import numpy as np

from framecheck.field.result import FrameResult
from framecheck.logbook.arrays import LARGEST, check, pack, unpack
from framecheck.night.records import Skipped
from framecheck.read.foreign_json import json_of
from framecheck.stars.table import STAR_DTYPE

Kept = FrameResult | Skipped
"""What a logbook keeps. Failures are tried again: what befell the file may have been mended."""

_RECORDS: Final[Mapping[str, type[FrameResult] | type[Skipped]]] = {"measured": FrameResult, "skipped": Skipped}
_LAYOUT: Final = 2
"""Of the text and the block; a record of another layout is measured again. 1 was npz."""
_LONGEST: Final = 10_000
"""No list of a record is longer. Chosen: a frame has some ten lines."""
_UNKNOWN: Final = ("gradient_percent", "half_flux_radius_px", "level_adu", "noise_adu")
"""Numbers that are NaN where a frame does not tell them, beside all errors."""
_RANGES: Final[Mapping[str, tuple[float, float]]] = {
    # chosen: far beyond what any frame has, and near enough for arithmetic
    "width_px": (1, 1e6), "height_px": (1, 1e6), "exposure_s": (0, 1e9), "binning": (1, 1000), "pixel_px": (1e-6, 1e6),
    "n_found": (0, 1e9), "n_saturated": (0, 1e9), "n_measured": (0, 1e9), "open_ends": (0, 2),
    "pixel_scale_arcsec": (1e-6, 1e6),
}  # fmt: skip
_YEARS: Final = (1800, 2200)
"""Chosen: photographs of the sky began in 1840."""


def encode(outcome: Kept) -> tuple[str, str, bytes]:
    """Word of the record ("measured" or "skipped"), its JSON text (ASCII), and its arrays (compressed).

    Raises
    ------
    ValueError
        If it holds what `decode` would not take.
    """
    arrays: dict[str, Any] = {}
    plain = _plain(outcome, "", arrays)
    check(arrays)
    word = "measured" if isinstance(outcome, FrameResult) else "skipped"
    try:
        _typed(plain, _RECORDS[word], "", arrays)
    except (TypeError, OverflowError) as why:
        raise ValueError(str(why)) from why
    shapes, packed = pack(arrays)
    text = json.dumps({"layout": _LAYOUT, "arrays": shapes, "record": plain}, separators=(",", ":"))
    return word, text, packed


def decode(word: str, text: str, held: bytes) -> Kept:
    """The record again, equal in every bit.

    Raises
    ------
    ValueError
        If it is none that framecheck wrote.
    """
    try:
        whole = json_of(text)
        if whole["layout"] != _LAYOUT:
            raise TypeError("its layout is another")
        arrays = unpack(whole["arrays"], held)
        kept: Kept = _typed(whole["record"], _RECORDS[word], "", arrays)
    except (KeyError, TypeError, ValueError, OverflowError, RecursionError, AttributeError) as why:
        raise ValueError(f"not a record of framecheck: {why}") from why
    return kept


@cache
def record_shape() -> str:
    """The fields of all records with their types, and the columns of the star table, as one text."""
    return "; ".join([*(_shape(kind) for kind in _RECORDS.values()), str(STAR_DTYPE)])


def _shape(kind: Any) -> str:
    if not _is_record(kind):
        return " ".join([str(kind), *(_shape(part) for part in get_args(kind) if _is_record(part))])
    return f"{kind.__name__}({', '.join(f'{name}: {_shape(hint)}' for name, hint in _hints(kind).items())})"


def _is_record(kind: Any) -> bool:
    return is_dataclass(kind)


@cache
def _hints(kind: Any) -> dict[str, Any]:
    known = get_type_hints(kind)
    return {field.name: known[field.name] for field in fields(kind)}


def _plain(value: Any, name: str, arrays: dict[str, Any]) -> Any:
    """A value in the terms of JSON; arrays are put aside under the name of their field."""
    if isinstance(value, np.ndarray):
        arrays[name] = value
        return name
    if isinstance(value, np.generic):
        return value.item()
    if is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name), f"{name}.{f.name}", arrays) for f in fields(value)}
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, Path):
        return str(value)
    if isinstance(value, Mapping):
        return {str(key): _plain(inner, f"{name}.{key}", arrays) for key, inner in value.items()}
    if isinstance(value, tuple):
        return [_plain(inner, f"{name}.{k}", arrays) for k, inner in enumerate(value)]
    return value


def _typed(value: Any, kind: Any, name: str, arrays: Mapping[str, Any]) -> Any:
    """A value of JSON as its field's annotation wants it; TypeError if it is nothing of the kind."""
    origin = get_origin(kind)
    if origin in (types.UnionType, Union):
        if value is None and type(None) in get_args(kind):
            return None
        (kind,) = (part for part in get_args(kind) if part is not type(None))
        return _typed(value, kind, name, arrays)
    if kind is Any:
        return value
    if origin is np.ndarray:
        if value != name:
            raise TypeError(f"{name} is no array")
        return arrays[name]
    if _is_record(kind):
        hints = _hints(kind)
        if not isinstance(value, dict) or set(value) != set(hints):
            raise TypeError(f"{name or 'the record'} has other fields")
        return kind(**{key: _typed(value[key], hint, f"{name}.{key}", arrays) for key, hint in hints.items()})
    if origin is tuple:
        return _typed_tuple(value, get_args(kind), name, arrays)
    if isinstance(origin, type) and issubclass(origin, Mapping):
        if not isinstance(value, dict):
            raise TypeError(f"{name} is no table of fields")
        return {key: _typed(inner, get_args(kind)[1], f"{name}.{key}", arrays) for key, inner in value.items()}
    return _scalar(value, kind, name)


def _typed_tuple(value: Any, kinds: tuple[Any, ...], name: str, arrays: Mapping[str, Any]) -> tuple[Any, ...]:
    if not isinstance(value, list) or len(value) > _LONGEST:
        raise TypeError(f"{name} is no list, or too long")
    each = [kinds[0]] * len(value) if kinds[-1] is Ellipsis else list(kinds)
    return tuple(_typed(v, kind, f"{name}.{k}", arrays) for k, (v, kind) in enumerate(zip(value, each, strict=True)))


def _scalar(value: Any, kind: Any, name: str) -> Any:
    if kind is datetime:
        return _moment(value, name)
    if kind is Path:
        return Path(value)
    if get_origin(kind) is Literal:
        if value not in get_args(kind):
            raise TypeError(f"{name} is {value!r}")
        return value
    accepted = (int, float) if kind is float else kind
    if not isinstance(value, accepted) or (isinstance(value, bool) and kind is not bool):
        raise TypeError(f"{name} is {type(value).__name__}, not {kind}")
    if isinstance(value, int | float):
        _check_number(value, name)
    return value


def _check_number(value: float, place: str) -> None:
    name = place.rpartition(".")[2]
    low, high = _RANGES.get(name, (-LARGEST, LARGEST))
    unknown = value != value and (name in _UNKNOWN or "error" in name)
    if not (low <= value <= high or unknown):
        raise ValueError(f"{place} is {value:.3g}, which cannot be")


def _moment(value: Any, name: str) -> datetime:
    moment = datetime.fromisoformat(value)
    zoned = moment.tzinfo is not None
    if zoned == name.endswith("_local") or not _YEARS[0] <= moment.year <= _YEARS[1]:
        raise ValueError(f"{name} is {value!r}, which cannot be")
    return moment
