"""The commands: parse, call, print, exit code. Heavy parts are imported when a command needs them."""

import math
import os
import signal
import sys
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Annotated, Any

import typer

from framecheck._version import __version__
from framecheck.cli.advise_command import advise
from framecheck.cli.compare_command import compare
from framecheck.cli.history_command import history
from framecheck.cli.logbook_command import LogbookOption, NoLogbook, WholeFiles, logbook
from framecheck.cli.options import SOME_FAILED, AimOption, GuidingOption, Quiet, RigOption
from framecheck.cli.plan_command import plan
from framecheck.cli.rig_command import rig
from framecheck.cli.sort_command import sort
from framecheck.cli.terminal import speak_any_script, warn
from framecheck.cli.watch_command import watch
from framecheck.cli.workforce import Memory, Scheduler, Workers, workforce
from framecheck.errors import NO_PLACE, CannotFinish, FramecheckError, NothingMeasured, UnusableRequest
from framecheck.words import safe

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # frames run side by side, not matrices; before numpy is loaded

DONE, WRONG_USAGE, NOTHING_MEASURED, NOT_FINISHED = 0, 2, 3, 4
"""Exit codes of the contract."""
FAULT_OF_OURS, INTERRUPTED = 70, 130
"""Exit codes by convention: sysexits.h, EX_SOFTWARE; the shell's for an interrupted command."""
WITHOUT_REPORT = (
    "--quick prints its answer and writes no report, so it goes without --out, --open, --stars, --thumbnails and "
    "--guiding. Leave them out, or leave out --quick."
)
SAME_PRESS_S = 2.0
"""[s] Chosen: ending workers takes less; who presses Ctrl-C again after that is heard again."""

WrongWords: Any = typer.BadParameter.__mro__[2]
"""What typer raises for words that are no command or option: the base of its usage errors, which it does not export."""

app = typer.Typer(
    add_completion=True,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Judge a night of astronomical exposures: which frames to keep, and what spoils the rest.",
    epilog="Example: framecheck night ~/astro/lights --open",
)


def run() -> None:
    """Run the command line; every failure that a user can put right ends here as one sentence."""
    speak_any_script()
    pressed = _hear_an_interrupt_once()
    code = _exit_code()
    if pressed():
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # the interpreter, too, shall end undisturbed
    _let_go_of_output()
    sys.exit(code)


def _let_go_of_output() -> None:
    """Drop what standard output would not take: that was told, and the interpreter need not complain of it again."""
    try:
        sys.stdout.flush()
    except (OSError, ValueError):
        with suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _hear_an_interrupt_once() -> Callable[[], bool]:
    """Let an impatient second press of Ctrl-C not disturb the tidying up that the first one began.

    What is returned tells whether there was a press.
    """
    last_s = -math.inf

    def hear(number: int, frame: object) -> None:
        nonlocal last_s
        if time.monotonic() - last_s < SAME_PRESS_S:
            return
        last_s = time.monotonic()
        raise KeyboardInterrupt

    with suppress(ValueError):  # not the main thread, which alone may listen
        if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
            signal.signal(signal.SIGINT, hear)
    return lambda: last_s > -math.inf


def _exit_code() -> int:
    try:
        code = app(standalone_mode=False)
    except WrongWords as error:
        error.show()
        return WRONG_USAGE
    except (typer.Abort, KeyboardInterrupt):
        code = INTERRUPTED
    except NothingMeasured as error:
        return _tell(str(error), NOTHING_MEASURED)
    except CannotFinish as error:
        return _tell(str(error), NOT_FINISHED)
    except FramecheckError as error:
        return _tell(str(error), WRONG_USAGE)
    except OSError as error:
        about = f"{error.filename}: " if error.filename else ""
        code = WRONG_USAGE if error.errno in NO_PLACE else NOT_FINISHED
        return _tell(f"{about}{error.strerror or error}. Check the path, its permissions and the disk.", code)
    except MemoryError:
        return _tell("there is too little memory for this. Close other programs, or use another machine.", NOT_FINISHED)
    except Exception as error:
        return _own_fault(error)
    if code == INTERRUPTED:
        return _tell("stopped; no half-written file was left.", INTERRUPTED)
    return code if isinstance(code, int) else DONE


def _tell(text: str, code: int) -> int:
    warn(f"framecheck: {safe(text)}")
    return code


def _own_fault(error: Exception) -> int:
    """A mistake in framecheck itself: one line for the user, the traceback for whoever asks for it."""
    if os.environ.get("FRAMECHECK_TRACEBACK"):
        traceback.print_exc()
    frames = [f for f in traceback.extract_tb(error.__traceback__) if "framecheck" in Path(f.filename).parts]
    place = f" at {Path(frames[-1].filename).name}, line {frames[-1].lineno}" if frames else ""
    return _tell(
        f"this is a fault of framecheck, not of yours ({type(error).__name__}{place}: {error}). Please report it; "
        "with FRAMECHECK_TRACEBACK=1 in the environment it tells more.",
        FAULT_OF_OURS,
    )


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"framecheck {__version__}")
        raise typer.Exit


@app.callback()
def main(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Judge a night of astronomical exposures: which frames to keep, and what spoils the rest."""


@app.command(epilog="Example: framecheck night ~/astro/lights --out ~/astro/report --rig rig.toml")
def night(
    folder: Annotated[
        Path,
        typer.Argument(
            metavar="FOLDER",
            help="Where the night's frames are, in folders below it too; or an address, or a .txt that lists them.",
        ),
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="DIR", help="Where report.html, night.json, frames.csv go; beside the frames if not given."
        ),
    ] = None,
    rig: RigOption = None,
    aim: AimOption = "balanced",
    stars: Annotated[bool, typer.Option("--stars", help="Write stars.parquet too: every measured star.")] = False,
    thumbnails: Annotated[
        bool, typer.Option("--thumbnails", help="Pictures of every frame on the page, not only of those in question.")
    ] = False,
    workers: Workers = None,
    memory: Memory = None,
    scheduler: Scheduler = None,
    guiding: GuidingOption = None,
    logbook: LogbookOption = None,
    no_logbook: NoLogbook = False,
    whole_files: WholeFiles = False,
    absolute_paths: Annotated[
        bool, typer.Option("--absolute-paths", help="Tell in night.json where on this machine the folder lies.")
    ] = False,
    quick: Annotated[
        bool,
        typer.Option("--quick", help="Judge 18 frames of the newest night in seconds; no report is written."),
    ] = False,
    opens: Annotated[bool, typer.Option("--open", help="Show the page in the browser.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print night.json instead of the summary.")] = False,
    quiet: Quiet = False,
) -> None:
    """Measure, grade and report all light frames of a folder."""
    from framecheck.cli.night_command import judge_folder, logbook_in_use

    if quick and (out is not None or opens or stars or thumbnails or guiding is not None):
        raise UnusableRequest(WITHOUT_REPORT)
    force = workforce(workers, memory, scheduler)
    with logbook_in_use(logbook, without=no_logbook, whole=whole_files) as book:
        if quick:
            from framecheck.cli.quick_look import quick_look

            failed = quick_look(folder, rig, aim, force=force, logbook=book, as_json=as_json, quiet=quiet)
        else:
            failed = judge_folder(
                folder, out, rig, aim, stars=stars, thumbnails=thumbnails, force=force, as_json=as_json, quiet=quiet,
                guiding_file=guiding, logbook=book, absolute_paths=absolute_paths, opens=opens, asks=True,
            )  # fmt: skip
    if failed:
        raise typer.Exit(SOME_FAILED)


@app.command(epilog="Example: framecheck frame light_0001.fits --picture light_0001.png")
def frame(
    files: Annotated[list[Path], typer.Argument(help="Frames: FITS, camera raws, pictures.", metavar="FILE...")],
    rig: RigOption = None,
    picture: Annotated[
        Path | None,
        typer.Option("--picture", metavar="FILE.png", help="Draw one frame: small, with star shapes over it."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object a file, one a line.")] = False,
) -> None:
    """Measure single frames and print what was found."""
    from framecheck.cli.frame_command import account_for_frames

    n_failed = account_for_frames(files, rig, as_json=as_json, picture=picture)
    if n_failed == len(files):
        raise typer.Exit(NOTHING_MEASURED)
    if n_failed:
        raise typer.Exit(SOME_FAILED)


app.command(
    epilog="Example: framecheck rig light_0001.fits --save",
    short_help="Say once what headers leave out.",
)(rig)


app.command(
    epilog="Example: framecheck advise ~/astro/lights --rig rig.toml",
    short_help="Say whether a better mount would pay.",
)(advise)


app.command(
    epilog="Example: framecheck plan --focal-length 530 --pixel 3.76 --seeing 2-4", short_help="Say what a rig can do."
)(plan)


app.command(
    epilog="Example: framecheck watch ~/astro/lights --out ~/astro/live", short_help="Judge frames as they arrive."
)(watch)


app.command(
    epilog="Example: framecheck sort ~/astro/lights --into ~/astro/sorted --by ~/astro/report",
    short_help="Put frames into folders by grade.",
)(sort)


app.command(
    epilog="Example: framecheck compare reports/before reports/after --out change",
    short_help="Say whether a change helped.",
)(compare)


app.command(epilog="Example: framecheck history --out history", short_help="Show how the nights of a rig went.")(
    history
)


app.command(
    epilog="Example: framecheck logbook --export frames.parquet", short_help="List, check or forget measured frames."
)(logbook)


@app.command(epilog="Example: framecheck demo --into demo-night", short_help="Render an invented night and judge it.")
def demo(
    into: Annotated[Path, typer.Option("--into", metavar="DIR", help="Where the demo night goes.")] = Path(
        "demo-night"
    ),
    scenario: Annotated[
        Path | None, typer.Option("--scenario", metavar="FILE", help="Another invented night, described in TOML.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print night.json instead of the summary.")] = False,
    quiet: Quiet = False,
) -> None:
    """Render an invented night with known faults, judge it, and say where the page is."""
    from framecheck.cli.demo_command import run_demo

    run_demo(into, scenario, as_json=as_json, quiet=quiet)


for _command in app.registered_commands:
    for _hint in getattr(_command.callback, "__annotations__", {}).values():
        for _word in getattr(_hint, "__metadata__", ()):
            if hasattr(_word, "readable"):
                _word.readable = False  # who reads a file says that it may not be read, by the contract; see exit codes
