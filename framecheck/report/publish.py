"""Files put in place whole or not at all, several of one set together, with a sentence when the place takes none.

All are written in a folder of our own beside their places, under a name that nobody can foresee; then the earlier ones
of the set are moved aside, the last of them first, and the new ones into place, the last of them last. So whatever lies
in place is of one set, and where its last file lies the set is whole: a process that is killed between leaves fewer
files, but never an old page beside new numbers.
"""

import errno
import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO, Final

from framecheck.errors import CannotFinish, UnusableRequest

if sys.platform != "win32":
    import fcntl

Fill = Callable[[BinaryIO], object]
"""Writes the content of a file."""

_WRONG_PLACE: Final = {
    errno.ENOENT: "there is no such folder. Make it first, or choose another place",
    errno.ENOTDIR: "a part of the path is a file, not a folder. Choose another place",
    errno.EEXIST: "there is a file of that name. Choose another name",
    errno.EISDIR: "there is a folder of that name. Choose another name",
    errno.ENAMETOOLONG: "the name is too long. Choose a shorter one",
    errno.ELOOP: "its links lead in a circle. Choose another place",
}
"""No file can go there, whoever asks."""
_REFUSED: Final = {
    errno.ENOSPC: "the disk is full. Make room, or choose another place",
    errno.EDQUOT: "your share of the disk is used up. Make room, or choose another place",
    errno.EFBIG: "the file grows larger than allowed there. Choose another place",
    errno.EROFS: "the disk may only be read. Choose a place on another disk",
    errno.EACCES: "there is no permission to write there. Change the permissions, or choose another place",
    errno.EPERM: "there is no permission to write there. Change the permissions, or choose another place",
    errno.EIO: "the disk failed. Check it, or choose a place on another disk",
}
"""A file can go there, but not now, or not by this user."""
_BEGINS: Final = ".framecheck-"
_MADE: Final = ".new"
_HELD: Final = ".part"
"""How the names of our folders begin, and end before and after their owner holds a lock on them."""
_EARLIER: Final = "earlier"
"""Where the files lie meanwhile that are to be replaced: below a folder of its own, so that no name is taken."""


def prepare_folder(folder: Path) -> None:
    """Make the folder if it is not there, and see that it takes files, before a night's work is put into it.

    What killed processes left there goes.

    Raises
    ------
    UnusableRequest
        If it cannot be made or written to; the message says why and what to do.
    """
    with _in_words(folder):
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
        _tidy(folder)


def publish(folder: Path, files: Mapping[str, Fill]) -> None:
    """Put a set of files into a folder, in the place of an earlier set; the last file is the mark of a whole set.

    Raises
    ------
    UnusableRequest
        If the folder does not take them; what was there before is there again.
    """
    with _beside(folder) as beside:
        for name, fill in files.items():
            with _in_words(folder / name), _created(beside / name) as file:
                fill(file)
                file.flush()
                os.fsync(file.fileno())
        if len(files) == 1:
            for name in files:
                with _in_words(folder / name):
                    (beside / name).replace(folder / name)
        else:
            _change_places(beside, folder, list(files))


def replace_file(path: Path, fill: Fill) -> None:
    """Let `fill` write a file beside `path`, then put it into place.

    Raises
    ------
    UnusableRequest
        If the place does not take it; an earlier file is as it was.
    """
    with _in_words(path):
        publish(path.parent, {path.name: fill})


def write_text(text: str, path: Path) -> None:
    """Put text into place as UTF-8, line ends as they are.

    Raises
    ------
    UnusableRequest
        If the place does not take it.
    """
    replace_file(path, text_as_bytes(text))


def publish_texts(folder: Path, texts: Mapping[str, str]) -> None:
    """Put a set of texts into a folder that is made where there is none.

    Raises
    ------
    UnusableRequest
        If the folder does not take them.
    """
    prepare_folder(folder)
    publish(folder, {name: text_as_bytes(text) for name, text in texts.items()})


def text_as_bytes(text: str) -> Fill:
    """What writes a text as UTF-8."""
    return lambda file: file.write(text.encode())


def _change_places(beside: Path, folder: Path, names: list[str]) -> None:
    """Earlier files out, new ones in; back again if anything fails."""
    earlier = beside / _EARLIER
    moved: list[tuple[Path, Path]] = []

    def move(source: Path, target: Path) -> None:
        moved.append((source, target))
        source.replace(target)

    try:
        with _in_words(folder):
            earlier.mkdir()
        for name in reversed(names):
            with _in_words(folder / name):
                if (folder / name).is_dir() and not (folder / name).is_symlink():
                    raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
                with suppress(FileNotFoundError):
                    move(folder / name, earlier / name)
        for name in names:
            with _in_words(folder / name):
                move(beside / name, folder / name)
    except BaseException:
        for source, target in reversed(moved):
            with suppress(OSError):
                target.replace(source)
        raise


@contextmanager
def _created(path: Path) -> Iterator[BinaryIO]:
    """A new file: never one that somebody has put there, and never through a link."""
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
    with os.fdopen(os.open(path, flags, 0o666), "wb") as file:
        yield file


@contextmanager
def _beside(folder: Path) -> Iterator[Path]:
    """A new folder in that folder, for this user only, gone at the end; what killed processes left goes as well."""
    with _in_words(folder):
        _tidy(folder)
        beside = Path(tempfile.mkdtemp(prefix=_BEGINS, suffix=_MADE, dir=folder))
    lock = None
    try:
        with _in_words(folder):
            lock = _locked(beside)
            held = beside.with_suffix(_HELD)
            beside.replace(held)
            beside = held
        yield beside
    finally:
        shutil.rmtree(beside, ignore_errors=True)
        if lock is not None:
            os.close(lock)


def _tidy(folder: Path) -> None:
    """Remove folders of this user that nobody holds any more."""
    if sys.platform == "win32":
        return
    with suppress(OSError):
        for entry in list(os.scandir(folder)):
            if not (entry.name.startswith(_BEGINS) and entry.name.endswith(_HELD)):
                continue
            with suppress(OSError):
                if entry.is_dir(follow_symlinks=False) and entry.stat(follow_symlinks=False).st_uid == os.geteuid():
                    lock = _locked(Path(entry.path))
                    if lock is not None:
                        shutil.rmtree(entry.path, ignore_errors=True)
                        os.close(lock)


def _locked(folder: Path) -> int | None:
    """A lock on a folder, which ends with the process that holds it; None if another has it, or there are no locks."""
    if sys.platform == "win32":
        return None
    lock = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(lock)
        return None
    return lock


@contextmanager
def _in_words(path: Path) -> Iterator[None]:
    """Turn the system's refusal into a sentence."""
    try:
        yield
    except OSError as why:
        number = why.errno or 0
        if number in _WRONG_PLACE:
            raise UnusableRequest(f"{path}: cannot be written: {_WRONG_PLACE[number]}.") from why
        reason = _REFUSED.get(number, f"{why.strerror or why}. Choose another place")
        raise CannotFinish(f"{path}: cannot be written: {reason}.") from why
