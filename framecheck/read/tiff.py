"""Tags of TIFF files, which most raws are too: what a camera says of an exposure, and where its pixels lie.

Bad content never raises here: what cannot be is left out.
"""

import math
import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import BinaryIO, Final

Value = bytes | tuple[float, ...]
"""Text and bytes as they stand; numbers, fractions divided out and what is none left out."""

PHOTOMETRIC, STRIP_OFFSETS, STRIP_BYTES, TILE_OFFSETS, TILE_BYTES = 262, 273, 279, 324, 325
SUB_DIRECTORIES, EXIF, GPS = 330, 34665, 34853
DNG_VERSION, CFA_REPEAT, CFA_PATTERN = 50706, 33421, 33422
_POINTERS: Final = (SUB_DIRECTORIES, EXIF, GPS)

_MARKS: Final = (b"II*\0", b"MM\0*", b"IIRO", b"IIRS", b"MMOR", b"IIU\0")
"""TIFF 6.0, section 2; the others are raws whose makers changed the mark and kept the rest (from memory)."""
_FORMS: Final = {
    1: "B",
    2: "s",
    3: "H",
    4: "I",
    5: "II",
    6: "b",
    7: "s",
    8: "h",
    9: "i",
    10: "ii",
    11: "f",
    12: "d",
    13: "I",
}
"""Types of values. TIFF 6.0, section 2; 13 of its Technical Note 1."""
_MOST_DIRECTORIES: Final = 32
"""Chosen: raws have up to ten."""
_MOST_TAGS: Final = 1000
"""Chosen: directories have up to a hundred."""
_ELSEWHERE: Final = 2**32 - 1
"""Place that stands for none: a maker tells it in a tag of its own (from memory)."""
_MOST_BYTES: Final = 1 << 20
"""[byte] Chosen: lists of 100,000 strips; longer values are the maker's own business."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Directory:
    """Tags of one image, or of one kind of facts."""

    tags: Mapping[int, Value]
    pointer: int = 0
    """Tag that led here; 0 for those of the chain from the file's beginning."""

    def numbers(self, tag: int) -> tuple[float, ...]:
        """All values of a tag; none if it is text, or not there."""
        held = self.tags.get(tag, ())
        return () if isinstance(held, bytes) else held

    def number(self, tag: int) -> float | None:
        """The first value of a tag."""
        return next(iter(self.numbers(tag)), None)

    def text(self, tag: int) -> str | None:
        """Text of a tag up to its end sign; None if nothing is in it."""
        held = self.tags.get(tag)
        if not isinstance(held, bytes):
            return None
        words = "".join(sign for sign in held.partition(b"\0")[0].decode("utf-8", "replace") if sign.isprintable())
        return " ".join(words.split()) or None


def is_tiff(head: bytes) -> bool:
    """Whether a file that begins so has directories of tags."""
    return head.startswith(_MARKS)


def read_directories(stream: BinaryIO) -> tuple[Directory, ...]:
    """All directories of a file: those in its chain, and what they point at; none where it is no TIFF file.

    TIFF 6.0 (1992), section 2; Exif 2.31, section 4.6.3 for the directories of exposure and place.
    """
    return tuple(_directories(stream))


def last_byte(directories: tuple[Directory, ...]) -> int:
    """Where the last of the pixels ends that the directories speak of. [byte]"""
    ends = [
        int(offset + length)
        for directory in directories
        for where, sizes in ((STRIP_OFFSETS, STRIP_BYTES), (TILE_OFFSETS, TILE_BYTES))
        for offset, length in zip(directory.numbers(where), directory.numbers(sizes), strict=False)
        if offset < _ELSEWHERE
    ]
    return max(ends, default=0)


def _directories(stream: BinaryIO) -> Iterator[Directory]:
    stream.seek(0)
    head = stream.read(8)
    if not is_tiff(head) or len(head) < 8:
        return
    order = "<" if head.startswith(b"II") else ">"
    waiting = [(int(struct.unpack(order + "I", head[4:])[0]), 0)]
    seen: set[int] = set()
    while waiting and len(seen) < _MOST_DIRECTORIES:
        start, pointer = waiting.pop(0)
        if start in seen or not 8 <= start < _ELSEWHERE:
            continue
        seen.add(start)
        tags, following = _directory(stream, start, order)
        if not tags:
            continue
        directory = Directory(tags=tags, pointer=pointer)
        yield directory
        waiting += [(int(at), tag) for tag in _POINTERS for at in directory.numbers(tag)]
        if pointer == 0:
            waiting.append((following, 0))


def _directory(stream: BinaryIO, start: int, order: str) -> tuple[dict[int, Value], int]:
    """Tags of the directory that begins there, and where the next one begins."""
    stream.seek(start)
    count = int.from_bytes(stream.read(2), "little" if order == "<" else "big")
    raw = stream.read(12 * count + 4)
    tags: dict[int, Value] = {}
    for at in range(0, 12 * min(count, _MOST_TAGS, len(raw) // 12), 12):
        tag, kind, n = struct.unpack_from(order + "HHI", raw, at)
        value = _value(stream, raw[at + 8 : at + 12], kind, n, order)
        if value is not None:
            tags.setdefault(tag, value)
    following = raw[12 * count :]
    return tags, struct.unpack(order + "I", following)[0] if len(following) == 4 else 0


def _value(stream: BinaryIO, held: bytes, kind: int, n: int, order: str) -> Value | None:
    form = _FORMS.get(kind)
    if form is None:
        return None
    size = n * struct.calcsize("=" + form)
    if size > _MOST_BYTES:
        return None
    if size > 4:
        stream.seek(struct.unpack(order + "I", held)[0])
        held = stream.read(size)
    if len(held) < size:
        return None
    if form == "s":
        return held[:size]
    parts = struct.unpack(f"{order}{n * len(form)}{form[0]}", held[:size])
    if len(form) == 1:
        return tuple(filter(math.isfinite, map(float, parts)))
    return tuple(above / below for above, below in zip(parts[::2], parts[1::2], strict=True) if below)
