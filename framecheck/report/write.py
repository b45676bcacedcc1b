"""Files put in place whole or not at all, with a sentence when the place will not take them."""

import errno
import os
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from framecheck.decision.judgement import Judgement
from framecheck.errors import CannotFinish, UnusableRequest
from framecheck.report.frame_row import frame_rows
from framecheck.report.frames_csv import frames_csv
from framecheck.report.night_json import json_text, night_document
from framecheck.report.page import night_page
from framecheck.report.stars_parquet import write_stars

_WRONG_PLACE: Final = {
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


PAGE: Final = "report.html"
NIGHT: Final = "night.json"
FILES: Final = (PAGE, NIGHT, "frames.csv", "stars.parquet")
"""The names of all that is written."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Written:
    """Where the files of a night lie."""

    page: Path
    night: Path
    frames: Path
    stars: Path | None


def prepare_folder(folder: Path) -> None:
    """Make the folder if it is not there, and see that it takes files, before a night's work is put into it.

    Raises
    ------
    UnusableRequest
        If it cannot be made or written to; the message says why and what to do.
    """
    with _in_words(folder):
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass


def write_night(
    judgement: Judgement, folder: Path, *, stars: bool = False, thumbnails: Mapping[Path, bytes] | None = None
) -> Written:
    """Write report.html, with thumbnails if there are any, night.json, frames.csv and, if asked for, stars.parquet.

    Each file is written beside its place and then renamed into it: a reader never meets half a file, and a failure
    leaves an earlier one as it was.

    Raises
    ------
    UnusableRequest
        If the folder does not take the files.
    """
    prepare_folder(folder)
    written = Written(
        page=folder / FILES[0],
        night=folder / FILES[1],
        frames=folder / FILES[2],
        stars=folder / FILES[3] if stars else None,
    )
    write_text(json_text(night_document(judgement)) + "\n", written.night)
    write_text(frames_csv(frame_rows(judgement)), written.frames)
    if written.stars is not None:
        replace_file(written.stars, lambda path: write_stars(judgement.night, path))
    write_text(night_page(judgement, thumbnails), written.page)
    return written


def write_text(text: str, path: Path) -> None:
    """Put text into place as UTF-8, line ends as they are.

    Raises
    ------
    UnusableRequest
        If the place does not take it.
    """
    replace_file(path, lambda beside: _write_bytes(beside, text.encode()))


def replace_file(path: Path, write: Callable[[Path], None]) -> None:
    """Let `write` fill a file beside `path`, then rename it into place.

    Raises
    ------
    UnusableRequest
        If the place does not take it.
    """
    with _in_words(path):
        beside = path.with_name(f".{path.name}.{os.getpid()}.part")
        try:
            write(beside)
            beside.replace(path)
        except BaseException:
            with suppress(OSError):
                beside.unlink()
            raise


def _write_bytes(path: Path, content: bytes) -> None:
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


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
