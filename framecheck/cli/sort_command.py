"""`framecheck sort`: frames put into folders by grade, and put back."""

import json
import sys
from collections.abc import Sequence
from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from framecheck.cli.logbook_command import LogbookOption, NoLogbook
from framecheck.cli.sorting import SortPlan, Way, counts, plan_sort, size
from framecheck.cli.terminal import ProgressLine, look_of, safe, say, warn
from framecheck.errors import UnusableRequest
from framecheck.words import counted

if TYPE_CHECKING:
    from framecheck.logbook import Logbook

_PROBLEMS_SHOWN: Final = 20
"""Chosen: what a person reads; a list of strangers may name a hundred thousand."""
_DONE_BY = {"copy": "copied", "move": "moved", "link": "linked"}


def sort(
    folder: Annotated[Path | None, typer.Argument(metavar="FOLDER", help="Where the judged frames are.")] = None,
    into: Annotated[
        Path | None, typer.Option("--into", metavar="DIR", help="Gets the folders keep, doubtful and leave-out.")
    ] = None,
    by: Annotated[
        Path | None,
        typer.Option("--by", metavar="FILE", help="night.json or its folder, your choices (CSV), a list to keep."),
    ] = None,
    move: Annotated[bool, typer.Option("--move", help="Move the frames instead of copying them.")] = False,
    link: Annotated[bool, typer.Option("--link", help="Make symbolic links to the frames instead of copies.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do it; else only say what would be done.")] = False,
    undo: Annotated[bool, typer.Option("--undo", help="Put everything back that was sorted into DIR.")] = False,
    frames: Annotated[
        Path | None,
        typer.Option(
            "--frames", metavar="FOLDER", help="With --undo: where the frames came from, if the logbook does not know."
        ),
    ] = None,
    logbook: LogbookOption = None,
    no_logbook: NoLogbook = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object instead of words.")] = False,
    quiet: Annotated[
        bool, typer.Option("--quiet", help="No progress and no summary; problems are still told.")
    ] = False,
) -> None:
    """Copy, move or link frames into folders by grade; never overwrites, and can be undone."""
    if move and link:
        raise UnusableRequest("--move and --link exclude each other. Give one of them.")
    if frames is not None and not undo:
        raise UnusableRequest("--frames goes with --undo. Give the folder of the frames as the first argument.")
    from framecheck.cli.night_command import logbook_in_use

    if undo:
        place = into or folder
        if place is None:
            raise UnusableRequest("--undo needs the folder that was sorted into: framecheck sort --undo DIR")
        with logbook_in_use(logbook, without=no_logbook) as book:
            n_problems = take_back(place, frames, book, as_json=as_json, quiet=quiet)
    elif folder is None or into is None:
        raise UnusableRequest("give the folder of the frames and --into: framecheck sort FOLDER --into DIR --by REPORT")
    else:
        way: Way = "move" if move else "link" if link else "copy"
        with logbook_in_use(logbook, without=no_logbook) if yes else nullcontext() as book:
            n_problems = sort_folder(folder, into, by, way, book, yes=yes, as_json=as_json, quiet=quiet)
    if n_problems:
        raise typer.Exit(1)  # the contract: done, but not for every file


def sort_folder(
    folder: Path,
    into: Path,
    by: Path | None,
    way: Way,
    logbook: "Logbook | None" = None,
    *,
    yes: bool,
    as_json: bool = False,
    quiet: bool = False,
) -> int:
    """Say what sorting a folder will do and, if `yes`, do it; the number of frames that cannot be placed.

    Raises
    ------
    UnusableRequest, NothingMeasured
        With a sentence for the user.
    """
    from framecheck.cli.sort_steps import carry_out

    plan = plan_sort(folder, into, by, way)
    if not (as_json or quiet):
        say("\n".join(plan_lines(plan)))
    _tell_problems(plan.problems)
    is_known = True
    if yes and plan.to_do:
        with ProgressLine("Sorting frames:", quiet=quiet or as_json) as progress:
            is_known = carry_out(plan, progress, logbook)
    if as_json:
        say(json.dumps(plan_document(plan, done=yes)))
    elif not quiet and yes:
        from framecheck.cli.sort_journal import undo_command

        say(f"Done. To put everything back: {undo_command(into, None if is_known else folder)}")
    elif not quiet:
        say("Nothing was changed. Add --yes to do it.")
    return len(plan.problems)


def take_back(
    into: Path,
    frames: Path | None = None,
    logbook: "Logbook | None" = None,
    *,
    as_json: bool = False,
    quiet: bool = False,
) -> int:
    """Put back what was sorted into a folder; the number of frames that could not be."""
    from framecheck.cli.sort_steps import undo

    with ProgressLine("Putting frames back:", quiet=quiet or as_json) as progress:
        undone = undo(into, progress, frames=frames, logbook=logbook)
    _tell_problems(undone.problems)
    if as_json:
        problems = [{"file": name, "why": fault} for name, fault in undone.problems]
        document = {"into": str(into), "n_back": undone.n_back, "n_in_place": undone.n_in_place, "problems": problems}
        say(json.dumps(document))
    elif not quiet:
        in_place = f", {undone.n_in_place} more in place already" if undone.n_in_place else ""
        say(f"{counted(undone.n_back, 'frame')} put back as before{in_place}.")
        if undone.problems:
            say(
                f"{counted(len(undone.problems), 'frame')} could not be; what was sorted stays on record until all are."
            )
    return len(undone.problems)


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
        lines.append(f"  {counted(n_beside, 'file')} of the same names as raws go with them")
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
