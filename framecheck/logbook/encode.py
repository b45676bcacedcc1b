"""Records as JSON, their arrays in one packed block: plain formats, read without running anything."""

import json
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final, get_args, get_origin, get_type_hints

import numpy as np

from framecheck.document import NoRecord, record_of
from framecheck.field.result import FrameResult
from framecheck.logbook.arrays import KINDS, check, pack, unpack
from framecheck.night.records import Skipped
from framecheck.quantity import at_path
from framecheck.read.foreign_json import json_of
from framecheck.stars.table import STAR_DTYPE

Kept = FrameResult | Skipped
"""What a logbook keeps. Failures are tried again: what befell the file may have been mended."""

_RECORDS: Final[Mapping[str, type[FrameResult] | type[Skipped]]] = {"measured": FrameResult, "skipped": Skipped}
_LAYOUT: Final = 2
"""Of the text and the block; a record of another layout is measured again. 1 was npz."""
_UNKNOWN: Final = ("gradient_percent", "half_flux_radius_px", "level_adu", "noise_adu")
"""Numbers that are NaN where a frame does not tell them, beside all errors."""


def encode(outcome: Kept) -> tuple[str, str, bytes]:
    """Word of the record ("measured" or "skipped"), its JSON text (ASCII), and its arrays (compressed).

    Raises
    ------
    ValueError
        If it holds what `decode` would not take.
    """
    import msgspec

    arrays = _arrays_of(outcome)
    places = {id(array): place for place, array in arrays.items()}

    def plain(value: Any) -> Any:
        if isinstance(value, np.ndarray):
            return places[id(value)]
        return value.item() if isinstance(value, np.generic) else str(value)

    check(arrays)
    record = msgspec.to_builtins(outcome, enc_hook=plain)
    word = "measured" if isinstance(outcome, FrameResult) else "skipped"
    try:
        _decoded(word, record, arrays)
    except NoRecord as why:
        raise ValueError(str(why)) from why
    shapes, packed = pack(arrays)
    text = json.dumps({"layout": _LAYOUT, "arrays": shapes, "record": record}, separators=(",", ":"))
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
        return _decoded(word, whole["record"], unpack(whole["arrays"], held))
    except (KeyError, TypeError, ValueError, OverflowError, RecursionError, NoRecord) as why:
        raise ValueError(f"not a record of framecheck: {why}") from why


def _decoded(word: str, record: Any, arrays: Mapping[str, Any]) -> Kept:
    def made(kind: Any, value: Any) -> Any:
        if kind is Path:
            return Path(value)
        if get_origin(kind) is np.ndarray and isinstance(value, str) and value in arrays:
            return arrays[value]
        raise NoRecord(f"{str(value)[:60]} is no array")

    kept = record_of(_RECORDS[word], record, made, lambda name: name in _UNKNOWN or "error" in name)
    found = _arrays_of(kept)
    if found.keys() != arrays.keys() or any(found[place] is not arrays[place] for place in found):
        raise NoRecord("its arrays are at other places")
    return kept


def _arrays_of(outcome: Kept) -> dict[str, Any]:
    """Arrays of a record by their place in it."""
    found = {place: at_path(outcome, place[1:]) for place in KINDS if hasattr(outcome, place[1:].partition(".")[0])}
    return {place: array for place, array in found.items() if array is not None}


@cache
def record_shape() -> str:
    """The fields of all records with their types, and the columns of the star table, as one text."""
    return "; ".join([*(_shape(kind) for kind in _RECORDS.values()), str(STAR_DTYPE)])


def _shape(kind: Any) -> str:
    if not is_dataclass(kind):
        return " ".join([str(kind), *(_shape(part) for part in get_args(kind) if is_dataclass(part))])
    known = get_type_hints(kind)
    return f"{kind.__name__}({', '.join(f'{one.name}: {_shape(known[one.name])}' for one in fields(kind))})"  # type: ignore[union-attr]
