"""Images stored as compressed tiles: looked through before they are unpacked, for the codes trust what they are told.

FITS Standard 4.0, sections 7.3 (binary tables) and 10 (tiled images). Unpacking itself is astropy's work.
"""

import math
import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.errors import UnusableFrame
from framecheck.read.cards import CARD_BYTES, Header
from framecheck.read.layout import BLOCK_BYTES, Layout
from framecheck.read.pixels import fill

_CODES: Final = ("RICE_1", "RICE_ONE", "GZIP_1", "GZIP_2", "PLIO_1", "HCOMPRESS_1", "NOCOMPRESS")
_QUANTIZATIONS: Final = ("NO_DITHER", "NONE", "SUBTRACTIVE_DITHER_1", "SUBTRACTIVE_DITHER_2")
_FORM: Final = re.compile(r"(\d{0,9})([LXBIJKAEDCMPQ])([LXBIJKAEDCM]?)(?:\(\d*\))?\Z")
_BYTES_OF: Final = {"L": 1, "B": 1, "A": 1, "I": 2, "J": 4, "E": 4, "K": 8, "D": 8, "C": 8, "M": 16, "P": 8, "Q": 16}
"""[byte] FITS Standard 4.0, Table 18."""
_PACKED: Final = ("COMPRESSED_DATA", "GZIP_COMPRESSED_DATA", "UNCOMPRESSED_DATA")
_MOST_COLUMNS: Final = 999
"""FITS Standard 4.0, section 7.3.1."""
_LARGEST_PIXEL: Final = 8
"""[byte]"""
_SLACK_BYTES: Final = 1024
"""[byte] Chosen: what a code may add to a tile that it cannot make smaller, besides an eighth of the tile itself."""
_LARGEST_BLOCK: Final = 1024
"""[px] Chosen: the standard knows blocks of 16 and 32 pixels."""
_MOST_MEMBERS: Final = 8
"""Chosen: a tile is packed as one; what unpacks gzip data copies all that is left with each member."""
_TRANSFORM_MAGIC: Final = b"\xdd\x99"
"""First bytes of a tile in HCOMPRESS_1; rows and columns follow as 4 bytes each (White 1992)."""


class _WrongTilesError(ValueError):
    """What is wrong with the tiles, as the end of a sentence."""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Column:
    """A column of the table that holds the tiles."""

    name: str
    form: str
    start: int
    """First byte within a row. [byte]"""
    letter: str
    held: str
    """Letter of the type of what an array in the heap holds; empty if it is no such column."""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Table:
    """The table that holds the tiles, as far as its header tells."""

    columns: tuple[_Column, ...]
    row_bytes: int
    n_rows: int
    heap_start: int
    """From the beginning of the data. [byte]"""
    n_bytes: int
    code: str
    axes: tuple[int, ...]
    tiles: tuple[int, ...]
    """Sides of the image and of a whole tile, x first. [px]"""

    @property
    def tile_pixels(self) -> int:
        """Pixels of a whole tile."""
        return math.prod(self.tiles)


def unpack_tiles(stream: BinaryIO, layout: Layout, path: Path) -> NDArray[Any]:
    """Unpack an image that is stored as compressed tiles: its numbers as before, the last axis along NAXIS1.

    Raises `UnusableFrame` if table, tiles or codes contradict each other or the standard, or the tiles are damaged.
    """
    import warnings

    from astropy.io import fits

    try:
        table = _table(layout.header)
        packed = _fetched(stream, layout, table)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of headers, which are not astropy's to judge here
            bintable = fits.BinTableHDU.fromstring(packed)
            stored = fits.CompImageHDU(bintable=bintable, do_not_scale_image_data=True).data
        if stored.shape != table.axes[::-1]:
            raise _WrongTilesError(f"they hold {stored.shape} pixels")
    except _WrongTilesError as why:
        raise UnusableFrame(
            path, f"is stored as tiles that cannot be: {why}", "Copy it again from the camera."
        ) from None
    except (MemoryError, EOFError, OSError):
        raise
    except Exception as why:  # damaged tiles fail in as many ways as there are codes
        said = " ".join(str(why).split())[:80]
        raise UnusableFrame(
            path, f"has compressed pixels that cannot be unpacked ({said})", "Copy it again from the camera."
        ) from None
    return np.asarray(stored)


def _fetched(stream: BinaryIO, layout: Layout, table: _Table) -> bytes:
    """The table with its tiles, looked through, behind a header that says nothing else."""
    head = _clean_header(layout.header, table)
    whole = bytearray(len(head) + table.n_bytes)
    whole[: len(head)] = head
    data = memoryview(whole)[len(head) :]
    stream.seek(layout.offset)
    if not fill(stream, data):
        raise _WrongTilesError("the file ends within them")
    _look_through(data, table)
    return bytes(whole)


def _table(header: Header) -> _Table:
    """The table as its header tells it, if it can be true."""
    n_columns, rows = _whole(header, "TFIELDS", 1, _MOST_COLUMNS), _whole(header, "NAXIS2", 1, 2**31)
    row_bytes, heap_bytes = _whole(header, "NAXIS1", 1, 2**31), _whole(header, "PCOUNT", 0, 2**40)
    if header.value("NAXIS") != 2 or header.value("BITPIX") != 8 or header.text("XTENSION") != "BINTABLE":
        raise _WrongTilesError("they lie in no binary table")
    columns, width = [], 0
    for number in range(1, n_columns + 1):
        column, n_bytes = _column(header, number, width)
        columns.append(column)
        width += n_bytes
    if width != row_bytes or len({column.name for column in columns}) < n_columns:
        raise _WrongTilesError("the columns of their table do not fit its rows")
    if not any(column.name == "COMPRESSED_DATA" and column.held in ("B", "I", "J") for column in columns):
        raise _WrongTilesError("no column holds them")
    n_axes = _whole(header, "ZNAXIS", 1, 999)
    axes = tuple(_whole(header, f"ZNAXIS{n}", 1, 2**31) for n in range(1, n_axes + 1))
    tiles = tuple(min(axis, _tile_side(header, n, axis)) for n, axis in enumerate(axes, 1))
    code = header.text("ZCMPTYPE")
    if code not in _CODES:
        raise _WrongTilesError(f"their code {code} is none of {', '.join(_CODES)}")
    start = rows * row_bytes if header.value("THEAP") is None else _whole(header, "THEAP", rows * row_bytes, 2**40)
    n_bytes = rows * row_bytes + heap_bytes
    if start > n_bytes:
        raise _WrongTilesError("they begin behind the end of their table")
    return _Table(
        columns=tuple(columns),
        row_bytes=row_bytes,
        n_rows=rows,
        heap_start=start,
        n_bytes=n_bytes,
        code=code,
        axes=axes,
        tiles=tiles,
    )


def _whole(header: Header, keyword: str, least: int, most: int) -> int:
    value = header.value(keyword)
    if isinstance(value, bool) or not isinstance(value, int | float) or value % 1 or not least <= value <= most:
        raise _WrongTilesError(f"{keyword} = {value}")
    return int(value)


def _tile_side(header: Header, n: int, axis: int) -> int:
    if header.value(f"ZTILE{n}") is None:  # rows, if not said otherwise
        return axis if n == 1 else 1
    return _whole(header, f"ZTILE{n}", 1, 2**31)


def _column(header: Header, number: int, start: int) -> tuple[_Column, int]:
    form, name = header.text(f"TFORM{number}") or "", header.text(f"TTYPE{number}") or ""
    match = _FORM.match(form)
    if match is None or not re.fullmatch(r"[A-Za-z0-9_ -]{0,68}", name):
        raise _WrongTilesError(f"TFORM{number} = {form}")
    count = int(match[1] or 1)
    is_array = match[2] in "PQ"
    if is_array and (count > 1 or not match[3]):
        raise _WrongTilesError(f"TFORM{number} = {form}")
    n_bytes = -(-count // 8) if match[2] == "X" else count * _BYTES_OF[match[2]]
    held = match[3] if is_array and count else ""
    return _Column(name=name.upper(), form=form, start=start, letter=match[2], held=held), n_bytes


def _clean_header(header: Header, table: _Table) -> bytes:
    """A header with nothing in it but what unpacking needs, each value looked at."""
    cards: list[tuple[str, int | float | str | bool]] = [
        ("XTENSION", "BINTABLE"),
        ("BITPIX", 8),
        ("NAXIS", 2),
        ("NAXIS1", table.row_bytes),
        ("NAXIS2", table.n_rows),
        ("PCOUNT", table.n_bytes - table.n_rows * table.row_bytes),
        ("GCOUNT", 1),
        ("TFIELDS", len(table.columns)),
    ]
    for number, column in enumerate(table.columns, 1):
        cards += [(f"TTYPE{number}", column.name), (f"TFORM{number}", column.form)]
    cards += [("THEAP", table.heap_start), ("ZIMAGE", True), ("ZCMPTYPE", table.code)]
    cards += [("ZBITPIX", _whole(header, "ZBITPIX", -64, 64)), ("ZNAXIS", len(table.axes))]
    for n, (axis, tile) in enumerate(zip(table.axes, table.tiles, strict=True), 1):
        cards += [(f"ZNAXIS{n}", axis), (f"ZTILE{n}", tile)]
    for n, (name, value) in enumerate(_settings(header, table), 1):
        cards += [(f"ZNAME{n}", name), (f"ZVAL{n}", value)]
    cards += _blanks_and_dither(header)
    lines = [_card(keyword, value) for keyword, value in cards] + [b"END".ljust(CARD_BYTES)]
    raw = b"".join(lines)
    return raw.ljust(-(-len(raw) // BLOCK_BYTES) * BLOCK_BYTES)


def _blanks_and_dither(header: Header) -> Iterator[tuple[str, int | str]]:
    for keyword in ("ZBLANK", "BLANK"):
        if header.value(keyword) is not None:
            yield keyword, _whole(header, keyword, -(2**31), 2**31 - 1)
            break
    method = header.text("ZQUANTIZ")
    if method is not None:
        if method not in _QUANTIZATIONS:
            raise _WrongTilesError(f"ZQUANTIZ = {method}")
        yield "ZQUANTIZ", "NO_DITHER" if method == "NONE" else method
    if header.value("ZDITHER0") is not None:
        yield "ZDITHER0", _whole(header, "ZDITHER0", 0, 10000)


def _settings(header: Header, table: _Table) -> Iterator[tuple[str, int]]:
    """What the code was set to: a wrong number here makes it read or write where it must not."""
    said: dict[str, str] = {}
    for n in range(1, 100):
        name = header.text(f"ZNAME{n}")
        if name is None:
            break
        said.setdefault(name.upper(), f"ZVAL{n}")
    if table.code.startswith("RICE"):
        yield "BLOCKSIZE", _whole(header, said["BLOCKSIZE"], 1, _LARGEST_BLOCK) if "BLOCKSIZE" in said else 32
        size = _whole(header, said["BYTEPIX"], 1, 4) if "BYTEPIX" in said else 4
        if size == 3:
            raise _WrongTilesError("BYTEPIX = 3")
        yield "BYTEPIX", size
    if table.code.startswith("HCOMPRESS"):
        scale = header.number(said["SCALE"]) if "SCALE" in said else 0.0
        if scale is None or not 0 <= scale < 2**30:
            raise _WrongTilesError(f"SCALE = {scale}")
        yield "SCALE", int(scale)
        yield "SMOOTH", _whole(header, said["SMOOTH"], 0, 1) if "SMOOTH" in said else 0


def _card(keyword: str, value: float | str | bool) -> bytes:
    if isinstance(value, bool):
        text = "T" if value else "F"
    else:
        text = f"'{value:8}'" if isinstance(value, str) else str(value)
    return f"{keyword:8}= {text:>20}".encode("ascii").ljust(CARD_BYTES)


def _look_through(data: memoryview, table: _Table) -> None:
    """See that each tile lies where there are bytes, is no longer than a tile can be, and unpacks to no more."""
    heap = data[table.heap_start :]
    held_bytes = 0
    for column in table.columns:
        if not column.held:
            continue
        lengths, places = _descriptors(data, table, column)
        sizes = lengths * _BYTES_OF[column.held]
        outside = (lengths < 0) | (sizes > len(heap)) | ((sizes > 0) & ((places < 0) | (places > len(heap) - sizes)))
        if outside.any():
            raise _WrongTilesError("some lie outside of the file")
        held_bytes += int(sizes.sum())
        if column.name not in _PACKED:
            continue
        if (sizes > table.tile_pixels * _LARGEST_PIXEL * 9 // 8 + _SLACK_BYTES).any():
            raise _WrongTilesError("some are longer packed than unpacked")
        code = {"COMPRESSED_DATA": table.code, "GZIP_COMPRESSED_DATA": "GZIP_1"}.get(column.name, "NOCOMPRESS")
        if code.startswith(("GZIP", "PLIO", "HCOMPRESS")):
            for start, size in zip(places[sizes > 0].tolist(), sizes[sizes > 0].tolist(), strict=True):
                _refuse_tile(heap[start : start + size], code, table.tile_pixels)
    if held_bytes > len(heap):
        raise _WrongTilesError("several lie in the same place")


def _descriptors(data: memoryview, table: _Table, column: _Column) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Number of elements of each array in the heap, and where it begins."""
    rows = np.frombuffer(data[: table.n_rows * table.row_bytes], np.uint8).reshape(table.n_rows, table.row_bytes)
    kind = ">i4" if column.letter == "P" else ">i8"
    raw = np.ascontiguousarray(rows[:, column.start : column.start + 2 * int(kind[2])])
    lengths, places = raw.view(kind).astype(np.int64).T
    return lengths, places


def _refuse_tile(tile: memoryview, code: str, tile_pixels: int) -> None:
    """Raise if a tile would lead its code astray."""
    if code.startswith("GZIP") and _unpacks_to_more(tile, tile_pixels * _LARGEST_PIXEL):
        raise _WrongTilesError("some unpack to more than a tile holds")
    if code == "HCOMPRESS_1":
        rows, columns = int.from_bytes(tile[2:6], "big"), int.from_bytes(tile[6:10], "big")
        if bytes(tile[:2]) != _TRANSFORM_MAGIC or not 0 < rows * columns <= tile_pixels:
            raise _WrongTilesError("some are of another size than their header says")
    if code == "PLIO_1":
        _refuse_run_lengths(np.frombuffer(tile[: len(tile) // 2 * 2], ">i2").astype(np.int64))


def _refuse_run_lengths(words: NDArray[np.int64]) -> None:
    """Raise if a list of runs claims more words than it has: it would be read beyond its end.

    The length stands in the third word, or, if that is negative, in the fourth and fifth, with the place of the first
    run in the second (IRAF pixel lists, as FITS Standard 4.0, section 10.4.3, refers to them).
    """
    if words.size < 5:
        raise _WrongTilesError("some are too short for their code")
    if words[2] > 0:
        length, first = int(words[2]), 3
    else:
        length, first = (int(words[4]) << 15) + int(words[3]), int(words[1])
    if not 3 <= first <= words.size or not 0 <= length < words.size + 1:
        raise _WrongTilesError("some claim more than they hold")


def _unpacks_to_more(tile: memoryview, most: int) -> bool:
    """Whether gzip data unpack to more bytes than that, or are cut into more members than any writer makes.

    Damaged ones are left to the reader.
    """
    rest: bytes | memoryview = tile
    unpacked = 0
    try:
        for _ in range(_MOST_MEMBERS):
            member = zlib.decompressobj(zlib.MAX_WBITS | 16)
            unpacked += len(member.decompress(rest, most - unpacked + 1))
            if unpacked > most:
                return True
            rest = member.unused_data
            if not member.eof or not rest:
                return False
    except zlib.error:
        return False
    return True
