"""A sort carried out, step by step behind a journal, and taken back.

Each line of the journal is on the disk before the step that it tells of is taken. Undoing trusts no line to have been
carried out: it looks at what is there, so that it can follow a crash at any point, one of its own too.
"""

import errno
import hashlib
import json
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from framecheck.cli.sorting import FOLDERS, JOURNAL, Placing, SortPlan, as_argument, digest, inside, is_plain_name
from framecheck.cli.terminal import safe
from framecheck.errors import UnusableRequest

_BLOCK: Final = 2**20
"""Copied at a time. [byte] Chosen."""
_REASONS: Final = {
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "your share of the disk is used up",
    errno.EROFS: "the disk may only be read",
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


@dataclass(frozen=True, kw_only=True, slots=True)
class Undone:
    """What taking a sort back came to."""

    n_back: int
    problems: tuple[tuple[str, str], ...]


def carry_out(plan: SortPlan, told: Told = lambda done, total: None) -> None:
    """Place every frame of a plan.

    Raises
    ------
    UnusableRequest
        If a step fails; what was placed until then stays, whole, and can be taken back.
    """
    if (plan.into / JOURNAL).exists() and not _ended(_entries(plan.into)):
        raise UnusableRequest(
            f"{safe(plan.into)}: a sort was stopped half way there. Take it back first: framecheck sort --undo "
            f"{as_argument(plan.into)}"
        )
    made = _make_folders(plan.into)
    write = _writer(plan.into)
    write({"step": "begin", "version": 1, "way": plan.way, "frames": str(plan.frames), "made": [str(p) for p in made]})
    for number, placing in enumerate(plan.to_do):
        with _in_words(placing.name, plan.into):
            _make_below(plan.into, placing.target.parent, write)
            _place(plan, placing, write)
        told(number + 1, len(plan.to_do))
    write({"step": "end"})


def undo(into: Path, told: Told = lambda done, total: None) -> Undone:
    """Take back all sorts into a folder, the last step first; the journal goes when nothing is left to do.

    Raises
    ------
    UnusableRequest
        If there is no journal, or one that no sort of ours wrote.
    """
    into = into.resolve()
    entries = _entries(into)
    steps = _with_way(entries, into)
    problems: list[tuple[str, str]] = []
    for number, (way, root, entry) in enumerate(reversed(steps)):
        with _in_words(entry["target"], into):
            fault = _take_back(into, way, root, entry)
        if fault:
            problems.append((entry["target"], fault))
        told(number + 1, len(steps))
    if not problems:
        _remove_made(into, entries)
    return Undone(n_back=len(steps) - len(problems), problems=tuple(problems))


def _place(plan: SortPlan, placing: Placing, write: Callable[[dict[str, Any]], None]) -> None:
    target = placing.target.relative_to(plan.into).as_posix()
    source = placing.source.relative_to(plan.frames).as_posix()
    entry: dict[str, Any] = {"step": "place", "source": source, "target": target, "n_bytes": placing.n_bytes}
    _unchanged(placing)
    write(entry)
    if plan.way == "link":
        placing.target.symlink_to(placing.source)
        return
    if plan.way == "move" and _hard_link(placing.source, placing.target):
        if not placing.target.samefile(placing.source):
            raise UnusableRequest(f"{safe(placing.name)}: was changed while it was moved. Judge the folder again.")
        _sync_folder(placing.target.parent)
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
    _sync_folder(target.parent)


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


def _take_back(into: Path, way: str, root: Path, entry: dict[str, Any]) -> str | None:
    """Bring one frame back to where it was; a sentence if that cannot be done without harm."""
    source, target = root / entry["source"], into / entry["target"]
    if not inside(into, target.parent) or not inside(root, source.parent / "frame"):
        return "its folder is now a link that leads elsewhere. Put it back by hand."
    for path in (source, target):
        if path.parent.is_dir():
            _part_of(path).unlink(missing_ok=True)
    if not os.path.lexists(target):
        return None
    if not root.is_dir():
        return f"{safe(root)} is not there. Connect its disk, or make the folder, then undo again."
    if target.parent.resolve() / target.name == source.parent.resolve() / source.name:
        return "its place is now the very place it came from, through a link. It was left."
    if way == "link":
        if target.is_symlink() and target.readlink() == source:
            target.unlink()
            return None
        return "is no longer the link that was made. It was left."
    if source.exists():
        return _remove_copy(source, target, way, entry)
    if way == "copy":
        return "the frame it is a copy of is gone, so the copy was left. Keep it."
    source.parent.mkdir(parents=True, exist_ok=True)
    if not _hard_link(target, source):
        state = target.stat()
        back = Placing(
            name=entry["source"], folder="", source=target, target=source, n_bytes=state.st_size,
            mtime_ns=state.st_mtime_ns,
        )  # fmt: skip
        _copy(back, lambda found: None)
    _sync_folder(source.parent)
    target.unlink()
    return None


def _remove_copy(source: Path, target: Path, way: str, entry: dict[str, Any]) -> str | None:
    """Remove the second of two equal files; anything else is left."""
    if target.is_symlink():
        return "is no longer what was placed. It was left; move it away, then undo again."
    if not target.samefile(source):
        found = digest(target)
        if "sha256" in entry and found != entry["sha256"]:
            return "was changed after it was placed, so it was left. Move it away, then undo again."
        if ("sha256" not in entry or way == "move") and found != digest(source):
            return "differs from the file where it came from. Move one of them away, then undo again."
    target.unlink()
    return None


def _make_folders(into: Path) -> list[Path]:
    """Make the folder that is sorted into; those that were not there before, outermost first."""
    missing = [path for path in (into, *into.parents) if not path.exists()]
    with _in_words(str(into), into):
        into.mkdir(parents=True, exist_ok=True)
    return missing[::-1]


def _make_below(into: Path, folder: Path, write: Callable[[dict[str, Any]], None]) -> None:
    for path in reversed([folder, *folder.parents]):
        if path.is_relative_to(into) and path != into and not path.exists():
            write({"step": "folder", "target": path.relative_to(into).as_posix()})
            path.mkdir()
    if not inside(into, folder):
        raise UnusableRequest(f"{safe(folder)}: is a link that leads elsewhere. Choose an empty folder for --into.")


def _writer(into: Path) -> Callable[[dict[str, Any]], None]:
    def write(entry: dict[str, Any]) -> None:
        with _in_words(JOURNAL, into), (into / JOURNAL).open("ab") as file:
            file.write(json.dumps(entry).encode("ascii") + b"\n")
            file.flush()
            os.fsync(file.fileno())
        if entry["step"] == "begin":
            _sync_folder(into)

    return write


def _entries(into: Path) -> list[dict[str, Any]]:
    """All whole lines of the journal; the last may have been cut off by a crash."""
    path = into / JOURNAL
    if not path.is_file():
        raise UnusableRequest(
            f"{safe(into)}: holds no journal of a sort. Give the folder that frames were sorted into."
        )
    lines = path.read_bytes().split(b"\n")[:-1]
    try:
        entries = [json.loads(line) for line in lines]
        if not all(isinstance(entry, dict) and isinstance(entry["step"], str) for entry in entries):
            raise TypeError
    except (ValueError, KeyError, TypeError, RecursionError):
        raise _not_ours(path) from None
    return entries


def _with_way(entries: list[dict[str, Any]], into: Path) -> list[tuple[str, Path, dict[str, Any]]]:
    """Each placing with the way and the folder of its sort; of two lines about one frame the last."""
    steps: dict[tuple[str, str], tuple[str, Path, dict[str, Any]]] = {}
    way, root = "", Path()
    try:
        for entry in entries:
            if entry["step"] == "begin":
                way, root = entry["way"], Path(entry["frames"])
                if way not in ("copy", "move", "link") or not root.is_absolute() or entry["version"] != 1:
                    raise TypeError
            elif entry["step"] == "place":
                names = entry["source"], entry["target"]
                if not way or not all(map(is_plain_name, names)) or names[1].split("/")[0] not in FOLDERS:
                    raise TypeError
                steps.pop(names, None)
                steps[names] = way, root, entry
    except (KeyError, TypeError, AttributeError):
        raise _not_ours(into / JOURNAL) from None
    return list(steps.values())


def _not_ours(path: Path) -> UnusableRequest:
    return UnusableRequest(
        f"{safe(path)}: is no journal that framecheck sort wrote. Nothing was changed; "
        "give the folder that frames were sorted into."
    )


def _ended(entries: list[dict[str, Any]]) -> bool:
    return bool(entries) and entries[-1]["step"] == "end"


def _remove_made(into: Path, entries: list[dict[str, Any]]) -> None:
    """Remove the folders that the sorts made, if they are empty, and the journal."""
    for entry in reversed(entries):
        if entry["step"] == "folder" and is_plain_name(str(entry.get("target", ""))):
            with suppress(OSError):
                (into / entry["target"]).rmdir()
    (into / JOURNAL).unlink()
    made = [str(path) for entry in entries[:1] for path in entry.get("made", [])]
    for path in (into, *into.parents):
        if str(path) not in made:
            break
        with suppress(OSError):
            path.rmdir()


def _part_of(target: Path) -> Path:
    """Where a copy grows: beside its place, under a name as long as any."""
    return target.with_name(f".{hashlib.sha256(os.fsencode(target.name)).hexdigest()[:16]}.sort-part")


def _sync_folder(folder: Path) -> None:
    """See that names given in a folder are on the disk, where the system can tell."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):
            os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def _in_words(name: str, into: Path) -> Iterator[None]:
    try:
        yield
    except OSError as why:
        reason = _REASONS.get(why.errno or 0, why.strerror or str(why))
        raise UnusableRequest(
            f"{safe(name)}: stopped there, because {reason}. Nothing is half done; put that right, then take "
            f"everything back: framecheck sort --undo {as_argument(into)}"
        ) from why
