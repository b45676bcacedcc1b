"""`framecheck demo`: an invented night, rendered and judged."""

from pathlib import Path

from framecheck.cli.night_command import judge_folder
from framecheck.cli.terminal import ProgressLine, say
from framecheck.errors import UnusableRequest
from framecheck.report.publish import prepare_folder
from framecheck.simulate import demo_scenario, load_scenario, render_night
from framecheck.simulate.scenario import Scenario
from framecheck.words import safe

TRUTH = "truth.json"
"""Written last by the renderer: where it is, the frames beside it are complete."""
UNFINISHED = "unfinished"
"""Where a night is rendered; it is moved into place when it is whole."""


def run_demo(into: Path, scenario: Path | None = None, *, as_json: bool = False, quiet: bool = False) -> None:
    """Render the demo night, or another one, unless a night is there already; judge it, and say where the page is."""
    if not (into / TRUTH).is_file():
        _render(into, load_scenario(scenario or demo_scenario()), quiet=quiet or as_json)
    judge_folder(into / "frames", into / "report", None, as_json=as_json, quiet=quiet)


def _render(into: Path, scenario: Scenario, *, quiet: bool) -> None:
    prepare_folder(into)
    if any(path.name != UNFINISHED for path in into.iterdir()):
        raise UnusableRequest(
            f"{safe(into)} is not empty, and nothing in it is overwritten. Choose another folder with --into."
        )
    if not quiet:
        say(f"Rendering an invented night: {safe(scenario.story or scenario.name)}")
    unfinished = into / UNFINISHED
    with ProgressLine("Rendering frames:", quiet=quiet) as progress:
        render_night(scenario, unfinished / "frames", progress)
    (unfinished / "frames").replace(into / "frames")
    (unfinished / TRUTH).replace(into / TRUTH)
    unfinished.rmdir()
