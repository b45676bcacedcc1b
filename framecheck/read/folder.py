"""The frames in a folder, and what else lies there."""

import errno
import os
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from framecheck.constants import LONGEST_PATH
from framecheck.errors import CannotFinish, UnusableRequest, refused
from framecheck.read.paths import read_plain, whole_path
from framecheck.read.remote import find_remote, is_remote, read_remote_text

FITS_ENDINGS: Final = (".fits", ".fit", ".fts")
RAW_ENDINGS: Final = (
    ".dng",
    ".3fr",
    ".arw",
    ".cr2",
    ".cr3",
    ".crw",
    ".dcr",
    ".erf",
    ".fff",
    ".iiq",
    ".kdc",
    ".mef",
    ".mos",
    ".mrw",
    ".nef",
    ".nrw",
    ".orf",
    ".pef",
    ".raf",
    ".rw2",
    ".rwl",
    ".sr2",
    ".srf",
    ".srw",
    ".x3f",
)
"""Endings that makers of cameras give their raws, DNG first. Common practice, no source."""
PICTURE_ENDINGS: Final = (".tif", ".tiff", ".png", ".jpg", ".jpeg")
PACKED_ENDINGS: Final = (".fz", ".gz")


def is_fits_name(name: str) -> bool:
    """Whether a file's name says FITS, in any case, packed or not."""
    name = name.lower()
    for ending in PACKED_ENDINGS:
        name = name.removesuffix(ending)
    return name.endswith(FITS_ENDINGS)


def is_raw_name(name: str) -> bool:
    """Whether a file's name says that it is a camera's raw."""
    return name.lower().endswith(RAW_ENDINGS)


def is_picture_name(name: str) -> bool:
    """Whether a file's name says that it is a picture, which may be a frame."""
    return name.lower().endswith(PICTURE_ENDINGS)


def find_frames(folder: Path) -> list[Path]:
    """All frames under a folder, by their names, sorted; hidden ones, devices and pipes left out.

    FITS files and camera raws are frames. Pictures (TIFF, PNG, JPEG) are where there are none of these: beside them
    they are developed from them.

    Links are followed, each folder and each file once, so that links in a circle end and no frame counts twice; a link
    to a folder that was met already, or that holds this one, is not: `find_others` tells it. The folder may lie behind
    an address, or be a list: a text file (.txt) that names a frame a line, by address or path.

    Raises
    ------
    UnusableRequest
        If there is no such folder, or it may not be read.
    """
    if is_list(folder):
        return _listed(folder)
    found = list(_walk(folder))
    return [path for path, why in found if why is None] or [path for path, why in found if why == _BESIDE]


def is_list(folder: Path) -> bool:
    """Whether what was given for a folder is a text file that names frames."""
    return folder.suffix.lower() == ".txt" and (is_remote(folder) or folder.is_file())


def _listed(file: Path) -> list[Path]:
    """The frames that a list names, once each, in its order; names without an address are beside the list."""
    try:
        text = read_remote_text(file) if is_remote(file) else read_plain(file).decode("utf-8", "surrogateescape")
    except OSError as why:
        raise refused(why, f"{file}: cannot be read ({why.strerror or why}). Check the file.") from None
    lines = [line.strip() for line in text.splitlines()]
    for number, line in enumerate(lines, 1):
        if len(line) > LONGEST_PATH or "\0" in line:
            raise UnusableRequest(
                f"{file}, line {number}: this isn't a path. Give a text file that names a frame a line."
            )
    named = [Path(line) for line in lines if line and not line.startswith("#")]
    return list(dict.fromkeys(path if is_remote(path) else file.parent / path for path in named))


def find_others(folder: Path) -> list[tuple[Path, str]]:
    """All files under a folder that are no frames, sorted, each with the reason."""
    if is_list(folder):
        return []
    found = list(_walk(folder))
    only_pictures = all(why is not None for _, why in found)
    return [(path, why) for path, why in found if why is not None and not (only_pictures and why == _BESIDE)]


def _walk(folder: Path) -> Iterator[tuple[Path, str | None]]:
    """Every file under the folder, with the reason if it is no frame."""
    if is_remote(folder):
        yield from ((path, _by_name(path)) for path in find_remote(folder))
        return
    try:
        if folder.is_file():
            raise UnusableRequest(f"{folder}: is a file, not a folder. Give the folder that holds the frames.")
        if not folder.is_dir():
            raise UnusableRequest(f"{folder}: there is no such folder. Give the folder that holds the frames.")
        list(os.scandir(folder))
    except PermissionError:
        raise CannotFinish(f"{folder}: may not be read (no permission). Change its permissions.") from None
    except (OSError, ValueError) as why:
        raise UnusableRequest(f"{folder}: cannot be opened ({why}). Check the path.") from None
    yield from _walk_inside(folder)


def _walk_inside(folder: Path) -> Iterator[tuple[Path, str | None]]:
    whole = whole_path(folder)
    seen = {(state.st_dev, state.st_ino) for state in (above.stat() for above in (whole, *whole.parents))}
    waiting = [folder]
    while waiting:
        here = waiting.pop()
        try:
            entries = sorted(here.iterdir())
        except OSError:
            yield here, "a folder that may not be read, or is gone"
            continue
        folders = []
        for path in entries:
            if path.name.startswith("."):
                continue
            why, is_folder = _judge(path, seen)
            if is_folder:
                folders.append(path)
            elif why != _SEEN:
                yield path, why
        waiting.extend(reversed(folders))


_SEEN: Final = "met before"
_BESIDE: Final = "a picture beside FITS files or raws, which tell more"


def _judge(path: Path, seen: set[tuple[int, int]]) -> tuple[str | None, bool]:
    """Why the path is no frame (None if it is one), and whether it is a folder to look into."""
    try:
        state = path.stat()
    except (OSError, ValueError) as why:
        if os.path.islink(path):  # noqa: PTH114 - `is_symlink` raises in a folder of which only names may be read
            circle = getattr(why, "errno", None) == errno.ELOOP
            return "a link in a circle" if circle else "a link that leads nowhere", False
        return "cannot be opened", False
    place = state.st_dev, state.st_ino
    if state.st_ino and place in seen:
        told = stat.S_ISDIR(state.st_mode) and path.is_symlink()
        return "a link to a folder that was met already, or holds this one" if told else _SEEN, False
    seen.add(place)
    if stat.S_ISDIR(state.st_mode):
        return None, True
    if not stat.S_ISREG(state.st_mode):
        return "a device or pipe, not a file", False
    return _by_name(path), False


def _by_name(path: Path) -> str | None:
    if is_fits_name(path.name) or is_raw_name(path.name):
        return None
    return _BESIDE if is_picture_name(path.name) else "its name is not that of a FITS file, a camera raw or a picture"
