"""What a frame is known again by, and what makes a measurement out of date."""

import hashlib
import json
import os
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from io import FileIO
from pathlib import Path
from typing import Final

from framecheck.logbook.encode import record_shape
from framecheck.read.paths import open_plain
from framecheck.read.remote import is_remote, remote_state
from framecheck.read.rig import Rig

MEASURING: Final = 15
"""Version of measuring. **Raise it with every change that alters a number in `FrameResult`**, or what is skipped as no
light (rooms read/, sky/, stars/, field/ and `pipeline.measure_file`): frames in logbooks are then measured again.
Changes in the fields of the records themselves are noticed without it, and in a checkout so is any change of code."""

_MEASURING_ROOMS: Final = ("read", "sky", "stars", "field")

RIG_FACTS: Final = ("gain_e_per_adu", "saturation_adu", "pedestal_adu")
"""Fields of the rig that a measurement depends on: those that `pipeline.measure_file` reads. All others come in when
a night is judged."""

_HEAD_BYTES: Final = 64 * 1024
"""[byte] Chosen: holds most headers whole (800 cards), and the first rows of pixels."""
_BLOCK_BYTES: Final = 4096
"""[byte] Chosen: what a disk reads at once."""
_BLOCKS: Final = 6
"""Chosen: each costs a turning disk a seek of some 10 ms; any change of the pixels as a whole is met by one block."""
_CHUNK_BYTES: Final = 1 << 20


@dataclass(frozen=True, kw_only=True, slots=True)
class Mark:
    """What a file is known again by, wherever it lies."""

    size: int
    """[byte]"""
    modified_ns: int
    """When the file was last written. [ns since 1970]"""
    fingerprint: bytes
    """Hash of size, head and sampled blocks."""
    content: bytes | None = None
    """Hash of all bytes, if asked for."""


def mark_of(path: Path, *, whole: bool = False) -> Mark:
    """Read what a file is known again by: some 90 kB of it, whatever its size.

    Parameters
    ----------
    path : Path
        Any file; behind an address, what the store says of its content stands for it.
    whole : bool
        Whether all bytes are hashed too; takes as long as reading the file.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    if is_remote(path):
        size, tag = remote_state(path)
        return Mark(size=size, modified_ns=0, fingerprint=hashlib.blake2b(tag.encode(), digest_size=20).digest())
    with open_plain(path) as file:
        about = os.fstat(file.fileno())
        digest = hashlib.blake2b(about.st_size.to_bytes(8, "big"), digest_size=20)
        digest.update(file.read(_HEAD_BYTES))
        for start in _samples(about.st_size):
            file.seek(start)
            digest.update(file.read(_BLOCK_BYTES))
        content = _content(file) if whole else None
    return Mark(size=about.st_size, modified_ns=about.st_mtime_ns, fingerprint=digest.digest(), content=content)


def _samples(size: int) -> Iterator[int]:
    """Where blocks begin, evenly from the end of the head to the end of the file; the last block is among them."""
    room = size - _HEAD_BYTES - _BLOCK_BYTES
    if room <= 0:
        yield min(_HEAD_BYTES, size)
        return
    for k in range(_BLOCKS):
        yield _HEAD_BYTES + room * k // (_BLOCKS - 1)


def _content(file: FileIO) -> bytes:
    file.seek(0)
    digest = hashlib.blake2b(digest_size=32)
    while chunk := file.read(_CHUNK_BYTES):
        digest.update(chunk)
    return digest.digest()


def unchanged(path: Path, mark: Mark) -> bool:
    """Whether the file has not been written since its mark was taken."""
    try:
        if is_remote(path):
            return mark_of(path) == mark
        about = path.stat()
    except OSError:
        return False
    return (about.st_size, about.st_mtime_ns) == (mark.size, mark.modified_ns)


def measuring() -> str:
    """The version of measuring with the shape of its records, such as "1-3f9c0a12"; in a checkout its code as well."""
    return f"{MEASURING}-{_short_hash(record_shape().encode())}{_code_under_work()}"


@cache
def _code_under_work() -> str:
    """A hash of the code that measures, where it is a developer's checkout: no stale number hides a change there."""
    package = Path(__file__).parent.parent
    if not (package.parent / ".git").exists():
        return ""
    sources = sorted(path for room in _MEASURING_ROOMS for path in package.glob(f"{room}/**/*.py"))
    return "-" + _short_hash(b"".join(path.read_bytes() for path in [*sources, package / "pipeline.py"]))


def _short_hash(content: bytes) -> str:
    return hashlib.blake2b(content, digest_size=4).hexdigest()


def rig_facts(rig: Rig) -> str:
    """The facts of a rig that measuring depends on, as text to compare."""
    return json.dumps({name: getattr(rig, name) for name in RIG_FACTS})
