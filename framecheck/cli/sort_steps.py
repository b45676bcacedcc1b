"""A sort carried out, step by step behind a journal, and taken back.

Each line of the journal is on the disk before the step that it tells of is taken. Undoing trusts no line to have been
carried out: it looks at what is there, so that it can follow a crash at any point, one of its own too.
"""

import errno
import hashlib
import os
import shutil
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from framecheck.cli.sort_journal import (
    JOURNAL,
    Begun,
    Entry,
    Step,
    begin,
    begun_sorts,
    believed_roots,
    entries_of,
    has_ended,
    remove_journal,
    steps_of,
    sync_folder,
    undo_command,
)
from framecheck.cli.sorting import FOLDERS, Placing, SortPlan, Way, digest
from framecheck.cli.terminal import safe
from framecheck.errors import NO_PLACE, CannotFinish, UnusableRequest
from framecheck.logbook import Logbook
from framecheck.read.paths import lies_in, whole_path

_BLOCK: Final = 2**20
"""Copied at a time. [byte] Chosen."""
_REASONS: Final = {
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "your share of the disk is used up",
    errno.EROFS: "the disk may only be read",
    errno.EIO: "the disk failed",
    errno.EACCES: "there is no permission",
    errno.EPERM: "there is no permission",
    errno.EEXIST: "the name was taken meanwhile",
    errno.ENOENT: "it is no longer there",
    errno.ENAMETOOLONG: "the name is too long for that disk",
}
_NO_HARD_LINKS: Final = {
    getattr(errno, name, None)
    for name in ("EXDEV", "EPERM", "EACCES", "ENOTSUP", "EOPNOTSUPP", "ENOSYS", "EMLINK", "EINVAL")
}
"""What file systems answer that give a file one name only; not every system knows them all."""
Told = Callable[[int, int], None]
_BACK: Final = "back"
_IN_PLACE: Final = "in place"


_SAME_TIME_NS: Final = 2_000_000_000
"""[ns] A file copied from disk to disk keeps its time to 2 s: the step of the coarsest file system in use (FAT)."""


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


def carry_out(plan: SortPlan, told: Told = lambda done, total: None, logbook: Logbook | None = None) -> bool:
    """Place every frame of a plan; whether the logbook knows the sort again when it is taken back.

    Raises
    ------
    UnusableRequest
        If a step fails; what was placed until then stays, whole, and can be taken back.
    """
    if os.path.lexists(plan.into / JOURNAL) and not has_ended(entries_of(plan.into)):
        raise UnusableRequest(
            f"{safe(plan.into)}: a sort was stopped half way there. Take it back first: {undo_command(plan.into)}"
        )
    made: list[Path] = []
    with _before_any_step(plan.into, made):
        _make_folders(plan.into, made)
        write, is_known = begin(plan, made, logbook)
    take_back = f"take everything back: {undo_command(plan.into, None if is_known else plan.frames)}"
    for number, placing in enumerate(plan.to_do):
        with _in_words(placing.name, take_back):
            _make_below(plan.into, placing.target.parent, write)
            _place(plan, placing, write)
        told(number + 1, len(plan.to_do))
    with _in_words(JOURNAL, take_back):
        write({"step": "end"})
    return is_known


def undo(
    into: Path,
    told: Told = lambda done, total: None,
    *,
    frames: Path | None = None,
    logbook: Logbook | None = None,
) -> Undone:
    """Take back all sorts into a folder, the last step first; the journal goes when nothing is left to do.

    Parameters
    ----------
    into : Path
        Folder that was sorted into.
    told : callable
        Called with steps done and steps in all.
    frames : Path, optional
        Folder that the frames came from: needed where the logbook does not know the sort.
    logbook : Logbook, optional

    Raises
    ------
    UnusableRequest
        If there is no journal, one that no sort of ours wrote, or one that neither logbook nor user vouches for.
    """
    return carry_out_undo(plan_undo(into, frames=frames, logbook=logbook), told, frames=frames, logbook=logbook)


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
    told: Told = lambda done, total: None,
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
        with _in_words(step.target, again):
            came_to = _take_back(into, roots[step.begun], step)
        if came_to == _BACK:
            undone.add(source)
            removed[step.begun.way] += 1
        elif came_to == _IN_PLACE:
            in_place.add(source)
        else:
            problems.append((step.target, came_to))
        told(number + 1, len(steps))
    if not problems:
        with _in_words(JOURNAL, again):
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


def _place(plan: SortPlan, placing: Placing, write: Callable[[dict[str, Any]], None]) -> None:
    target = placing.target.relative_to(plan.into).as_posix()
    source = placing.source.relative_to(plan.frames).as_posix()
    entry: dict[str, Any] = {
        "step": "place", "source": source, "target": target, "n_bytes": placing.n_bytes, "mtime_ns": placing.mtime_ns,
    }  # fmt: skip
    _unchanged(placing)
    write(entry)
    if plan.way == "link":
        placing.target.symlink_to(placing.source)
        return
    if plan.way == "move" and _hard_link(placing.source, placing.target):
        if not placing.target.samefile(placing.source):
            raise UnusableRequest(f"{safe(placing.name)}: was changed while it was moved. Judge the folder again.")
        sync_folder(placing.target.parent)
        placing.source.unlink()
        return
    _copy(placing, lambda found: write(entry | {"sha256": found}))
    if plan.way == "move":
        _unchanged(placing)
        if placing.target.stat().st_size != placing.n_bytes:
            raise UnusableRequest(f"{safe(placing.name)}: its copy is of another size. Check the disk.")
        placing.source.unlink()


def _copy(placing: Placing, before_naming: Callable[[str], None]) -> None:
    """Copy beside the target, read back and compare, then give it its name."""
    source, target = placing.source, placing.target
    part = _part_of(target)
    part.unlink(missing_ok=True)
    try:
        found = _copy_bytes(source, part)
        if part.stat().st_size != placing.n_bytes or digest(part) != found:
            raise UnusableRequest(f"{safe(placing.name)}: its copy differs from it. Check the disk, and judge again.")
        with suppress(OSError):
            shutil.copystat(source, part)  # times and permissions, as far as the disk holds them
        _unchanged(placing)
        before_naming(found)
        _give_name(part, target)
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
    sync_folder(target.parent)


def _copy_bytes(source: Path, part: Path) -> str:
    found = hashlib.sha256()
    with source.open("rb") as read, part.open("xb") as written:
        while block := read.read(_BLOCK):
            found.update(block)
            written.write(block)
        written.flush()
        os.fsync(written.fileno())
    return found.hexdigest()


def _give_name(part: Path, target: Path) -> None:
    """Name a finished file without ever taking the place of another."""
    if not _hard_link(part, target):
        if os.path.lexists(target):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target))
        part.rename(target)


def _hard_link(source: Path, target: Path) -> bool:
    """Give a file a second name; False where the file systems do not offer that."""
    try:
        target.hardlink_to(source)
    except OSError as why:
        if why.errno in _NO_HARD_LINKS:
            return False
        raise
    return True


def _unchanged(placing: Placing) -> None:
    state = placing.source.stat()
    if (state.st_size, state.st_mtime_ns) != (placing.n_bytes, placing.mtime_ns):
        raise UnusableRequest(f"{safe(placing.name)}: was changed meanwhile. Judge the folder again, then sort.")


def _take_back(into: Path, root: Path, step: Step) -> str:
    """Bring one frame back to where it was: `_BACK`, `_IN_PLACE`, or a sentence if that cannot be done without harm."""
    source, target = root / step.source, into / step.target
    if not lies_in(target.parent, into) or not lies_in(source.parent / "frame", root):
        return "its folder is now a link that leads elsewhere. Put it back by hand."
    for path in (source, target):
        if path.parent.is_dir():
            _part_of(path).unlink(missing_ok=True)
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
    if not _hard_link(target, source):
        state = target.stat()
        back = Placing(
            name=step.source, folder="", source=target, target=source, n_bytes=state.st_size,
            mtime_ns=state.st_mtime_ns,
        )  # fmt: skip
        _copy(back, lambda found: None)
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
    return step.mtime_ns is None or abs(state.st_mtime_ns - step.mtime_ns) <= _SAME_TIME_NS


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


def _make_folders(into: Path, made: list[Path]) -> None:
    """Make the folder that is sorted into; those that were not there before are noted, outermost first."""
    for path in reversed([path for path in (into, *into.parents) if not path.exists()]):
        path.mkdir(exist_ok=True)
        made.append(path)
    if not into.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, "it is a file, not a folder", str(into))


def _make_below(into: Path, folder: Path, write: Callable[[dict[str, Any]], None]) -> None:
    for path in reversed([folder, *folder.parents]):
        if path.is_relative_to(into) and path != into and not path.exists():
            write({"step": "folder", "target": path.relative_to(into).as_posix()})
            path.mkdir()
    if not lies_in(folder, into):
        raise UnusableRequest(f"{safe(folder)}: is a link that leads elsewhere. Choose an empty folder for --into.")


def _part_of(target: Path) -> Path:
    """Where a copy grows: beside its place, under a name as long as any."""
    return target.with_name(f".{hashlib.sha256(os.fsencode(target.name)).hexdigest()[:16]}.sort-part")


@contextmanager
def _before_any_step(into: Path, made: list[Path]) -> Iterator[None]:
    """If the journal cannot be begun, nothing was done, and nothing is left of it."""
    was_there = os.path.lexists(into / JOURNAL)
    try:
        yield
    except OSError as why:
        if not was_there:
            with suppress(OSError):
                (into / JOURNAL).unlink(missing_ok=True)
        for path in reversed(made):
            with suppress(OSError):
                path.rmdir()
        kind = UnusableRequest if why.errno in NO_PLACE else CannotFinish
        raise kind(
            f"{safe(into)}: cannot be sorted into, because {_reason(why)}. Nothing was done; put that right, or choose "
            "another folder, then sort again."
        ) from why


@contextmanager
def _in_words(name: str, then: str) -> Iterator[None]:
    try:
        yield
    except OSError as why:
        raise CannotFinish(
            f"{safe(name)}: stopped there, because {_reason(why)}. Nothing is half done; put that right, then {then}"
        ) from why


def _reason(why: OSError) -> str:
    return _REASONS.get(why.errno or 0, why.strerror or str(why))
