"""A sort carried out, step by step behind a journal: each line is on the disk before the step that it tells of."""

import errno
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from framecheck.errors import NO_PLACE, CannotFinish, UnusableRequest
from framecheck.logbook import Logbook
from framecheck.read.paths import lies_in
from framecheck.sort.files import copy, hard_link, in_words, reason, sync_folder, unchanged
from framecheck.sort.journal import JOURNAL, begin, entries_of, has_ended, undo_command
from framecheck.sort.records import Placing, Progress, SortPlan
from framecheck.words import safe


def carry_out(plan: SortPlan, progress: Progress = lambda done, total: None, logbook: Logbook | None = None) -> bool:
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
        with in_words(placing.name, take_back):
            _make_below(plan.into, placing.target.parent, write)
            _place(plan, placing, write)
        progress(number + 1, len(plan.to_do))
    with in_words(JOURNAL, take_back):
        write({"step": "end"})
    return is_known


def _place(plan: SortPlan, placing: Placing, write: Callable[[dict[str, Any]], None]) -> None:
    target = placing.target.relative_to(plan.into).as_posix()
    source = placing.source.relative_to(plan.frames).as_posix()
    entry: dict[str, Any] = {
        "step": "place", "source": source, "target": target, "n_bytes": placing.n_bytes, "mtime_ns": placing.mtime_ns,
    }  # fmt: skip
    unchanged(placing)
    write(entry)
    if plan.way == "link":
        placing.target.symlink_to(placing.source)
        return
    if plan.way == "move" and hard_link(placing.source, placing.target):
        if not placing.target.samefile(placing.source):
            raise UnusableRequest(f"{safe(placing.name)}: was changed while it was moved. Judge the folder again.")
        sync_folder(placing.target.parent)
        placing.source.unlink()
        return
    copy(placing, lambda found: write(entry | {"sha256": found}))
    if plan.way == "move":
        unchanged(placing)
        if placing.target.stat().st_size != placing.n_bytes:
            raise UnusableRequest(f"{safe(placing.name)}: its copy is of another size. Check the disk.")
        placing.source.unlink()


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
            f"{safe(into)}: cannot be sorted into, because {reason(why)}. Nothing was done; put that right, or choose "
            "another folder, then sort again."
        ) from why
