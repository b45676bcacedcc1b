"""Files copied, named and compared so that none is lost, whatever stops the work; what stops it, in words."""

import errno
import hashlib
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from framecheck.errors import CannotFinish, UnusableRequest
from framecheck.sort.records import Placing
from framecheck.words import safe

_BLOCK: Final = 2**20
"""Copied at a time. [byte] Chosen."""
_REASONS: Final = {
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "your share of the disk is used up",
    errno.EROFS: "the disk may only be read",
    errno.EIO: "the disk failed",
    errno.EACCES: "there is no permission",
    errno.EPERM: "there is no permission",
    errno.EEXIST: "the name was taken meanwhile",
    errno.ENOENT: "it is no longer there",
    errno.ENAMETOOLONG: "the name is too long for that disk",
}
_NO_HARD_LINKS: Final = {
    getattr(errno, name, None)
    for name in ("EXDEV", "EPERM", "EACCES", "ENOTSUP", "EOPNOTSUPP", "ENOSYS", "EMLINK", "EINVAL")
}
"""What file systems answer that give a file one name only; not every system knows them all."""


def digest(path: Path) -> str:
    """SHA-256 of a file."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def sync_folder(folder: Path) -> None:
    """See that names given in a folder are on the disk, where the system can tell."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):
            os.fsync(handle)
    finally:
        os.close(handle)


def copy(placing: Placing, before_naming: Callable[[str], None]) -> None:
    """Copy beside the target, read back and compare, then give it its name."""
    source, target = placing.source, placing.target
    part = part_of(target)
    part.unlink(missing_ok=True)
    try:
        found = _copy_bytes(source, part)
        if part.stat().st_size != placing.n_bytes or digest(part) != found:
            raise UnusableRequest(f"{safe(placing.name)}: its copy differs from it. Check the disk, and judge again.")
        with suppress(OSError):
            shutil.copystat(source, part)  # times and permissions, as far as the disk holds them
        unchanged(placing)
        before_naming(found)
        _give_name(part, target)
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
    sync_folder(target.parent)


def _copy_bytes(source: Path, part: Path) -> str:
    found = hashlib.sha256()
    with source.open("rb") as read, part.open("xb") as written:
        while block := read.read(_BLOCK):
            found.update(block)
            written.write(block)
        written.flush()
        os.fsync(written.fileno())
    return found.hexdigest()


def _give_name(part: Path, target: Path) -> None:
    """Name a finished file without ever taking the place of another."""
    if not hard_link(part, target):
        if os.path.lexists(target):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target))
        part.rename(target)


def hard_link(source: Path, target: Path) -> bool:
    """Give a file a second name; False where the file systems do not offer that."""
    try:
        target.hardlink_to(source)
    except OSError as why:
        if why.errno in _NO_HARD_LINKS:
            return False
        raise
    return True


def unchanged(placing: Placing) -> None:
    """Raise UnusableRequest if a frame is no longer as it was when its place was planned."""
    state = placing.source.stat()
    if (state.st_size, state.st_mtime_ns) != (placing.n_bytes, placing.mtime_ns):
        raise UnusableRequest(f"{safe(placing.name)}: was changed meanwhile. Judge the folder again, then sort.")


def part_of(target: Path) -> Path:
    """Where a copy grows: beside its place, under a name as long as any."""
    return target.with_name(f".{hashlib.sha256(os.fsencode(target.name)).hexdigest()[:16]}.sort-part")


@contextmanager
def in_words(name: str, then: str) -> Iterator[None]:
    """Tell a failure of the disk as one of this file, and what to do then."""
    try:
        yield
    except OSError as why:
        raise CannotFinish(
            f"{safe(name)}: stopped there, because {reason(why)}. Nothing is half done; put that right, then {then}"
        ) from why


def reason(why: OSError) -> str:
    """What a failure of the disk is, as one says it."""
    return _REASONS.get(why.errno or 0, why.strerror or str(why))
