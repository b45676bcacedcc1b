"""`framecheck watch`: frames judged as they arrive."""

from pathlib import Path
from typing import Annotated, Literal

import typer

from framecheck.cli.logbook_command import LogbookOption, NoLogbook


def watch(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Where the camera's files arrive, in folders below it too.")
    ],
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Where live.html goes, and the report when the watch ends."),
    ] = None,
    rig: Annotated[
        Path | None, typer.Option("--rig", metavar="FILE", help="What headers leave out (rig.toml).")
    ] = None,
    aim: Annotated[
        Literal["depth", "balanced", "detail"], typer.Option("--aim", help="What the stack is for.")
    ] = "balanced",
    poll: Annotated[
        float | None,
        typer.Option(
            "--poll", min=1, metavar="SECONDS", help="Look for new files this often, on shares that don't report them."
        ),
    ] = None,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, metavar="N", help="Frames measured side by side at the start.")
    ] = None,
    logbook: LogbookOption = None,
    no_logbook: NoLogbook = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object an event, one a line.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Only alarms and problems.")] = False,
) -> None:
    """Judge frames as they arrive, and speak up when something changes while you can still fix it.

    Each change is reported once, with its likely cause and the first fix, and again when it is over. Ctrl-C ends the
    watch; started again, it knows what it has measured and reported.
    """
    from framecheck.cli.night_command import logbook_in_use
    from framecheck.cli.watching import watch_folder

    with logbook_in_use(logbook, without=no_logbook) as book:
        n_failed = watch_folder(
            folder, out, rig, aim, poll_s=poll, workers=workers, logbook=book, as_json=as_json, quiet=quiet
        )
    if n_failed:
        raise typer.Exit(1)  # the contract: done, but some files could not be measured
