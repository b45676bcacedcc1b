"""The commands: parse, call, print, exit code. Heavy parts are imported when a command needs them."""

import os
import sys
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from framecheck._version import __version__
from framecheck.errors import FramecheckError, NothingMeasured, UnusableFrame

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # frames run side by side, not matrices; before numpy is loaded

DONE, SOME_FAILED, WRONG_USAGE, NOTHING_MEASURED, INTERRUPTED = 0, 1, 2, 3, 130
"""Exit codes; the last is the shell's for an interrupted command."""

WrongWords: Any = typer.BadParameter.__mro__[2]
"""What typer raises for words that are no command or option: the base of its usage errors, which it does not export."""

Aim = Literal["depth", "balanced", "detail"]

app = typer.Typer(
    add_completion=True,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Judge a night of astronomical exposures: which frames to keep, and what spoils the rest.",
    epilog="Example: framecheck night ~/astro/lights --out ~/astro/report",
)

RigOption = Annotated[
    Path | None,
    typer.Option("--rig", metavar="FILE", help="What headers leave out: focal length, pixel size, gain (rig.toml)."),
]
Quiet = Annotated[bool, typer.Option("--quiet", help="No progress and no summary; problems are still told.")]


def run() -> None:
    """Run the command line; every failure that a user can put right ends here as one sentence."""
    try:
        code = app(standalone_mode=False)
    except WrongWords as error:
        error.show()
        code = WRONG_USAGE
    except (typer.Abort, KeyboardInterrupt):
        sys.stderr.write("framecheck: stopped. Nothing half-written was left.\n")
        code = INTERRUPTED
    except NothingMeasured as error:
        sys.stderr.write(f"framecheck: {error}\n")
        code = NOTHING_MEASURED
    except FramecheckError as error:
        sys.stderr.write(f"framecheck: {error}\n")
        code = WRONG_USAGE
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = DONE
    sys.exit(code if isinstance(code, int) else DONE)


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
    folder: Annotated[Path, typer.Argument(help="Folder with the night's FITS files; folders in it are searched too.")],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where report.html, night.json, frames.csv go.")],
    rig: RigOption = None,
    aim: Annotated[Aim, typer.Option("--aim", help="What the stack is for.")] = "balanced",
    stars: Annotated[bool, typer.Option("--stars", help="Write stars.parquet too: every measured star.")] = False,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, metavar="N", help="Frames measured side by side; one a core.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print night.json instead of the summary.")] = False,
    quiet: Quiet = False,
) -> None:
    """Measure, grade and report all light frames of a folder."""
    from framecheck.cli.night_command import judge_folder

    failed = judge_folder(folder, out, rig, aim, stars=stars, workers=workers, as_json=as_json, quiet=quiet)
    if failed:
        raise typer.Exit(SOME_FAILED)


@app.command(epilog="Example: framecheck frame light_0001.fits --json")
def frame(
    files: Annotated[list[Path], typer.Argument(help="FITS files.", metavar="FILE...")],
    rig: RigOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object a file, one a line.")] = False,
) -> None:
    """Measure single frames and print what was found."""
    from framecheck.cli.frame_command import account_for_frames

    n_failed = account_for_frames(files, rig, as_json=as_json)
    if n_failed == len(files):
        raise typer.Exit(NOTHING_MEASURED)
    if n_failed:
        raise typer.Exit(SOME_FAILED)


@app.command(epilog="Example: framecheck rig light_0001.fits --into rig.toml")
def rig(
    file: Annotated[Path, typer.Argument(help="A frame of yours.", metavar="FRAME")],
    into: Annotated[Path | None, typer.Option("--into", metavar="FILE", help="Write it there; else print it.")] = None,
) -> None:
    """Write a rig.toml to start from, with what the frame's header says filled in."""
    from framecheck.errors import UnusableRequest
    from framecheck.read import read_exposure, rig_template
    from framecheck.report.write import write_text

    try:
        text = rig_template(read_exposure(file))
    except UnusableFrame as error:
        sys.stderr.write(f"framecheck: {error}\n")
        raise typer.Exit(NOTHING_MEASURED) from None
    if into is None:
        typer.echo(text, nl=False)
        return
    if into.exists():
        raise UnusableRequest(f"{into} is there already, and your own values are not overwritten. Choose another name.")
    write_text(text, into)
    typer.echo(f"Wrote {into}: fill in what is missing, then use it with --rig {into}.")


@app.command(epilog="Example: framecheck demo --into demo-night")
def demo(
    into: Annotated[Path, typer.Option("--into", metavar="DIR", help="Where the demo night goes.")] = Path(
        "demo-night"
    ),
    quiet: Quiet = False,
) -> None:
    """Render an invented night with known faults, judge it, and say where the page is."""
    from framecheck.cli.demo_command import run_demo

    run_demo(into, quiet=quiet)
