"""Hostile raws and pictures: small honest ones of 25 kinds, changed in tags, packing, pixels or bytes.

Each mutant follows from a seed and its number, and is tried like one of FITS.
"""

import contextlib
import io
import re
import struct
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import tifffile
from honest import HEIGHT, WIDTH, star_field
from mutate import Mutant
from numpy.typing import NDArray
from PIL import Image
from trial import Trial, try_mutant

sys.path.append(str(Path(__file__).parent.parent / "rendered"))
from dng import EXIF, dng

from framecheck.read import unpacking

Random = np.random.Generator
Pixels = NDArray[np.uint16]
HONEST_MB = 60.0
"""Memory of an honest small file while libraries may still be loading. [MB] Chosen."""


@dataclass(frozen=True, kw_only=True)
class RawKind:
    """One way of storing a mosaic or a picture."""

    name: str
    pack: Callable[[Pixels], bytes]
    ending: str = ".dng"
    refused: bool = False


def _dng(**how: object) -> Callable[[Pixels], bytes]:
    return lambda pixels: dng(pixels, **how)  # type: ignore[arg-type]


def _tiff(of: Callable[[Pixels], NDArray[np.generic]] = lambda p: p, **how: object) -> Callable[[Pixels], bytes]:
    def pack(pixels: Pixels) -> bytes:
        file = io.BytesIO()
        tifffile.imwrite(file, of(pixels), **how)  # type: ignore[arg-type]
        return file.getvalue()

    return pack


def _saved(form: str, of: Callable[[Pixels], NDArray[np.generic]], **how: object) -> Callable[[Pixels], bytes]:
    def pack(pixels: Pixels) -> bytes:
        file = io.BytesIO()
        Image.fromarray(of(pixels)).save(file, form, **how)
        return file.getvalue()

    return pack


def _eight(pixels: Pixels) -> NDArray[np.uint8]:
    return np.minimum(pixels // 16, 255).astype(np.uint8)


def _colours(pixels: Pixels) -> NDArray[np.generic]:
    return np.dstack([pixels] * 3)


def _eight_in_colours(pixels: Pixels) -> NDArray[np.generic]:
    return np.dstack([_eight(pixels)] * 3)


def _planes(pixels: Pixels) -> NDArray[np.generic]:
    return np.stack([pixels] * 3)


def _real(pixels: Pixels) -> NDArray[np.generic]:
    return pixels / np.float32(65535)


def _strips(pixels: Pixels) -> bytes:
    """Rows in strips of four."""
    n, each = pixels.shape[0] // 4, 4 * pixels.shape[1] * 2
    places = tuple(8 + k * each for k in range(n))
    return dng(pixels, more={278: ("I", 4), 279: ("I", (each,) * n), 273: ("I", places)})


_PLACE = {1: ("A", "N"), 2: ("R", (48, 8, 0)), 3: ("A", "E"), 4: ("R", (11, 30, 0))}
_ZONE = {**EXIF, 36881: ("A", "+02:00"), 42036: ("A", "A lens")}
_SIX = {33421: ("H", (6, 6)), 33422: ("B", (0, 1, 2) * 12)}
_LINEAR = {262: ("H", 34892), 277: ("H", 3), 258: ("H", (16, 16, 16))}

RAW_KINDS = (
    RawKind(name="raw", pack=_dng()),
    RawKind(name="raw, other order of bytes", pack=_dng(order=">")),
    RawKind(name="raw behind a preview", pack=_dng(behind_a_preview=True), ending=".nef"),
    RawKind(name="raw, packed", pack=_dng(packed=True)),
    RawKind(name="raw, packed, behind a preview", pack=_dng(packed=True, behind_a_preview=True, order=">")),
    RawKind(name="raw with odd margins", pack=_dng(active=(3, 5, HEIGHT, WIDTH - 1))),
    RawKind(name="raw with margins", pack=_dng(active=(4, 8, HEIGHT - 2, WIDTH), packed=True), ending=".cr2"),
    RawKind(name="raw with black by colour", pack=_dng(black=(500, 512, 514, 530), white=15000), ending=".arw"),
    RawKind(name="raw in strips", pack=_strips),
    RawKind(name="raw with a curve", pack=_dng(more={50712: ("H", tuple(range(65535)))})),
    RawKind(name="raw without colours", pack=_dng(more={262: ("H", 34892)})),
    RawKind(name="raw with a place", pack=_dng(gps=_PLACE)),
    RawKind(name="raw with a zone", pack=_dng(exif=_ZONE), ending=".tif"),
    RawKind(name="raw with a mosaic of 6 x 6", pack=_dng(more=_SIX), refused=True),
    RawKind(name="demosaiced raw", pack=lambda pixels: dng(_colours(pixels), more=_LINEAR), refused=True),
    RawKind(name="TIFF", pack=_tiff(), ending=".tif"),
    RawKind(name="TIFF, packed", pack=_tiff(compression="zlib", predictor=True), ending=".tiff"),
    RawKind(name="TIFF in tiles", pack=_tiff(tile=(32, 32), byteorder=">"), ending=".tif"),
    RawKind(name="TIFF in colours", pack=_tiff(_colours, photometric="rgb"), ending=".tif"),
    RawKind(name="TIFF in planes", pack=_tiff(_planes, photometric="rgb", planarconfig="separate"), ending=".tif"),
    RawKind(name="TIFF of real numbers, large", pack=_tiff(_real, bigtiff=True), ending=".tif"),
    RawKind(name="TIFF of 8 bits", pack=_tiff(_eight, rowsperstrip=7), ending=".tif"),
    RawKind(name="PNG", pack=_saved("PNG", lambda pixels: pixels), ending=".png"),
    RawKind(name="JPEG", pack=_saved("JPEG", _eight, quality=92), ending=".jpg"),
    RawKind(name="JPEG in colours", pack=_saved("JPEG", _eight_in_colours, progressive=True), ending=".jpeg"),
)  # fmt: skip


@cache
def honest_raw(index: int) -> bytes:
    """An honest file of a kind."""
    return RAW_KINDS[index].pack(star_field(np.random.default_rng(index)).astype(np.uint16))


def raw_mutant(seed: int, number: int) -> Mutant:
    """The so-manieth mutant of a seed: one kind of honest file, one to four changes."""
    rng = np.random.default_rng([seed, number, 16])
    index = int(rng.integers(len(RAW_KINDS)))
    kind, raw = RAW_KINDS[index], bytearray(honest_raw(index))
    story = [kind.name]
    for _ in range(int(rng.integers(1, 5))):
        change = CHANGES[rng.integers(len(CHANGES))]
        raw = change(raw, rng)
        story.append(change.__name__.strip("_"))
    ending = kind.ending if rng.random() < 0.9 else RAW_KINDS[rng.integers(len(RAW_KINDS))].ending
    return Mutant(number=number, ending=ending, content=bytes(raw), story=", ".join(story))


def raws(folder: Path, seed: int) -> Callable[[int], Trial]:
    """Tries of raws: half of them by the `frame` command, half by the reader."""

    def attempt(number: int) -> Trial:
        trial = try_mutant(raw_mutant(seed, number), folder, HONEST_MB, measure=number % 2 == 0)
        for left in folder.iterdir():
            left.unlink()
        unpacker_mb = _unpacker_mb()
        if unpacker_mb > 2 * HONEST_MB:
            trial = replace(trial, outcome="too much memory", megabytes=unpacker_mb)
        return trial

    return attempt


def _unpacker_mb() -> float:
    """The most memory that the process which unpacks has taken since this was asked before, where Linux tells it."""
    for _, process in unpacking._running:
        with contextlib.suppress(OSError):
            status = Path(f"/proc/{process.pid}/status").read_text()
            Path(f"/proc/{process.pid}/clear_refs").write_text("5")  # proc(5)
            return float(re.search(r"VmHWM:\s*(\d+)", status)[1]) / 1024  # type: ignore[index]
    return 0.0


# --- tags -------------------------------------------------------------------------------------------------------


def _entries(raw: bytearray) -> list[tuple[int, str]]:
    """Where entries of directories lie, as the file itself tells it, with its order of bytes."""
    order = "<" if raw[:2] == b"II" else ">"
    if raw[:2] not in (b"II", b"MM") or len(raw) < 16:
        return []
    found: list[tuple[int, str]] = []
    waiting, seen = [struct.unpack_from(order + "I", raw, 4)[0]], set()
    while waiting and len(found) < 500:
        at = waiting.pop()
        if at in seen or at + 2 > len(raw):
            continue
        seen.add(at)
        for k in range(struct.unpack_from(order + "H", raw, at)[0]):
            entry = at + 2 + 12 * k
            if entry + 12 > len(raw):
                break
            found.append((entry, order))
            if struct.unpack_from(order + "H", raw, entry)[0] in (330, 34665, 34853):
                waiting.append(struct.unpack_from(order + "I", raw, entry + 8)[0])
    return found


def _pick_entry(raw: bytearray, rng: Random) -> tuple[int, str] | None:
    places = _entries(raw)
    return places[rng.integers(len(places))] if places else None


_LONGS = (0, 1, 2, 3, 7, 8, 16, 255, 4096, 32803, 34892, 65535, 65536, 2**31 - 1, 2**31, 2**32 - 1)
_TAGS = (256, 257, 258, 259, 262, 273, 277, 278, 279, 322, 323, 324, 325, 330, 33421, 33422, 34665, 37500, 50706, 50710,
         50711, 50712, 50713, 50714, 50717, 50719, 50720, 50829, 51008, 51009, 50740, 50778)  # fmt: skip


def _wrong_value(raw: bytearray, rng: Random) -> bytearray:
    """A tag says something else: sizes, places, lengths, black levels."""
    if (place := _pick_entry(raw, rng)) is not None:
        entry, order = place
        here = struct.unpack_from(order + "I", raw, entry + 8)[0]
        value = int(rng.choice([*_LONGS, here + 1, max(0, here - 1), here * 2 % 2**32, len(raw) - 2, entry]))
        raw[entry + 8 : entry + 12] = struct.pack(order + "I", value % 2**32)
    return raw


def _wrong_count(raw: bytearray, rng: Random) -> bytearray:
    """A tag has more or fewer values than it holds."""
    if (place := _pick_entry(raw, rng)) is not None:
        entry, order = place
        raw[entry + 4 : entry + 8] = struct.pack(order + "I", int(rng.choice(_LONGS)))
    return raw


def _wrong_type(raw: bytearray, rng: Random) -> bytearray:
    if (place := _pick_entry(raw, rng)) is not None:
        entry, order = place
        raw[entry + 2 : entry + 4] = struct.pack(order + "H", int(rng.choice([*range(14), 129, 65535])))
    return raw


def _other_tag(raw: bytearray, rng: Random) -> bytearray:
    """A tag becomes another one, whose value then is nonsense."""
    if (place := _pick_entry(raw, rng)) is not None:
        entry, order = place
        raw[entry : entry + 2] = struct.pack(order + "H", int(rng.choice(_TAGS)))
    return raw


def _circle(raw: bytearray, rng: Random) -> bytearray:
    """Directories that lead into each other."""
    if (place := _pick_entry(raw, rng)) is not None:
        entry, order = place
        start = struct.unpack_from(order + "I", raw, 4)[0]
        raw[entry : entry + 12] = struct.pack(order + "HHII", int(rng.choice([330, 34665, 34853])), 4, 1, start)
    return raw


# --- bytes ------------------------------------------------------------------------------------------------------


def _cut(raw: bytearray, rng: Random) -> bytearray:
    return raw[: int(rng.choice([0, 1, 7, 8, 16, len(raw) - 1, len(raw) // 2, int(rng.integers(len(raw) + 1))]))]


def _bits(raw: bytearray, rng: Random) -> bytearray:
    for at in rng.integers(len(raw), size=int(rng.choice([1, 4, 64]))) if raw else ():
        raw[at] ^= 1 << int(rng.integers(8))
    return raw


def _rubbish(raw: bytearray, rng: Random) -> bytearray:
    at, length = int(rng.integers(len(raw) + 1)), int(rng.choice([1, 16, 400, 5000]))
    filler = [rng.bytes(length), bytes(length), b"\xff" * length][rng.integers(3)]
    raw[at : at + length] = filler[: max(0, len(raw) - at)]
    return raw


def _moved(raw: bytearray, rng: Random) -> bytearray:
    """Bytes left out or put in: all places behind are out of step."""
    at, length = int(rng.integers(len(raw) + 1)), int(rng.choice([1, 2, 12, 100]))
    return raw[:at] + raw[at + length :] if rng.random() < 0.5 else raw[:at] + rng.bytes(length) + raw[at:]


def _other_beginning(raw: bytearray, rng: Random) -> bytearray:
    """Marks of other formats, raws of other makers among them (from memory)."""
    marks = (b"II*\0", b"MM\0*", b"IIRO", b"IIU\0", b"II+\0", b"II\x1a\0\0\0HEAPCCDR", b"\0\0\0\x18ftypcrx ", b"FOVb",
             b"\0MRM", b"\xff\xd8\xff\xe1", b"\x89PNG\r\n\x1a\n", b"SIMPLE  =", b"II*\0\x10\0\0\0CR\x02\0")  # fmt: skip
    start = marks[rng.integers(len(marks))]
    raw[: len(start)] = start
    return raw


def _spliced(raw: bytearray, rng: Random) -> bytearray:
    """The head of one file on the body of another."""
    other = honest_raw(int(rng.integers(len(RAW_KINDS))))
    at = int(rng.choice([8, 200, len(raw) // 2, max(0, len(raw) - 900)]))
    return raw[:at] + other[at:]


CHANGES = (
    _wrong_value, _wrong_value, _wrong_value, _wrong_count, _wrong_count, _wrong_type, _other_tag, _other_tag, _circle,
    _cut, _bits, _bits, _rubbish, _rubbish, _moved, _other_beginning, _spliced,
)  # fmt: skip
