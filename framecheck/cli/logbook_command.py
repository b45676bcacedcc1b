"""`framecheck logbook`: what has been measured so far, as a list or a table, and forgetting it."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from framecheck.cli.options import SOME_FAILED
from framecheck.cli.terminal import say
from framecheck.document import json_text
from framecheck.errors import UnusableRequest
from framecheck.report.columns import in_columns
from framecheck.report.look import Look, look_of
from framecheck.words import counted, safe

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from typing import BinaryIO

    from framecheck.logbook import FolderEntry, Logbook
    from framecheck.logbook.soundness import Soundness

LogbookOption = Annotated[
    Path | None,
    typer.Option("--logbook", metavar="FILE", help="Where measured frames are written down; else the usual place."),
]
NoLogbook = Annotated[bool, typer.Option("--no-logbook", help="Measure every frame again, and keep no record.")]
WholeFiles = Annotated[
    bool, typer.Option("--whole-files", help="Know frames again by all their bytes, not by time and samples: slower.")
]

_NAMES = {
    "frames": "frame", "nights": "judged night", "reports": "report", "watched": "watched folder", "sorts": "sort",
}  # fmt: skip
"""What the tables hold, in words."""


def logbook(
    file: LogbookOption = None,
    export: Annotated[
        Path | None, typer.Option("--export", metavar="FILE", help="Write all frames there, as .parquet or .csv.")
    ] = None,
    forget_folder: Annotated[
        Path | None, typer.Option("--forget-folder", metavar="DIR", help="Forget its frames, and those below it.")
    ] = None,
    forget_older: Annotated[
        float | None,
        typer.Option("--forget-older", min=0, metavar="DAYS", help="Forget frames measured longer ago."),
    ] = None,
    forget_outdated: Annotated[
        bool, typer.Option("--forget-outdated", help="Forget frames that this framecheck would measure again.")
    ] = False,
    check: Annotated[bool, typer.Option("--check", help="Look at every entry, and say what is sound.")] = False,
    repair: Annotated[
        bool, typer.Option("--repair", help="Drop what is not sound; those frames are measured again.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the list as JSON.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Say nothing of what was forgotten or written.")] = False,
) -> None:
    """List, check, export or forget the frames measured so far."""
    from framecheck.logbook import Logbook, logbook_file, named_file
    from framecheck.report.publish import replace_file

    place = file or named_file() or logbook_file()
    if not place.exists():
        raise UnusableRequest(f"{safe(place)}: there is no logbook yet. `framecheck night` begins one.")
    if (check or repair) and not _is_sound(place, repair=repair, as_json=as_json, quiet=quiet):
        raise typer.Exit(SOME_FAILED)
    if check or repair:
        return
    write = None if export is None else _writer(export)  # a wrong name is told before anything is forgotten
    told = not (as_json or quiet)
    with Logbook(place) as book:
        forgotten = _forget(book, forget_folder, forget_older, forget_outdated)
        if forgotten is not None and told:
            say(f"Forgot {counted(forgotten, 'frame')}.")
        if export is not None and write is not None:
            replace_file(export, lambda file: write(book, file))
            if told:
                say(f"Wrote {safe(export)}")
        if as_json:
            say(json_text(list_document(place, book.folders())))
        elif forgotten is None and export is None:
            say("\n".join(list_lines(place, book.folders(), look_of(sys.stdout))))


def _is_sound(place: Path, *, repair: bool, as_json: bool, quiet: bool) -> bool:
    """Look through the logbook, and mend it if asked to; whether it is sound now."""
    from framecheck.logbook.soundness import look_through
    from framecheck.logbook.soundness import repair as drop_damaged

    found, aside = drop_damaged(place) if repair else (look_through(place), None)
    if as_json:
        say(json_text(soundness_document(place, found, aside, repaired=repair)))
    elif not (quiet and (found.is_sound or repair)):
        say("\n".join(soundness_lines(place, found, aside, repaired=repair)))
    return repair or found.is_sound


def soundness_document(place: Path, found: "Soundness", aside: Path | None, *, repaired: bool) -> dict[str, Any]:
    """What a look through the logbook came to, for a program."""
    return {
        "logbook": str(place),
        "sound": found.is_sound,
        "repaired": repaired and not found.is_sound,
        "structure": found.structure,
        "n_sound": found.n_sound,
        "n_damaged": found.n_damaged,
        "unread": found.unread,
        "set_aside": None if aside is None else str(aside),
    }


def soundness_lines(place: Path, found: "Soundness", aside: Path | None, *, repaired: bool) -> list[str]:
    """The same for a person."""
    lines = [safe(place)]
    for table, name in _NAMES.items():
        n_damaged = found.n_damaged[table]
        damaged = f", {n_damaged} damaged{' and dropped' if repaired else ''}" if n_damaged else ""
        unread = ", others cannot be read" if table in found.unread else ""
        if found.n_sound[table] or damaged or unread:
            lines.append(f"  {counted(found.n_sound[table], name)} sound{damaged}{unread}")
    if found.structure is not None:
        lines.append(f"  The file itself is damaged: {safe(found.structure)}.")
    if found.is_sound:
        lines.append("All of it is sound.")
    elif not repaired:
        lines.append("What is damaged is not used. `framecheck logbook --repair` drops it, and keeps the rest.")
    if aside is not None:
        lines.append(f"The damaged file was kept as {safe(aside)}. Remove it when you need it no longer.")
    return lines


def _forget(book: "Logbook", folder: Path | None, days: float | None, outdated: bool) -> int | None:
    """Forget what the options say; how many frames, None if no option says so."""
    if folder is None and days is None and not outdated:
        return None
    forgotten = 0 if folder is None else book.forget_folder(folder)
    forgotten += 0 if days is None else book.forget_older(days)
    return forgotten + (book.forget_outdated() if outdated else 0)


def _writer(path: Path) -> "Callable[[Logbook, BinaryIO], None]":
    """What writes a table with such a name."""
    from framecheck.logbook.export import export_csv, export_parquet

    writers = {".parquet": export_parquet, ".csv": export_csv}
    write = writers.get(path.suffix.lower())
    if write is None:
        raise UnusableRequest(f"{path}: --export writes .parquet or .csv. Give the file one of these endings.")
    return write


def list_document(place: Path, folders: "Sequence[FolderEntry]") -> dict[str, Any]:
    """The list for a program."""
    from dataclasses import asdict

    return {"logbook": str(place), "folders": [asdict(entry) for entry in folders]}


def list_lines(place: Path, folders: "Sequence[FolderEntry]", look: Look) -> list[str]:
    """The list for a person: a line a folder."""
    lines = [look.style(safe(place), "quiet")]
    if not folders:
        return [*lines, "No frames are in it."]
    rows = []
    for entry in folders:
        when = entry.last_utc[:16].replace("T", " ")
        by = entry.versions[-1]
        again = f" ({entry.n_outdated} would be measured again)" if entry.n_outdated else ""
        rows.append((when, str(entry.n_measured), str(entry.n_skipped), by, safe(entry.folder) + again))
    heads = ("measured (UTC)", "lights", "others", "by", "folder")
    lines += in_columns(rows, look, heads=heads, right=(1, 2, 3), indent=0)
    n_frames = sum(entry.n_measured + entry.n_skipped for entry in folders)
    megabytes = sum(entry.size_bytes for entry in folders) / 1e6
    lines.append(f"{counted(n_frames, 'frame')} of {counted(len(folders), 'folder')}, {megabytes:.1f} MB")
    return lines
