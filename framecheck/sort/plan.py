"""What a sort would do: each frame given its place. Nothing is changed here."""

import os
import shutil
import stat
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Final

from framecheck.errors import NothingMeasured, UnusableRequest
from framecheck.sort.choices import FOLDERS, is_plain_name, list_file, read_choices
from framecheck.sort.files import digest
from framecheck.sort.records import Placing, SortPlan, Way
from framecheck.sort.sidecars import sidecars
from framecheck.words import path_in, safe, size

_ANY_TIME_NS: Final = 2**63
"""Later than any file: what belongs to a frame may have been changed since that was judged."""


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
    choices = list_file(frames, by)
    chosen, n_ungraded = read_choices(choices)
    if not chosen:
        raise NothingMeasured(f"{safe(choices)} names no graded frame. Judge the folder again, or give another list.")
    judged_ns = choices.stat().st_mtime_ns
    from framecheck.read.paths import whole_path  # not on top: help starts without numpy

    root, into = whole_path(frames), whole_path(into)
    placings, problems = _placings(root, into, chosen, judged_ns, way)
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


def _placings(
    root: Path, into: Path, chosen: Mapping[str, str], judged_ns: int, way: Way
) -> tuple[list[Placing], list[tuple[str, str]]]:
    """A place for each frame and for what belongs to it; what cannot be placed, each with a sentence."""
    placings: list[Placing] = []
    problems: list[tuple[str, str]] = []
    for name, folder in chosen.items():
        source = _source(root, name)
        if fault := _fault(source, judged_ns, way):
            problems.append((name, fault))
        else:
            placings.append(_placing(name, folder, source, into))
    folder_of = {placing.name: placing.folder for placing in placings}
    for frame, name, path in sidecars({placing.name: placing.source for placing in placings}):
        if fault := _fault(path, _ANY_TIME_NS, way):
            problems.append((name, fault))
        else:
            placings.append(replace(_placing(name, folder_of[frame], path, into), beside=True))
    return placings, problems


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
