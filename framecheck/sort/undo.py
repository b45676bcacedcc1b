"""A sort taken back, the last step first.

Undoing trusts no line of the journal to have been carried out: it looks at what is there, so that it can follow a crash
at any point, one of its own too.
"""

import os
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from framecheck.errors import UnusableRequest
from framecheck.logbook import Logbook
from framecheck.logbook.book import SAME_TIME_NS
from framecheck.read.paths import lies_in, whole_path
from framecheck.sort.choices import FOLDERS
from framecheck.sort.files import copy, digest, hard_link, in_words, part_of, sync_folder
from framecheck.sort.journal import (
    JOURNAL,
    Begun,
    Entry,
    Step,
    begun_sorts,
    believed_roots,
    entries_of,
    remove_journal,
    steps_of,
    undo_command,
)
from framecheck.sort.records import Placing, Progress, Way
from framecheck.words import safe

_BACK: Final = "back"
_IN_PLACE: Final = "in place"


@dataclass(frozen=True, kw_only=True, slots=True)
class Undone:
    """What taking a sort back came to."""

    n_moved_back: int
    """Frames that were moved, and were put back now."""
    n_copies_removed: int
    """Copies that were removed now; the frames themselves never left."""
    n_links_removed: int
    n_in_place: int
    """Frames of which nothing was sorted any more: never placed, or put back earlier."""
    problems: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class UndoPlan:
    """What taking back all sorts into a folder will do."""

    into: Path
    entries: Sequence[Entry]
    begun: tuple[Begun, ...]
    steps: tuple[Step, ...]
    roots: Mapping[Begun, Path]
    """Where the frames of each sort are put back to."""


def undo(
    into: Path,
    progress: Progress = lambda done, total: None,
    *,
    frames: Path | None = None,
    logbook: Logbook | None = None,
) -> Undone:
    """Take back all sorts into a folder, the last step first; the journal goes when nothing is left to do.

    Parameters
    ----------
    into : Path
        Folder that was sorted into.
    progress : callable
        Called with steps done and steps in all.
    frames : Path, optional
        Folder that the frames came from: needed where the logbook does not know the sort.
    logbook : Logbook, optional

    Raises
    ------
    UnusableRequest
        If there is no journal, one that no sort of ours wrote, or one that neither logbook nor user vouches for.
    """
    return carry_out_undo(plan_undo(into, frames=frames, logbook=logbook), progress, frames=frames, logbook=logbook)


def plan_undo(into: Path, *, frames: Path | None = None, logbook: Logbook | None = None) -> UndoPlan:
    """Read what was sorted into a folder; nothing is changed. Arguments and errors are those of `undo`."""
    into = whole_path(into)
    entries = entries_of(into)
    begun, steps = begun_sorts(entries, into), steps_of(entries, into)
    if not begun and any((into / folder).is_dir() for folder in FOLDERS):
        raise UnusableRequest(
            f"{safe(into)}: its journal does not tell of any sort, so that nobody knows where the frames in it came "
            f"from. Put them back by hand, then remove {JOURNAL}."
        )
    roots = believed_roots(begun, into, frames, logbook)
    return UndoPlan(into=into, entries=entries, begun=begun, steps=steps, roots=roots)


def carry_out_undo(
    plan: UndoPlan,
    progress: Progress = lambda done, total: None,
    *,
    frames: Path | None = None,
    logbook: Logbook | None = None,
) -> Undone:
    """Carry an undo out, the last step first; the journal goes when nothing is left to do."""
    into, steps, roots = plan.into, plan.steps, plan.roots
    problems: list[tuple[str, str]] = []
    undone, in_place = set(), set()
    removed: Counter[Way] = Counter()
    again = f"undo again: {undo_command(into, frames)}"
    for number, step in enumerate(reversed(steps)):
        source = roots[step.begun] / step.source
        with in_words(step.target, again):
            came_to = _take_back(into, roots[step.begun], step)
        if came_to == _BACK:
            undone.add(source)
            removed[step.begun.way] += 1
        elif came_to == _IN_PLACE:
            in_place.add(source)
        else:
            problems.append((step.target, came_to))
        progress(number + 1, len(steps))
    if not problems:
        with in_words(JOURNAL, again):
            remove_journal(into, plan.entries, plan.begun)
        for one in plan.begun:
            if logbook is not None and one.number is not None:
                logbook.forget_sort(one.number)
    return Undone(
        n_moved_back=removed["move"],
        n_copies_removed=removed["copy"],
        n_links_removed=removed["link"],
        n_in_place=len(in_place - undone),
        problems=tuple(problems),
    )


def _take_back(into: Path, root: Path, step: Step) -> str:
    """Bring one frame back to where it was: `_BACK`, `_IN_PLACE`, or a sentence if that cannot be done without harm."""
    source, target = root / step.source, into / step.target
    if not lies_in(target.parent, into) or not lies_in(source.parent / "frame", root):
        return "its folder is now a link that leads elsewhere. Put it back by hand."
    for path in (source, target):
        if path.parent.is_dir():
            part_of(path).unlink(missing_ok=True)
    if not root.is_dir():
        return f"{safe(root)} is not there. Connect its disk, or make the folder, then undo again."
    if not os.path.lexists(target):
        return _without_target(source, step)
    if whole_path(target.parent) / target.name == whole_path(source.parent) / source.name:
        return "its place is now the very place it came from, through a link. It was left."
    if step.begun.way == "link":
        if target.is_symlink() and target.readlink() == source:
            target.unlink()
            return _BACK
        return "is no longer the link that was made. It was left."
    if source.exists():
        return _remove_copy(source, target, step)
    if step.begun.way == "copy":
        return "the frame it is a copy of is gone, so the copy was left. Keep it."
    source.parent.mkdir(parents=True, exist_ok=True)
    if not hard_link(target, source):
        state = target.stat()
        back = Placing(
            name=step.source,
            folder="",
            source=target,
            target=source,
            n_bytes=state.st_size,
            mtime_ns=state.st_mtime_ns,
        )
        copy(back, lambda found: None)
    sync_folder(source.parent)
    target.unlink()
    return _BACK


def _without_target(source: Path, step: Step) -> str:
    """What it means that a frame is not where it was sorted to."""
    if not os.path.lexists(source):
        return (
            f"is neither there nor where it came from ({safe(source)}). Bring it back to one of the two and undo "
            f"again; if you removed it yourself, remove {JOURNAL} as well once all others are back."
        )
    if step.begun.way == "move" and not _is_the_frame(source, step):
        return "is gone, and where it came from lies another file of its name. Put it back by hand."
    return _IN_PLACE


def _is_the_frame(path: Path, step: Step) -> bool:
    """Whether a file is the one that was to be placed, by size and time."""
    state = path.stat()
    if step.n_bytes is not None and state.st_size != step.n_bytes:
        return False
    return step.mtime_ns is None or abs(state.st_mtime_ns - step.mtime_ns) <= SAME_TIME_NS


def _remove_copy(source: Path, target: Path, step: Step) -> str:
    """Remove the second of two equal files; anything else is left."""
    if target.is_symlink():
        return "is no longer what was placed. It was left; move it away, then undo again."
    if not target.samefile(source):
        found = digest(target)
        if step.sha256 is not None and found != step.sha256:
            return "was changed after it was placed, so it was left. Move it away, then undo again."
        if found != digest(source):
            return "differs from the file where it came from. Move one of them away, then undo again."
    target.unlink()
    return _BACK
