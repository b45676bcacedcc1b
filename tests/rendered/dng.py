"""Raws as a camera writes them: TIFF directories with the tags of DNG and Exif, written from the standards alone.

DNG Specification 1.4 (2012), chapters 2 to 4; TIFF 6.0 (1992), section 2; Exif 2.31 (2016), section 4.6.
"""

import struct
from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Tags = Mapping[int, tuple[str, Any]]
"""Tag -> its type and values. Types are B byte, A text, H short, I long, R two longs, S two signed longs."""

_CODES = {"B": (1, 1), "A": (2, 1), "H": (3, 2), "I": (4, 4), "R": (5, 8), "S": (10, 8)}
EXIF_IFD, GPS_IFD, SUB_IFDS, STRIPS = 34665, 34853, 330, 273
EXIF: Tags = {
    33434: ("R", Fraction(60)), 33437: ("R", Fraction(28, 10)), 34855: ("H", 1600), 37386: ("R", Fraction(135)),
    36867: ("A", "2025:03:01 22:00:00"), 37521: ("A", "25"),
    41486: ("R", Fraction(227273, 100)), 41487: ("R", Fraction(227273, 100)), 41488: ("H", 3),
}  # fmt: skip
"""A minute at f/2.8 and 135 mm on pixels of 4.4 micrometres, by a clock that does not name its zone."""


def dng(
    pixels: NDArray[np.uint16],
    pattern: str = "RGGB",
    *,
    active: tuple[int, int, int, int] | None = None,
    black: tuple[int, ...] = (512, 512, 512, 512),
    white: int = 65535,
    exif: Tags = EXIF,
    gps: Tags | None = None,
    more: Tags | None = None,
    order: str = "<",
    behind_a_preview: bool = False,
    packed: bool = False,
) -> bytes:
    """A raw of these pixels, all of the array. `pattern` counts from the corner of `active` (top, left, bottom, right).

    `more` are tags in place of, or beside, those of the raw image. `behind_a_preview`: the raw lies in a sub-directory
    behind a small picture, as most cameras write it, and not in the first directory. `packed`: as lossless JPEG.
    """
    height, width = pixels.shape[:2]
    camera: dict[int, tuple[str, Any]] = {
        50706: ("B", (1, 4, 0, 0)), 271: ("A", "Nobody"), 272: ("A", "Test Camera"), 50708: ("A", "Test Camera"),
        274: ("H", 1), 50721: ("S", (Fraction(1), 0, 0, 0, 1, 0, 0, 0, 1)), 50778: ("H", 21),
    }  # fmt: skip
    image: dict[int, tuple[str, Any]] = {
        254: ("I", 0), 256: ("I", width), 257: ("I", height), 258: ("H", 16), 259: ("H", 1), 262: ("H", 32803),
        277: ("H", 1), 278: ("I", height), 279: ("I", pixels.nbytes), 284: ("H", 1), 33421: ("H", (2, 2)),
        33422: ("B", tuple("RGB".index(colour) for colour in pattern)), 50713: ("H", (2, 2)), 50714: ("H", black),
        50717: ("I", white), 50829: ("I", active or (0, 0, height, width)),
    } | dict(more or {})  # fmt: skip
    data = lossless_jpeg(pixels) if packed else pixels.astype(np.dtype("u2").newbyteorder(order)).tobytes()
    if packed:
        image |= {259: ("H", 7), 279: ("I", len(data))}
    inner: dict[int, Tags] = {EXIF_IFD: exif} | ({} if gps is None else {GPS_IFD: gps})
    if not behind_a_preview:
        return _file({**camera, **image}, inner, data, order)
    preview = bytes(3 * 8 * 8)
    small: dict[int, tuple[str, Any]] = {
        254: ("I", 1), 256: ("I", 8), 257: ("I", 8), 258: ("H", (8, 8, 8)), 259: ("H", 1), 262: ("H", 2),
        277: ("H", 3), 278: ("I", 8), 279: ("I", len(preview)),
    }  # fmt: skip
    return _file({**camera, **small}, {**inner, SUB_IFDS: {**image, -1: ("B", data)}}, preview, order)


def lossless_jpeg(pixels: NDArray[np.uint16]) -> bytes:
    """A mosaic as cameras pack it: two neighbours are the components of one place, each told by the one before it.

    ITU-T T.81 (1992), annex H (lossless) with the first predictor; all codes have five bits.
    """
    height, width = pixels.shape
    values = pixels.reshape(height, width // 2, 2).astype(np.int32)
    before = np.empty_like(values)
    before[:, 1:] = values[:, :-1]
    before[1:, 0] = values[:-1, 0]
    before[0, 0] = 1 << 15
    apart = (values - before + 2**15) % 2**16 - 2**15  # H.1.2.1: modulo 2^16
    apart = np.where(apart == -(2**15), 2**15, apart).reshape(-1)
    size = np.ceil(np.log2(np.abs(apart) + 1)).astype(np.int32)
    size[np.abs(apart) == 2**15] = 16
    low = np.where(apart < 0, apart + (1 << size) - 1, apart)
    more = np.where(size == 16, 0, size)
    word = (size << more) | np.where(size == 16, 0, low)
    places = np.arange(5 + 15, -1, -1, dtype=np.int32)
    parts = (slice(start, start + 2**18) for start in range(0, len(word), 2**18))
    bits = np.concatenate(
        [((word[part, None] >> places) & 1).astype(np.uint8)[places < (5 + more[part])[:, None]] for part in parts]
    )
    data = np.packbits(np.append(bits, np.ones(-bits.size % 8, np.uint8))).tobytes().replace(b"\xff", b"\xff\0")
    table = bytes([0, 0, 0, 0, 17, *[0] * 11, *range(17)])
    frame = struct.pack(">BHHB", 16, height, width // 2, 2) + bytes([0, 0x11, 0, 1, 0x11, 0])
    segments = ((0xC3, frame), (0xC4, b"\0" + table), (0xDA, bytes([2, 0, 0, 1, 0, 1, 0, 0])))
    heads = b"".join(b"\xff" + bytes([mark]) + struct.pack(">H", len(held) + 2) + held for mark, held in segments)
    return b"\xff\xd8" + heads + data + b"\xff\xd9"


def write_dng(path: Path, pixels: NDArray[np.uint16], pattern: str = "RGGB", **how: Any) -> Path:
    """Write what `dng` makes."""
    path.write_bytes(dng(pixels, pattern, **how))
    return path


def _file(first: Tags, inner: Mapping[int, Tags], data: bytes, order: str) -> bytes:
    """A TIFF file: head, the first directory's pixels, the other directories, and the first one last."""
    out = bytearray((b"II" if order == "<" else b"MM") + struct.pack(order + "HI", 42, 0))
    first = {STRIPS: ("I", len(out)), **first}
    out += data
    for tag, tags in inner.items():
        if -1 in tags:  # pixels of its own
            held = tags[-1][1]
            tags = {k: v for k, v in tags.items() if k >= 0} | {STRIPS: ("I", len(out))}
            out += held
        first = {**first, tag: ("I", _append(out, tags, order))}
    out[4:8] = struct.pack(order + "I", _append(out, first, order))
    return bytes(out)


def _append(out: bytearray, tags: Tags, order: str) -> int:
    """Append a directory with its values; where it begins."""
    entries = []
    for tag, (kind, values) in sorted(tags.items()):
        held, count = _values(kind, values, order)
        if len(held) > 4:
            out += bytes(len(out) % 2)
            held, at = struct.pack(order + "I", len(out)), held
            out += at
        entries.append(struct.pack(order + "HHI", tag, _CODES[kind][0], count) + held.ljust(4, b"\0"))
    out += bytes(len(out) % 2)
    start = len(out)
    out += struct.pack(order + "H", len(entries)) + b"".join(entries) + bytes(4)
    return start


def _values(kind: str, values: Any, order: str) -> tuple[bytes, int]:
    if kind == "A":
        return values.encode("latin-1") + b"\0", len(values) + 1
    each = values if isinstance(values, tuple) else (values,)
    if kind in "RS":
        parts = [part for value in each for part in Fraction(value).as_integer_ratio()]
        return struct.pack(f"{order}{len(parts)}{'I' if kind == 'R' else 'i'}", *parts), len(each)
    return struct.pack(f"{order}{len(each)}{kind}", *each), len(each)
