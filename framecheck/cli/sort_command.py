"""`framecheck sort`: frames put into folders by grade, and put back."""

import json
import sys
from collections import Counter
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from framecheck.cli.logbook_command import LogbookOption, NoLogbook
from framecheck.cli.options import SOME_FAILED, Quiet
from framecheck.cli.terminal import ProgressLine, is_talked_with, say, tell, warn
from framecheck.errors import UnusableRequest
from framecheck.report.look import look_of
from framecheck.sort.plan import counts, plan_sort
from framecheck.sort.records import SortPlan, Way
from framecheck.words import counted, safe, sentence, size

if TYPE_CHECKING:
    from framecheck.logbook import Logbook
    from framecheck.sort.undo import Undone, UndoPlan

_PROBLEMS_SHOWN: Final = 20
"""Chosen: what a person reads; a list of strangers may name a hundred thousand."""
_DONE_BY: Final = {"copy": "copied", "move": "moved", "link": "linked"}
NOTHING_CHANGED: Final = "Nothing was changed."


def sort(
    folder: Annotated[Path | None, typer.Argument(metavar="FOLDER", help="Where the judged frames are.")] = None,
    into: Annotated[
        Path | None, typer.Option("--into", metavar="DIR", help="Gets the folders keep, doubtful and reject.")
    ] = None,
    by: Annotated[
        Path | None,
        typer.Option("--by", metavar="FILE", help="night.json or its folder, your choices (CSV), a list to keep."),
    ] = None,
    move: Annotated[bool, typer.Option("--move", help="Move the frames instead of copying them.")] = False,
    link: Annotated[bool, typer.Option("--link", help="Make symbolic links to the frames instead of copies.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Move without asking.")] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would be done.")] = False,
    undo: Annotated[bool, typer.Option("--undo", help="Undo everything that was sorted into DIR.")] = False,
    frames: Annotated[
        Path | None,
        typer.Option(
            "--frames", metavar="FOLDER", help="With --undo: where the frames came from, if the logbook does not know."
        ),
    ] = None,
    logbook: LogbookOption = None,
    no_logbook: NoLogbook = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object instead of words.")] = False,
    quiet: Quiet = False,
) -> None:
    """Copy frames into folders by grade, or move or link them; never overwrites, and can be undone.

    Copies and links are made at once. Moving asks first; in a script it needs --yes.
    """
    if move and link:
        raise UnusableRequest("--move and --link can't be used together. Give one of them.")
    if frames is not None and not undo:
        raise UnusableRequest("--frames goes with --undo. Give the folder of the frames as the first argument.")
    from framecheck.cli.night_command import logbook_in_use

    if undo:
        place = into or folder
        if place is None:
            raise UnusableRequest("--undo needs the folder that was sorted into: framecheck sort --undo DIR")
        with logbook_in_use(logbook, without=no_logbook) as book:
            n_problems = take_back(place, frames, book, dry_run=dry_run, as_json=as_json, quiet=quiet)
    elif folder is None or into is None:
        raise UnusableRequest("give the folder of the frames and --into: framecheck sort FOLDER --into DIR --by REPORT")
    else:
        way: Way = "move" if move else "link" if link else "copy"
        with nullcontext() if dry_run else logbook_in_use(logbook, without=no_logbook) as book:
            n_problems = sort_folder(
                folder, into, by, way, book, yes=yes, dry_run=dry_run, as_json=as_json, quiet=quiet
            )
    if n_problems:
        raise typer.Exit(SOME_FAILED)


def sort_folder(
    folder: Path,
    into: Path,
    by: Path | None,
    way: Way,
    logbook: "Logbook | None" = None,
    *,
    yes: bool = False,
    dry_run: bool = False,
    as_json: bool = False,
    quiet: bool = False,
) -> int:
    """Say what sorting a folder will do and do it; the number of frames that cannot be placed.

    Frames are moved only with `yes`, or after asking on a terminal; with `dry_run` nothing is done.

    Raises
    ------
    UnusableRequest, NothingMeasured
        With a sentence for the user.
    """
    from framecheck.sort.carry_out import carry_out

    plan = plan_sort(folder, into, by, way)
    if not (as_json or quiet):
        say("\n".join(plan_lines(plan)))
    _tell_problems(plan.problems)
    is_known, does = True, _is_to_be_done(plan, yes=yes, dry_run=dry_run, asks=not (as_json or quiet))
    if does and plan.to_do:
        with ProgressLine("Sorting frames:", quiet=quiet or as_json) as progress:
            is_known = carry_out(plan, progress, logbook)
    if as_json:
        say(json.dumps(plan_document(plan, done=does)))
    elif not quiet and does:
        from framecheck.sort.journal import undo_command

        say(f"Done. To undo it: {undo_command(into, None if is_known else folder)}")
    elif not quiet:
        tell(NOTHING_CHANGED + ("" if dry_run else " Frames are moved with --yes, or copied without --move."))
    return len(plan.problems)


def _is_to_be_done(plan: SortPlan, *, yes: bool, dry_run: bool, asks: bool) -> bool:
    """Whether a plan is carried out: copies and links at once, moves with `yes` or a yes on the terminal."""
    if dry_run:
        return False
    if yes or plan.way != "move" or not plan.to_do:
        return True
    return asks and is_talked_with() and typer.confirm(f"Move {counted(len(plan.to_do), 'file')}?")


def take_back(
    into: Path,
    frames: Path | None = None,
    logbook: "Logbook | None" = None,
    *,
    dry_run: bool = False,
    as_json: bool = False,
    quiet: bool = False,
) -> int:
    """Say what undoing the sorts into a folder will do and do it; the number of files that could not be put back."""
    from framecheck.sort.undo import carry_out_undo, plan_undo

    plan = plan_undo(into, frames=frames, logbook=logbook)
    if not (as_json or quiet):
        say("\n".join(undo_lines(plan)))
    if dry_run:
        say(json.dumps({"into": str(into), "done": False, "n_steps": len(plan.steps)}) if as_json else NOTHING_CHANGED)
        return 0
    with ProgressLine("Undoing:", quiet=quiet or as_json) as progress:
        undone = carry_out_undo(plan, progress, frames=frames, logbook=logbook)
    _tell_problems(undone.problems)
    if as_json:
        document = {"into": str(into), "done": True, **asdict(undone)}
        say(json.dumps(document | {"problems": [{"file": name, "why": fault} for name, fault in undone.problems]}))
    elif not quiet:
        tell(undone_words(undone))
    return len(undone.problems)


def undo_lines(plan: "UndoPlan") -> list[str]:
    """What an undo will do, for a person."""
    look = look_of(sys.stdout)
    lines = [look.style(f"Undo of what was sorted into {safe(plan.into)}", "bold")]
    for root in dict.fromkeys(plan.roots.values()):
        ways = Counter(step.begun.way for step in plan.steps if plan.roots[step.begun] == root)
        if n := ways["move"]:
            lines.append(f"  moves {counted(n, 'file')} back into {safe(root)}")
        gone = [(ways["copy"], "copy", "copies"), (ways["link"], "link", "links")]
        lines += [f"  removes {counted(*what)}; the frames in {safe(root)} stay" for what in gone if what[0]]
    return lines


def undone_words(undone: "Undone") -> str:
    """What an undo did, in a sentence or two."""
    parts = [
        counted(undone.n_moved_back, "file") + " moved back" if undone.n_moved_back else "",
        counted(undone.n_copies_removed, "copy", "copies") + " removed" if undone.n_copies_removed else "",
        counted(undone.n_links_removed, "link") + " removed" if undone.n_links_removed else "",
        f"{undone.n_in_place} already undone" if undone.n_in_place else "",
    ]
    text = sentence(", ".join(filter(None, parts)) or "nothing was left to undo")
    if not undone.problems:
        return text
    n = counted(len(undone.problems), "file")
    return f"{text} {n} could not be put back; the record of the sort stays until all are."


def _tell_problems(problems: Sequence[tuple[str, str]]) -> None:
    for name, fault in problems[:_PROBLEMS_SHOWN]:
        warn(f"{safe(name)}: {fault}")
    if len(problems) > _PROBLEMS_SHOWN:
        warn(f"{len(problems) - _PROBLEMS_SHOWN} more files like these; --json lists all.")


def plan_lines(plan: SortPlan) -> list[str]:
    """What will be done, for a person."""
    look = look_of(sys.stdout)
    lines = [look.style(f"{safe(plan.frames)} to {safe(plan.into)}", "bold")]
    for name, number in counts(plan.to_do).items():
        n_bytes = sum(placing.n_bytes for placing in plan.to_do if placing.folder == name)
        lines.append(f"  {name:<10} {number} to be {_DONE_BY[plan.way]}, {size(n_bytes)}")
    n_beside = sum(placing.beside for placing in plan.to_do)
    if n_beside:
        lines.append(f"  {counted(n_beside, 'file')} named like a raw, too")
    n_there = len(plan.placings) - len(plan.to_do)
    if n_there:
        lines.append(f"  {n_there} are in their place already and stay as they are")
    if plan.n_ungraded:
        lines.append(f"  {plan.n_ungraded} have no grade and stay where they are")
    if plan.problems:
        lines.append(f"  {len(plan.problems)} cannot be placed")
    lines.append(f"  Writes {size(plan.n_bytes_written)}; {size(plan.n_bytes_free)} are free")
    return lines


def plan_document(plan: SortPlan, *, done: bool) -> dict[str, Any]:
    """The same for programs."""
    frames = [
        {
            "file": placing.name,
            "target": placing.target.relative_to(plan.into).as_posix(),
            "n_bytes": placing.n_bytes,
            "status": "already there" if placing.already_there else "done" if done else "planned",
        }
        for placing in plan.placings
    ]
    return {
        "way": plan.way,
        "folder": str(plan.frames),
        "into": str(plan.into),
        "done": done,
        "frames": frames,
        "problems": [{"file": name, "why": fault} for name, fault in plan.problems],
        "n_ungraded": plan.n_ungraded,
        "bytes_written": plan.n_bytes_written,
        "bytes_free": plan.n_bytes_free,
    }
