"""Files as they arrive in a folder: which are new or rewritten, which have come to rest, and which are gone."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from framecheck.read import find_frames

STILL_S: Final = 2.0
"""[s] A file whose size and time stay for so long has come to rest. Chosen: programs write a frame without such a
pause, and what a slow network holds back is told by the header, which declares how long the file has to be."""
STALLED_S: Final = 60.0
"""[s] A file at rest for so long that is not all there has been given up by whoever wrote it. Chosen."""


@dataclass(frozen=True, slots=True)
class Stamp:
    """What shows that a file has been written to."""

    size: int
    """[byte]"""
    modified_ns: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Waiting:
    """A file that is new or rewritten, and not yet read."""

    stamp: Stamp
    since_s: float
    """When it was first seen like this, by a clock that never jumps."""
    is_named: bool = False
    """Whether it was told that it does not grow whole."""

    def rested_s(self, now_s: float) -> float:
        """For how long it has not changed."""
        return now_s - self.since_s


def look(folder: Path, known: Collection[Path] = ()) -> dict[Path, Stamp]:
    """All frames below a folder as they are now.

    Parameters
    ----------
    folder : Path
    known : collection of Path
        Frames met before: one that has got a second name, by a link, keeps the first.

    Raises
    ------
    UnusableRequest
        If there is no such folder, or it may not be read.
    """
    found, names = {}, {}
    for path in find_frames(folder):
        try:
            state = path.stat()
        except OSError:
            continue  # gone since
        found[path] = Stamp(state.st_size, state.st_mtime_ns)
        names[state.st_dev, state.st_ino] = path
    for path in known:
        if path in found:
            continue
        try:
            state = path.stat()
        except OSError:
            continue
        second = names.get((state.st_dev, state.st_ino)) if state.st_ino else None
        if second in found and second not in known:
            found[path] = found.pop(second)
    return found


def still_waiting(
    listing: Mapping[Path, Stamp], read: Mapping[Path, Stamp], waiting: Mapping[Path, Waiting], now_s: float
) -> dict[Path, Waiting]:
    """Files that are to be read, after another look at the folder.

    Parameters
    ----------
    listing : mapping
        Files as they are now.
    read : mapping
        Files as they were when they were read.
    waiting : mapping
        What this function gave at the look before.
    now_s : float
        By the clock of `Waiting.since_s`. [s]
    """
    out = {}
    for path, stamp in listing.items():
        if read.get(path) == stamp:
            continue
        earlier = waiting.get(path)
        if earlier is None:
            out[path] = Waiting(stamp=stamp, since_s=now_s)
        elif earlier.stamp == stamp:
            out[path] = earlier
        else:
            out[path] = replace(earlier, stamp=stamp, since_s=now_s)
    return out


def at_rest(waiting: Mapping[Path, Waiting], now_s: float) -> list[Path]:
    """Files that have not changed for `STILL_S`, in the order of their last change."""
    rested = [path for path, one in waiting.items() if one.rested_s(now_s) >= STILL_S]
    return sorted(rested, key=lambda path: (waiting[path].stamp.modified_ns, path))
