"""Which folder each frame goes to: as a judged night, choices made by hand or a list say; foreign texts all."""

import csv
import io
import os
from pathlib import Path, PureWindowsPath
from typing import Any, Final

from framecheck.document import LARGEST_FILE
from framecheck.errors import UnusableRequest
from framecheck.words import safe

FOLDERS: Final = ("keep", "doubtful", "reject")
FOLDER_OF: Final = {**{name: name for name in FOLDERS}, "leave out": "reject", "leave-out": "reject"}
"""Folder for each grade of night.json and each choice; pages and lists of earlier versions said "leave out"."""
_TELLING: Final = ("choice", "decision", "grade")
"""Columns that say where a frame goes, the first there is counts: choices by hand, those of the page, frames.csv."""
LONGEST_NAME: Final = 10_000
"""[signs] Chosen: twice the longest path that a system takes. No message shows more of a foreign file."""


def list_file(frames: Path, by: Path | None) -> Path:
    """The file that says where each frame goes: the one given, else the report in the folder of frames or beside it."""
    if by is not None:
        return by / "night.json" if by.is_dir() else by
    from framecheck.read.paths import whole_path

    whole = whole_path(frames)
    for place in (frames, whole.with_name(f"{whole.name}-report") if whole.name else whole):
        if (place / "night.json").is_file():
            return place / "night.json"
    raise UnusableRequest(f"{safe(frames)}: nothing says which frames are good. {_how_to_get_one()}")


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
        if path.stat().st_size > LARGEST_FILE:
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


def is_plain_name(name: str) -> bool:
    """Whether a relative name stays below the folder it is set under, on any system."""
    parts = name.replace("\\", "/").split("/") if os.name == "nt" else name.split("/")
    if not name or "\0" in name or name.startswith("/") or any(part in ("", ".", "..") for part in parts):
        return False
    return os.name != "nt" or not (PureWindowsPath(name).drive or ":" in name)


def _how_to_get_one() -> str:
    return "`framecheck night FOLDER` writes one; give its folder with --by REPORT."


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
