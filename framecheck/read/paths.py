"""Paths from outside: where they lead, whether one lies in a folder, and plain files, opened without ever waiting.

What lies under a path may be a link to itself, a pipe that nobody writes to, a device, a name with a NUL in it. Here it
becomes a path, a yes or no, or a sentence.
"""

import errno
import os
import stat
from io import FileIO
from pathlib import Path
from typing import Final

from framecheck.errors import UnusableRequest
from framecheck.read.remote import is_remote

TEXT_BYTES: Final = 64 << 20
"""[byte] Chosen: a list of half a million frames, or a night's guiding record at 100 samples a second, fits; what
somebody mistook for such a file does not fill the memory."""


class NoPlainFile(OSError):  # noqa: N818 - says what is wrong, which "Error" would not add to
    """What was to be opened is a device, a pipe or a socket."""


def whole_path(path: Path) -> Path:
    """An absolute path without links; what it names need not be there. One that stands for an address stays as it is.

    Raises
    ------
    UnusableRequest
        If its links lead in a circle, or it can be no path.
    """
    if is_remote(path):
        return path
    try:
        whole = Path(os.path.realpath(path))
        os.stat(whole)  # noqa: PTH116 - realpath stops at a circle and says nothing
    except ValueError:
        name = str(path).replace("\0", "?")
        raise UnusableRequest(f"{name}: isn't a path: there is a NUL character in it. Check it.") from None
    except OSError as why:
        if why.errno == errno.ELOOP:
            raise UnusableRequest(
                f"{path}: its links lead in a circle. Remove the link, or give another path."
            ) from None
        if not path.is_absolute() and not _has_here():
            raise UnusableRequest(f"{path}: the folder that you are in is gone. Change to another one.") from None
    return whole


def lies_in(path: Path, folder: Path) -> bool:
    """Whether a path lies below a folder once all links are followed; a link in a circle lies where it is itself."""
    if is_remote(path) or is_remote(folder):
        return False
    try:
        return Path(os.path.realpath(folder)) in Path(os.path.realpath(path)).parents
    except (OSError, ValueError):
        return False


def open_plain(path: Path) -> FileIO:
    """Open a regular file for reading, without a buffer; a pipe, which could be waited for without end, is refused.

    Raises
    ------
    NoPlainFile, IsADirectoryError
        If it is something else.
    OSError
        If it cannot be opened.
    """
    _refuse_special(path, _state(path))  # before it is opened: some devices act when they are
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0) | getattr(os, "O_BINARY", 0)
    file = FileIO(os.open(path, flags), "rb")
    try:
        _refuse_special(path, os.fstat(file.fileno()))  # it may have been changed for another meanwhile
    except OSError:
        file.close()
        raise
    return file


def read_plain(path: Path, most_bytes: int = TEXT_BYTES) -> bytes:
    """All of a regular file that is not large.

    Raises
    ------
    OSError
        As `open_plain`; also if it is larger than that.
    """
    with open_plain(path) as file:
        parts: list[bytes] = []
        left = most_bytes + 1
        while left > 0 and (part := file.read(min(left, 1 << 20))):
            parts.append(part)
            left -= len(part)
    if left <= 0:
        raise OSError(errno.EFBIG, f"is larger than {most_bytes / 1e6:.0f} MB", str(path))
    return b"".join(parts)


def _state(path: Path) -> os.stat_result:
    try:
        return path.stat()
    except ValueError:
        raise OSError(errno.EINVAL, "there is a NUL in the name") from None


def _refuse_special(path: Path, state: os.stat_result) -> None:
    if stat.S_ISDIR(state.st_mode):
        raise IsADirectoryError(errno.EISDIR, "it is a folder", str(path))
    if not stat.S_ISREG(state.st_mode):
        raise NoPlainFile(errno.EINVAL, "it is a device or pipe, not a file", str(path))


def _has_here() -> bool:
    try:
        os.getcwd()  # noqa: PTH109
    except OSError:
        return False
    return True
