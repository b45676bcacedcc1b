"""`framecheck watch`: frames judged as they arrive."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from framecheck.cli.logbook_command import LogbookOption, NoLogbook
from framecheck.cli.options import SOME_FAILED, AimOption, RigOption
from framecheck.cli.terminal import StatusLine, say, warn
from framecheck.report.look import look_of

if TYPE_CHECKING:
    from framecheck.watch.events import Event
    from framecheck.watch.watching import Voice


def watch(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Where the camera's files arrive, in folders below it too.")
    ],
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Where live.html goes, and the report when the watch ends."),
    ] = None,
    rig: RigOption = None,
    aim: AimOption = "balanced",
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
    from framecheck.cli.rig_in_use import rig_file_of, rig_of
    from framecheck.watch.watching import watch_folder

    with (
        logbook_in_use(logbook, without=no_logbook) as book,
        StatusLine(quiet=quiet or as_json) as status,
    ):
        voice = _voice(status, as_json=as_json, quiet=quiet)
        known = rig_of(rig_file_of(folder, rig))
        n_failed = watch_folder(folder, out, known, aim, voice, poll_s=poll, workers=workers, logbook=book)
    if n_failed:
        raise typer.Exit(SOME_FAILED)


def _voice(status: StatusLine, *, as_json: bool, quiet: bool) -> "Voice":
    """Events on the terminal, line by line, above the status line; or as JSON."""
    from framecheck.watch.events import event_json
    from framecheck.watch.watching import Voice

    def alert(text: str) -> None:
        status.wipe()
        warn(text)

    def tell(event: "Event") -> None:
        if as_json:
            say(event_json(event))
            return
        if not event.lines or (quiet and not event.matters):
            return
        status.wipe()
        bell = "\a" if event.name == "alarm" and sys.stdout.isatty() else ""
        (warn if event.is_problem else say)(bell + "\n".join(event.lines))

    return Voice(tell=tell, warn=alert, show_status=status.show, look=look_of(sys.stdout), each_at_start=as_json)
