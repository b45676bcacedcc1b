"""The journal of a sort: written line by line before each step, read as something foreign, believed only if known.

A folder that frames were sorted into may come from anybody, and its journal with it. Where frames are put back to is
therefore told by this user's logbook, which knows each sort that was begun here, or by the user.
"""

import errno
import json
import os
import secrets
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, get_args

from framecheck.document import LARGEST_FILE
from framecheck.errors import UnusableRequest, refused
from framecheck.logbook import Logbook
from framecheck.read.foreign_json import json_of
from framecheck.read.paths import read_plain, whole_path
from framecheck.sort.choices import FOLDERS, LONGEST_NAME, is_plain_name
from framecheck.sort.files import sync_folder
from framecheck.sort.records import SortPlan, Way
from framecheck.words import as_argument, safe

JOURNAL: Final = "sort-journal.jsonl"
"""Kept in the folder that is sorted into until the sort is undone."""
_VERSIONS: Final = (1, 2)
"""1 named the folder of the frames by its whole path, and no number."""
_FOLDERS: Final = (*FOLDERS, "leave-out")
"""With what the folder of rejected frames was called in earlier versions."""
_PLAIN: Final = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
"""How it is opened: a link in its place could lead to any file."""
_NOT_EMPTY: Final = (errno.ENOTEMPTY, errno.EEXIST, errno.ENOENT, errno.ENOTDIR, errno.ELOOP)
"""What a folder that is in use, gone, or replaced by something else answers to its removal: it is left."""
Entry = dict[str, Any]


@dataclass(frozen=True, kw_only=True, slots=True)
class Begun:
    """A sort, as the journal tells of it."""

    number: str | None
    """By which a logbook may know it; None in an old journal."""
    way: Way
    root: Path
    """Folder of the frames."""
    n_made: int
    """Folders that were made for it: the one that was sorted into, and those above it."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Step:
    """A frame that was placed, or was about to be."""

    begun: Begun
    source: str
    """Below the sort's root."""
    target: str
    """Below the folder that was sorted into."""
    n_bytes: int | None
    mtime_ns: int | None
    sha256: str | None


def begin(plan: SortPlan, made: Sequence[Path], logbook: Logbook | None) -> tuple[Callable[[Entry], None], bool]:
    """Open the journal for a sort; what writes a line of it, and whether the logbook will know it again."""
    number = secrets.token_hex(16)
    is_known = logbook is not None and logbook.keep_sort(number, plan.into, plan.frames)
    _cut_half_line(plan.into / JOURNAL)
    write = _writer(plan.into / JOURNAL)
    write(
        {
            "step": "begin",
            "version": 2,
            "id": number,
            "way": plan.way,
            "frames": _way_to(plan.frames, plan.into),
            "made": len(made),
        }
    )
    sync_folder(plan.into)
    return write, is_known


def _way_to(frames: Path, into: Path) -> str:
    """From one folder to the other, without the folders above both: a sorted folder may be given away."""
    try:
        return Path(os.path.relpath(frames, into)).as_posix()
    except ValueError:  # on another drive
        return str(frames)


def _cut_half_line(journal: Path) -> None:
    """Let the journal of earlier sorts end with a whole line, if a crash or a full disk cut off its last one."""
    if not os.path.lexists(journal):
        return
    with os.fdopen(os.open(journal, os.O_RDWR | _PLAIN), "r+b") as file:
        file.truncate(file.read(LARGEST_FILE).rfind(b"\n") + 1)


def _writer(journal: Path) -> Callable[[Entry], None]:
    def write(entry: Entry) -> None:
        with os.fdopen(os.open(journal, os.O_WRONLY | os.O_APPEND | os.O_CREAT | _PLAIN, 0o600), "ab") as file:
            file.write(json.dumps(entry).encode("ascii") + b"\n")
            file.flush()
            os.fsync(file.fileno())

    return write


def entries_of(into: Path) -> list[Entry]:
    """All whole lines of the journal; the last may have been cut off by a crash.

    Raises
    ------
    UnusableRequest
        If there is none, or it is none of ours.
    """
    path = into / JOURNAL
    if not path.is_file():
        raise UnusableRequest(
            f"{safe(into)}: holds no journal of a sort. Give the folder that frames were sorted into."
        )
    try:
        lines = read_plain(path, LARGEST_FILE).split(b"\n")[:-1]
    except OSError as why:
        raise refused(why, f"{safe(path)}: cannot be read ({why.strerror}). Check its permissions.") from None
    try:
        entries = [json_of(line.decode("ascii")) for line in lines]
        if not all(isinstance(entry, dict) and isinstance(entry["step"], str) for entry in entries):
            raise TypeError
    except (ValueError, KeyError, TypeError):
        raise _not_ours(into) from None
    return entries


def has_ended(entries: Sequence[Entry]) -> bool:
    """Whether the last sort came to its end."""
    return bool(entries) and entries[-1]["step"] == "end"


def begun_sorts(entries: Sequence[Entry], into: Path) -> tuple[Begun, ...]:
    """The sorts that a journal tells of, the first first."""
    return tuple(one for one in _told(entries, into) if isinstance(one, Begun))


def steps_of(entries: Sequence[Entry], into: Path) -> tuple[Step, ...]:
    """The frames that a journal tells of; of two lines about one frame the last."""
    steps: dict[tuple[str, str], Step] = {}
    for step in _told(entries, into):
        if isinstance(step, Step):
            steps.pop((step.source, step.target), None)
            steps[step.source, step.target] = step
    return tuple(steps.values())


def _told(entries: Sequence[Entry], into: Path) -> Iterator[Begun | Step]:
    begun = None
    for entry in entries:
        try:
            if entry["step"] == "begin":
                begun = _begun(entry, into)
                yield begun
            elif entry["step"] == "place":
                yield _step(entry, begun)
        except (KeyError, TypeError, ValueError):
            raise _not_ours(into) from None


def _begun(entry: Entry, into: Path) -> Begun:
    number, way, root, made = entry.get("id"), entry["way"], entry["frames"], entry.get("made", 0)
    n_made = len(made) if isinstance(made, list) else made
    if entry["version"] not in _VERSIONS or way not in get_args(Way) or type(n_made) is not int or n_made < 0:
        raise TypeError
    if not isinstance(root, str) or "\0" in root or len(root) > LONGEST_NAME:
        raise TypeError
    if number is not None and not (isinstance(number, str) and number.isascii()):
        raise TypeError
    return Begun(number=number, way=way, root=Path(os.path.normpath(into / root)), n_made=n_made)


def _step(entry: Entry, begun: Begun | None) -> Step:
    names = entry["source"], entry["target"]
    if begun is None or not all(isinstance(name, str) and is_plain_name(name) for name in names):
        raise TypeError
    if max(map(len, names)) > LONGEST_NAME:
        raise TypeError
    if names[1].split("/")[0] not in _FOLDERS:
        raise TypeError
    n_bytes, mtime_ns, sha256 = (entry.get(name) for name in ("n_bytes", "mtime_ns", "sha256"))
    if (
        not isinstance(n_bytes, int | None)
        or not isinstance(mtime_ns, int | None)
        or not isinstance(sha256, str | None)
    ):
        raise TypeError
    return Step(begun=begun, source=names[0], target=names[1], n_bytes=n_bytes, mtime_ns=mtime_ns, sha256=sha256)


def _not_ours(into: Path) -> UnusableRequest:
    return UnusableRequest(
        f"{safe(into / JOURNAL)}: isn't a journal that framecheck sort wrote. Nothing was changed; "
        "give the folder that frames were sorted into."
    )


def believed_roots(
    begun: Sequence[Begun], into: Path, frames: Path | None, logbook: Logbook | None
) -> dict[Begun, Path]:
    """Where the frames of each sort are put back to: as this user's logbook says, or the user.

    Parameters
    ----------
    begun : sequence of Begun
        All that the journal tells of.
    into : Path
        Folder that was sorted into.
    frames : Path or None
        Folder that the frames came from, as the user says.

    Raises
    ------
    UnusableRequest
        If neither knows of one of the sorts; the message shows where its frames would go.
    """
    roots: dict[Begun, Path] = {}
    for one in begun:
        known = None if logbook is None or one.number is None else logbook.sort_of(one.number)
        if known is not None and known[0] == into:
            roots[one] = known[1]
    strange = list(dict.fromkeys(one.root for one in begun if one not in roots))
    if not strange:
        return roots
    if frames is None:
        raise UnusableRequest(
            f"{safe(into)}: your logbook does not know the sort that was done there. Undoing it would put frames back "
            f"into {' and '.join(safe(root) for root in strange)}. If that is where they came from, say so: "
            f"{undo_command(into, strange[0])}"
        )
    given = whole_path(frames)
    if len(strange) > 1 and not all(root == given or root.is_relative_to(given) for root in map(whole_path, strange)):
        raise UnusableRequest(
            f"{safe(into)}: frames came there from {' and '.join(safe(root) for root in strange)}, which do not all "
            f"lie in {safe(given)}. Give the folder that holds them all to --frames."
        )
    only = len(strange) == 1
    return roots | {one: given if only else whole_path(one.root) for one in begun if one not in roots}


def undo_command(into: Path, frames: Path | None = None) -> str:
    """What takes a sort back; the folder of the frames where the logbook does not know it."""
    from_where = "" if frames is None else f" --frames {as_argument(frames)}"
    return f"framecheck sort --undo {as_argument(into)}{from_where}"


def remove_journal(into: Path, entries: Sequence[Entry], begun: Sequence[Begun]) -> None:
    """Remove the folders that the sorts made, if they are empty, and the journal.

    Raises
    ------
    OSError
        If the disk does not let go of them; the journal is still there if it was not the last.
    """
    for entry in reversed(entries):
        if entry["step"] == "folder" and is_plain_name(str(entry.get("target", ""))):
            _remove_if_empty(into / str(entry["target"]))
    (into / JOURNAL).unlink()
    for path in (into, *into.parents)[: begun[0].n_made if begun else 0]:
        with suppress(OSError):
            path.rmdir()


def _remove_if_empty(folder: Path) -> None:
    try:
        folder.rmdir()
    except OSError as why:
        if why.errno not in _NOT_EMPTY:
            raise
