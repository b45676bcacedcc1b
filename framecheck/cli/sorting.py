"""What a sort would do: choices read, names made safe, each frame given its place. Nothing is changed here."""

import csv
import io
import os
import shlex
import shutil
import stat
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path, PureWindowsPath
from typing import Any, Final, Literal

from framecheck.cli.sidecars import sidecars
from framecheck.cli.terminal import safe
from framecheck.errors import NothingMeasured, UnusableRequest
from framecheck.words import path_in

Way = Literal["copy", "move", "link"]

FOLDERS: Final = ("keep", "doubtful", "reject")
FOLDER_OF: Final = {**{name: name for name in FOLDERS}, "leave out": "reject", "leave-out": "reject"}
"""Folder for each grade of night.json and each choice; pages and lists of earlier versions said "leave out"."""
_TELLING: Final = ("choice", "decision", "grade")
"""Columns that say where a frame goes, the first there is counts: choices by hand, those of the page, frames.csv."""
_ANY_TIME_NS: Final = 2**63
"""Later than any file: what belongs to a frame may have been changed since that was judged."""
LONGEST_NAME: Final = 10_000
"""[signs] Chosen: twice the longest path that a system takes. No message shows more of a foreign file."""
_LARGEST_LIST: Final = 256 * 2**20
"""A file of choices is not read beyond this. [byte] Chosen: a hundred thousand frames need a tenth of it."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Placing:
    """One frame, where it lies and where it shall lie."""

    name: str
    """Relative to the folder of frames, as the file of choices has it."""
    folder: str
    """One of `FOLDERS`."""
    source: Path
    target: Path
    n_bytes: int
    mtime_ns: int
    already_there: bool = False
    beside: bool = False
    """Whether it is no frame, but a file that belongs to one."""


@dataclass(frozen=True, kw_only=True, slots=True)
class SortPlan:
    """All that a sort will do, and what it will leave alone."""

    way: Way
    frames: Path
    into: Path
    placings: tuple[Placing, ...]
    problems: tuple[tuple[str, str], ...]
    """Frames that cannot be placed, each with a sentence."""
    n_ungraded: int
    n_bytes_written: int
    n_bytes_free: int

    @property
    def to_do(self) -> tuple[Placing, ...]:
        """Frames that are not in place yet."""
        return tuple(placing for placing in self.placings if not placing.already_there)


def plan_sort(frames: Path, into: Path, by: Path | None, way: Way) -> SortPlan:
    """Work out where each frame of a folder goes.

    Parameters
    ----------
    frames : Path
        Folder of the frames; no file outside it is ever touched.
    into : Path
        Gets the folders keep, doubtful and reject.
    by : Path or None
        night.json, the folder it lies in, choices as CSV (`file,choice`), or a plain list of files to keep, one a
        line. None: night.json in the folder of the frames, or in the report beside it.
    way : {"copy", "move", "link"}

    Raises
    ------
    UnusableRequest
        If the choices cannot be read, name a file outside the folder or one twice, if a name is taken by another
        file, or if the disk has too little room.
    NothingMeasured
        If the choices name no frame.
    """
    if not frames.is_dir():
        raise UnusableRequest(f"{safe(frames)}: there is no such folder. Give the folder that holds the frames.")
    list_file = _list_file(frames, by)
    chosen, n_ungraded = read_choices(list_file)
    if not chosen:
        raise NothingMeasured(f"{safe(list_file)} names no graded frame. Judge the folder again, or give another list.")
    judged_ns = list_file.stat().st_mtime_ns
    from framecheck.read.paths import whole_path  # not on top: help starts without numpy

    root, into = whole_path(frames), whole_path(into)
    placings: list[Placing] = []
    problems: list[tuple[str, str]] = []
    for name, folder in chosen.items():
        source = _source(root, name)
        fault = _fault(source, judged_ns, way)
        if fault:
            problems.append((name, fault))
        else:
            placings.append(_placing(name, folder, source, into))
    folder_of = {placing.name: placing.folder for placing in placings}
    for frame, name, path in sidecars({placing.name: placing.source for placing in placings}):
        if fault := _fault(path, _ANY_TIME_NS, way):
            problems.append((name, fault))
        else:
            placings.append(replace(_placing(name, folder_of[frame], path, into), beside=True))
    plan = SortPlan(
        way=way,
        frames=root,
        into=into,
        placings=tuple(placings),
        problems=tuple(problems),
        n_ungraded=n_ungraded,
        n_bytes_written=_bytes_written(placings, into, way),
        n_bytes_free=shutil.disk_usage(_existing(into)).free,
    )
    if plan.n_bytes_written > plan.n_bytes_free:
        raise UnusableRequest(
            f"{safe(into)}: {size(plan.n_bytes_written)} are needed and {size(plan.n_bytes_free)} are free. "
            "Make room, choose another disk, or use --link."
        )
    return plan


def read_choices(path: Path) -> tuple[dict[str, str], int]:
    """The folder for each named frame, and how many frames have no grade.

    Raises
    ------
    UnusableRequest
        If the file is none of the three kinds, or names a frame twice.
    """
    try:
        if path.exists() and not path.is_file():  # a pipe would be waited for, for ever
            raise UnusableRequest(f"{safe(path)}: isn't a regular file. {_how_to_get_one()}")
        if path.stat().st_size > _LARGEST_LIST:
            raise UnusableRequest(f"{safe(path)}: is too large for a list of frames. Give night.json or the choices.")
        text = path.read_bytes().decode("utf-8-sig")
        rows = _rows_of_night(text) if path.suffix.lower() == ".json" else _rows_of_list(text)
    except FileNotFoundError:
        raise UnusableRequest(f"{safe(path)}: there is no such file. {_how_to_get_one()}") from None
    except (ValueError, KeyError, TypeError, csv.Error):
        raise UnusableRequest(
            f"{safe(path)}: is neither night.json nor choices nor a list of files. {_how_to_get_one()}"
        ) from None
    longest = max((len(text) for row in rows for text in row if text is not None), default=0)
    if longest > LONGEST_NAME:
        raise UnusableRequest(
            f"{safe(path)}: holds a name of {longest} characters, which no file has. {_how_to_get_one()}"
        )
    chosen: dict[str, str] = {}
    n_ungraded = 0
    for name, choice in rows:
        if choice is None:
            n_ungraded += 1
            continue
        folder = FOLDER_OF.get(choice.strip().lower())
        if folder is None:
            raise UnusableRequest(
                f'{safe(path)}: "{safe(choice)}" for {safe(name)} isn\'t a choice. Write keep, doubtful or reject.'
            )
        if name in chosen:
            raise UnusableRequest(f"{safe(path)}: names {safe(name)} twice. Leave one of the lines out.")
        chosen[name] = folder
    return chosen, n_ungraded


def size(n_bytes: int) -> str:
    """A number of bytes in words."""
    amount, unit = float(n_bytes), "bytes"
    for larger in ("kB", "MB", "GB", "TB"):
        if amount < 1000:
            break
        amount, unit = amount / 1000, larger
    return f"{amount:.3g} {unit}" if amount < 1000 else f"{amount:.0f} {unit}"


def is_plain_name(name: str) -> bool:
    """Whether a relative name stays below the folder it is set under, on any system."""
    parts = name.replace("\\", "/").split("/") if os.name == "nt" else name.split("/")
    if not name or "\0" in name or name.startswith("/") or any(part in ("", ".", "..") for part in parts):
        return False
    return os.name != "nt" or not (PureWindowsPath(name).drive or ":" in name)


def as_argument(path: Path) -> str:
    """A path as one types it after a command."""
    text = str(path)
    text = f"./{text}" if text.startswith("-") else text
    return safe(f'"{text}"' if os.name == "nt" and " " in text else text if os.name == "nt" else shlex.quote(text))


def digest(path: Path) -> str:
    """SHA-256 of a file."""
    import hashlib

    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _how_to_get_one() -> str:
    return "`framecheck night FOLDER` writes one; give its folder with --by REPORT."


def _list_file(frames: Path, by: Path | None) -> Path:
    """The file that says where each frame goes: the one given, else the report in the folder of frames or beside it."""
    if by is not None:
        return by / "night.json" if by.is_dir() else by
    from framecheck.read.paths import whole_path

    whole = whole_path(frames)
    for place in (frames, whole.with_name(f"{whole.name}-report") if whole.name else whole):
        if (place / "night.json").is_file():
            return place / "night.json"
    raise UnusableRequest(f"{safe(frames)}: nothing says which frames are good. {_how_to_get_one()}")


def _rows_of_night(text: str) -> list[tuple[str, str | None]]:
    from framecheck.read.foreign_json import json_of  # not on top: help starts without numpy

    document: Any = json_of(text)
    rows = [(frame["file"], frame.get("grade")) for frame in document["frames"]]
    if not all(isinstance(name, str) and (grade is None or isinstance(grade, str)) for name, grade in rows):
        raise TypeError("names and grades are text")
    return rows


def _rows_of_list(text: str) -> list[tuple[str, str | None]]:
    """A table under a header that names `file` and what becomes of it, else one file to keep a line."""
    header = next(csv.reader(io.StringIO(text.split("\n", 1)[0])), [])
    told = [column for column in _TELLING if column in header]
    if "file" in header and told:
        rows = [row for row in csv.reader(io.StringIO(text, newline="")) if row][1:]
        file, choice = header.index("file"), header.index(told[0])
        if any(len(row) <= max(file, choice) for row in rows):
            raise TypeError("a row is too short")
        return [(row[file], row[choice] or None) for row in rows]
    if "\0" in text:
        raise TypeError("not text")
    return [(line.removesuffix("\r"), "keep") for line in text.split("\n") if line.strip()]


def _source(root: Path, name: str) -> Path:
    """The file that a name means; a name that leads out of the folder ends the whole sort."""
    from framecheck.read.paths import lies_in

    if not is_plain_name(name) or (os.path.lexists(root / name) and not lies_in(root / name, root)):
        raise UnusableRequest(
            f"{safe(name)}: lies outside {safe(root)}. Nothing was sorted; give the folder that the frames were judged "
            "in, and a list that you trust."
        )
    if not os.path.lexists(root / name) and name.startswith("'") and is_plain_name(name[1:]):
        bare = root / name[1:]  # an apostrophe keeps spreadsheets from running a name as a formula
        if os.path.lexists(bare) and lies_in(bare, root):
            return bare
    if not os.path.lexists(root / name) and "\\x" in name:  # bytes that are no text are told as escapes
        from framecheck.read import find_frames

        for path in find_frames(root):
            if path_in(root, path) == name and lies_in(path, root):
                return path
    return root / name


def _fault(source: Path, judged_ns: int, way: Way) -> str | None:
    """Why a frame cannot be placed."""
    try:
        state = source.stat()
    except FileNotFoundError:
        return "is no longer there. Judge the folder again, or bring the file back."
    except OSError as why:
        return f"cannot be reached ({why.strerror}). Check its permissions."
    if not stat.S_ISREG(state.st_mode):
        return "isn't a regular file. Leave it out of the list."
    if state.st_mtime_ns > judged_ns:
        return "was changed after it was judged. Judge the folder again."
    if way == "move" and source.is_symlink():
        return "is a link, and moving it would leave the frame behind. Use --link or a copy."
    if not os.access(source, os.R_OK):
        return "may not be read (no permission). Change its permissions."
    return None


def _placing(name: str, folder: str, source: Path, into: Path) -> Placing:
    target = into / folder / source.relative_to(source.parents[name.count("/")])
    from framecheck.read.paths import lies_in

    if not lies_in(target.parent, into):
        raise UnusableRequest(
            f"{safe(target.parent)}: is a link that leads elsewhere. Choose an empty folder for --into."
        )
    state = source.stat()
    there = os.path.lexists(target)
    if there and not _same(source, target):
        raise UnusableRequest(
            f"{safe(target)}: the name is taken by another file, which stays. Choose another folder for --into."
        )
    return Placing(
        name=name, folder=folder, source=source, target=target, n_bytes=state.st_size, mtime_ns=state.st_mtime_ns,
        already_there=there,
    )  # fmt: skip


def _same(source: Path, target: Path) -> bool:
    if not target.is_file():
        return False
    if target.samefile(source):
        return True
    return target.stat().st_size == source.stat().st_size and digest(target) == digest(source)


def _existing(path: Path) -> Path:
    """The path, or the nearest folder above it that is there."""
    from framecheck.read.paths import whole_path

    path = whole_path(path)
    while not path.exists():
        path = path.parent
    return path


def _bytes_written(placings: list[Placing], into: Path, way: Way) -> int:
    device = _existing(into).stat().st_dev
    return sum(
        placing.n_bytes
        for placing in placings
        if not placing.already_there and (way == "copy" or (way == "move" and placing.source.stat().st_dev != device))
    )


def counts(placings: tuple[Placing, ...]) -> dict[str, int]:
    """How many frames go into each folder; files that belong to them are not counted."""
    found = Counter(placing.folder for placing in placings if not placing.beside)
    return {folder: found[folder] for folder in FOLDERS if found[folder]}
