"""Arrays of a record in one packed block: what they may be is known before a byte of them is unpacked."""

import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from math import prod
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.document import LARGEST
from framecheck.stars.table import STAR_DTYPE


@dataclass(frozen=True, kw_only=True, slots=True)
class ArrayKind:
    """What an array of a record may be."""

    dtype: np.dtype[Any]
    most: tuple[int, ...]
    """Longest side along each axis."""
    may_be_unknown: bool
    """Whether NaN may stand in it; in the star table only in columns of `_UNKNOWN_OF_STARS`."""


_FLOATS: Final = np.dtype(np.float32)
KINDS: Final[Mapping[str, ArrayKind]] = {
    # sides chosen: some ten times those that are written
    ".stars.table": ArrayKind(dtype=STAR_DTYPE, most=(10_000,), may_be_unknown=False),
    ".stacked.image": ArrayKind(dtype=_FLOATS, most=(600, 600), may_be_unknown=False),
    ".sky.level_mesh_adu": ArrayKind(dtype=_FLOATS, most=(120, 160), may_be_unknown=True),
    ".sky.ground_cells": ArrayKind(dtype=np.dtype(np.bool_), most=(2000, 2000), may_be_unknown=False),
    ".unlit.sample": ArrayKind(dtype=_FLOATS, most=(640, 640), may_be_unknown=True),
}
"""By the place of the array in its record."""
_UNKNOWN_OF_STARS: Final = tuple(
    name
    for name in STAR_DTYPE.names or ()
    if name.startswith(("moment_", "coma", "trefoil", "half_flux", "chi2")) or "error" in name
)
"""Columns that hold NaN where a star does not tell them."""


def pack(arrays: Mapping[str, NDArray[Any]]) -> tuple[dict[str, list[int]], bytes]:
    """Shapes by name, and all numbers in one compressed block, one array after the other."""
    shapes = {name: list(array.shape) for name, array in arrays.items()}
    return shapes, zlib.compress(b"".join(np.ascontiguousarray(array).tobytes() for array in arrays.values()))


def unpack(shapes: Any, packed: bytes) -> dict[str, NDArray[Any]]:
    """The arrays again.

    Raises
    ------
    ValueError
        If they are none of a record: by name, shape, length or a number in them.
    """
    if not isinstance(shapes, dict):
        raise ValueError("its arrays have no shapes")
    sizes = {name: _bytes_of(name, shape) for name, shape in shapes.items()}
    total = sum(sizes.values())
    unpacker = zlib.decompressobj()
    try:
        held = unpacker.decompress(packed, total + 1)
    except zlib.error as why:
        raise ValueError(f"its arrays cannot be unpacked: {why}") from why
    if len(held) != total or not unpacker.eof or unpacker.unused_data:
        raise ValueError("its arrays are of another length")
    arrays, start = {}, 0
    for name, size in sizes.items():
        numbers = np.frombuffer(held, KINDS[name].dtype, size // KINDS[name].dtype.itemsize, start)
        arrays[name] = numbers.reshape(shapes[name]).copy()  # a block read from outside cannot be written to
        start += size
    check(arrays)
    return arrays


def check(arrays: Mapping[str, NDArray[Any]]) -> None:
    """See that arrays are what they may be in a record.

    Raises
    ------
    ValueError
        If one is not.
    """
    for name, array in arrays.items():
        _bytes_of(name, list(array.shape))
        kind = KINDS[name]
        if array.dtype != kind.dtype:
            raise ValueError(f"{name} is of {array.dtype}")
        for column in array.dtype.names or ("",):
            values = array[column] if column else array
            _check_numbers(values, f"{name} {column}", kind.may_be_unknown or column in _UNKNOWN_OF_STARS)


def _bytes_of(name: Any, shape: Any) -> int:
    kind = KINDS.get(name)
    if kind is None or not isinstance(shape, list) or len(shape) != len(kind.most):
        raise ValueError(f"it has an array {name!r} of shape {str(shape)[:60]}")
    if not all(type(side) is int and 0 <= side <= most for side, most in zip(shape, kind.most, strict=True)):
        raise ValueError(f"its array {name} has the shape {str(shape)[:60]}")
    return kind.dtype.itemsize * prod(shape)


def _check_numbers(values: NDArray[Any], place: str, may_be_unknown: bool) -> None:
    if values.dtype.kind != "f":
        return
    largest = np.fmax.reduce(np.abs(values), axis=None, initial=0.0)
    if not largest <= LARGEST or (not may_be_unknown and np.isnan(values).any()):
        raise ValueError(f"{place} holds a number that cannot be")
