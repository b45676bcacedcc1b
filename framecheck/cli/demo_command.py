"""`framecheck demo`: an invented night, rendered and judged."""

from pathlib import Path

from framecheck.cli.night_command import judge_folder
from framecheck.cli.terminal import ProgressLine, safe, say
from framecheck.errors import UnusableRequest
from framecheck.report.publish import prepare_folder
from framecheck.simulate import demo_scenario, load_scenario, render_night

TRUTH = "truth.json"
"""Written last by the renderer: where it is, the frames beside it are complete."""
UNFINISHED = "unfinished"
"""Where a night is rendered; it is moved into place when it is whole."""


def run_demo(into: Path, *, as_json: bool = False, quiet: bool = False) -> None:
    """Render the demo night unless it is there already, judge it, and say where the page is."""
    if not (into / TRUTH).is_file():
        _render(into, quiet=quiet or as_json)
    judge_folder(into / "frames", into / "report", None, as_json=as_json, quiet=quiet)


def _render(into: Path, *, quiet: bool) -> None:
    prepare_folder(into)
    if any(path.name != UNFINISHED for path in into.iterdir()):
        raise UnusableRequest(
            f"{safe(into)} is not empty, and nothing in it is overwritten. Choose another folder with --into."
        )
    if not quiet:
        say("Rendering an invented night: a small refractor on a mount with an uneven worm.")
    unfinished = into / UNFINISHED
    with ProgressLine("Rendering frames:", quiet=quiet) as progress:
        render_night(load_scenario(demo_scenario()), unfinished / "frames", progress)
    (unfinished / "frames").replace(into / "frames")
    (unfinished / TRUTH).replace(into / TRUTH)
    unfinished.rmdir()
