"""Memory that measuring takes: for a frame from its header, and for processes side by side."""

from collections.abc import Iterable
from pathlib import Path
from typing import Final

import numpy as np

from framecheck.errors import UnusableFrame
from framecheck.read.exposure import Exposure
from framecheck.read.fits import read_layout
from framecheck.read.frame_file import form_of, read_exposure
from framecheck.read.layout import Layout, amount
from framecheck.read.remote import is_remote

LIBRARIES_BYTES: Final = 110_000_000
"""[byte] Python with all that a worker loads; measured on Linux: up to 101 MB."""

_FIXED_BYTES: Final = 70_000_000
"""[byte] Star stamps, fits and tables, whatever the frame's size; measured: 20 MB, in crowded fields 30 MB, where stars
are long trails 65 MB."""

_PER_PIXEL: Final = {"whole numbers": 2.2, "real numbers": 4.4}
"""[byte] Pixels as they are held (uint16, else float32), and a tenth for the sky's samples and the coarse picture."""

_TILES: Final = 1.0
"""[byte a pixel] More for compressed tiles, which are in memory beside what they unpack to; measured: 0.5."""

_UNPACKER_BYTES: Final = 40_000_000
"""[byte] The process that unpacks raws and pictures, with its libraries; measured on Linux: 31 MB."""

_UNPACKED: Final = {"raw": 2.2, "picture": 14.0}
"""[byte a pixel] What it holds besides: a mosaic, measured 1.9; three colours of 16 bits, unpacked and as they were."""

_KEPT_BYTES: Final = 31 * 2**20
"""[byte] Just below the most that glibc raises its threshold to (mallopt(3), M_MMAP_THRESHOLD)."""


def keep_freed_memory() -> None:
    """Have the process keep the memory that a frame frees for the next: else it fetches thousands of pages again.

    Judging takes and frees many arrays of some hundred kilobytes as well: it fetches a tenth of the pages with it.

    glibc gives pieces above a threshold back at once, and raises that to the largest that was freed (mallopt(3)): to
    one taken here, and freed untouched. Elsewhere it does nothing.
    """
    np.empty(_KEPT_BYTES, np.uint8)


def frame_bytes(layout: Layout) -> int:
    """Memory that reading and measuring a frame takes at most, besides the libraries. [byte]"""
    unsigned = layout.bitpix == 8 or (layout.bitpix == 16 and layout.scale == 1 and layout.zero >= 0)
    each = _PER_PIXEL["whole numbers" if unsigned and layout.blank is None else "real numbers"]
    each += _TILES if layout.tiled else 0.0
    return _FIXED_BYTES + round(each * layout.plane_pixels)


def unpacked_bytes(exposure: Exposure, form: str) -> int:
    """The same for a raw or a picture, with the process that unpacks it. [byte]"""
    each = _PER_PIXEL["whole numbers" if form == "raw" else "real numbers"] + _UNPACKED[form]
    return _FIXED_BYTES + _UNPACKER_BYTES + round(each * exposure.width_px * exposure.height_px)


def workers_within(memory_bytes: int, paths: Iterable[Path], most: int) -> int:
    """How many workers measure these frames side by side within a budget: one at least, at most `most`.

    The largest frame that fits into the budget at all tells; those that do not are refused when their turn comes.
    """
    each = [LIBRARIES_BYTES + need for need in map(_need_of, paths) if need is not None]
    largest = max((need for need in each if need <= memory_bytes), default=memory_bytes)
    return max(1, min(most, memory_bytes // largest))


def _need_of(path: Path) -> int | None:
    """From the header; None for a file that cannot be read, or lies behind an address: that is seen when it comes."""
    if is_remote(path):
        return None
    try:
        return _need_at_hand(path)
    except UnusableFrame:
        return None


def _need_at_hand(file: Path) -> int:
    form = form_of(file)
    return frame_bytes(read_layout(file)) if form == "FITS" else unpacked_bytes(read_exposure(file), form)


def refuse_too_large(file: Path, path: Path, memory_bytes: int) -> None:
    """Raise for a frame that takes more than the whole budget.

    Parameters
    ----------
    file : Path
        Where it lies.
    path : Path
        What it is called.
    memory_bytes : int
        The budget.

    Raises
    ------
    UnusableFrame
        Saying what it would take.
    """
    need = LIBRARIES_BYTES + _need_at_hand(file)
    if need > memory_bytes:
        fault = f"takes {amount(need)} of memory to be measured, more than the {amount(memory_bytes)} allowed"
        raise UnusableFrame(path, fault, "Allow more with --memory.")


_UNITS: Final = {
    "": 1,
    "B": 1,
    "KB": 10**3,
    "MB": 10**6,
    "GB": 10**9,
    "TB": 10**12,
    "KIB": 2**10,
    "MIB": 2**20,
    "GIB": 2**30,
    "TIB": 2**40,
    "K": 10**3,
    "M": 10**6,
    "G": 10**9,
    "T": 10**12,
}


def bytes_of(text: str) -> int:
    """A number of bytes from words such as "2GB", "500 MB", "1.5 GiB".

    Raises
    ------
    ValueError
        If it is none, or not above 0.
    """
    number = text.strip().rstrip("BbKkMmGgTtIi ")
    unit = text.strip()[len(number) :].strip().upper()
    n_bytes = float(number) * _UNITS.get(unit, float("nan"))
    if not 1 <= n_bytes < 2**63:
        raise ValueError(f"{text!r} is no number of bytes")
    return int(n_bytes)
