"""`framecheck demo`: an invented night, rendered and judged."""

from pathlib import Path

from framecheck.cli.night_command import judge_folder
from framecheck.cli.terminal import ProgressLine, say
from framecheck.errors import UnusableRequest
from framecheck.report.write import prepare_folder
from framecheck.simulate import demo_scenario, load_scenario, render_night

TRUTH = "truth.json"
"""Written last by the renderer: where it is, the frames beside it are complete."""


def run_demo(into: Path, *, quiet: bool = False) -> None:
    """Render the demo night unless it is there already, judge it, and say where the page is."""
    frames = into / "frames"
    if not (into / TRUTH).is_file():
        if into.exists() and any(into.iterdir()):
            raise UnusableRequest(
                f"{into} is not empty, and nothing in it is overwritten. Choose another folder with --into."
            )
        prepare_folder(frames)
        if not quiet:
            say("An invented night: a small refractor on a mount with an uneven worm.")
        with ProgressLine("Rendering frames:", quiet=quiet) as progress:
            render_night(load_scenario(demo_scenario()), frames, progress)
    judge_folder(frames, into / "report", None, quiet=quiet)
