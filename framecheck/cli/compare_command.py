"""`framecheck compare`: did the change help? Judged nights beside each other."""

import sys
from collections.abc import Sequence
from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from framecheck.cli.logbook_command import LogbookOption, NoLogbook
from framecheck.cli.options import SOME_FAILED, NoProgress, RigOption
from framecheck.cli.terminal import say
from framecheck.document import json_text
from framecheck.errors import NothingMeasured, UnusableRequest
from framecheck.report.look import Look, look_of
from framecheck.words import safe

if TYPE_CHECKING:
    from framecheck.decision.compare import Comparison
    from framecheck.decision.past_night import PastNight
    from framecheck.logbook import Logbook

NIGHT_FILE: Final = "night.json"
PAGE, DOCUMENT = "compare.html", "compare.json"


def compare(
    nights: Annotated[
        list[Path],
        typer.Argument(
            metavar="NIGHT...",
            help="Report folders of `framecheck night`, or folders of frames, which are then judged; the first is the "
            "night to compare with.",
        ),
    ],
    rig: RigOption = None,
    picture: Annotated[
        Path | None, typer.Option("--picture", metavar="FILE", help="Draw the comparison there, as .svg.")
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="DIR", help=f"Where {PAGE} and {DOCUMENT} go.")] = None,
    logbook: LogbookOption = None,
    no_logbook: NoLogbook = False,
    absolute_paths: Annotated[
        bool, typer.Option("--absolute-paths", help="Tell where on this machine the nights lie.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the comparison as JSON.")] = False,
    quiet: NoProgress = False,
) -> None:
    """Tell whether a change helped: new spacing, a new alignment, another mount. Air mass and seeing are taken out."""
    from framecheck.cli.night_command import logbook_in_use
    from framecheck.decision.compare import compare as set_beside
    from framecheck.report.comparison_document import comparison_document

    refuse(nights, picture)
    all_judged = all(is_judged(path) for path in nights)
    with nullcontext() if all_judged else logbook_in_use(logbook, without=no_logbook) as book:
        named = zip(nights, names_of(nights, absolute_paths=absolute_paths), strict=True)
        past, failed = zip(*(one_night(path, name, rig, book, quiet=quiet) for path, name in named), strict=True)
    comparisons = set_beside(past)
    if picture is not None:
        _draw(comparisons, picture)
    document = json_text(comparison_document(comparisons))
    if out is not None:
        from framecheck.report.comparison_page import comparison_page
        from framecheck.report.publish import publish_texts

        publish_texts(out, {DOCUMENT: document + "\n", PAGE: comparison_page(comparisons)})
    if as_json:
        say(document)
    else:
        say("\n".join(comparison_lines(comparisons, look_of(sys.stdout))))
        if picture is not None:
            say(f"\nThe picture: {safe(picture)}")
        if out is not None:
            say(f"\nOpen {safe(out / PAGE)}")
    if any(failed):
        raise typer.Exit(SOME_FAILED)


def refuse(nights: Sequence[Path], picture: Path | None) -> None:
    """Say what is wrong with what was asked for, before anything is measured.

    Raises
    ------
    UnusableRequest
        With fewer than two nights, the same one twice, or a picture of another kind.
    """
    if len(nights) < 2:
        raise UnusableRequest("a comparison takes two nights or more. Give the report folder of each.")
    from framecheck.read.paths import whole_path

    places = [whole_path(path) for path in nights]
    twice = next((path for k, path in enumerate(nights) if places[k] in places[:k]), None)
    if twice is not None:
        raise UnusableRequest(f"{twice}: this night is given twice. Give each once.")
    if picture is not None and picture.suffix.lower() != ".svg":
        raise UnusableRequest(f"{picture}: --picture draws an .svg. Give the file that ending.")


def is_judged(path: Path) -> bool:
    """Whether a night need not be measured."""
    return path.is_file() or (path / NIGHT_FILE).is_file()


def names_of(nights: Sequence[Path], *, absolute_paths: bool = False) -> list[str]:
    """What the nights are called: as they were given, whole paths by as many of their last parts as tell all apart.

    A comparison is shared, and where on a machine its nights lay is nobody's business; `absolute_paths` tells it.
    """
    given = [str(path) for path in nights]
    longest = 0 if absolute_paths else max(len(path.parts) for path in nights)
    for n in range(1, longest):
        short = [str(Path(*path.parts[1:][-n:])) if path.is_absolute() else str(path) for path in nights]
        if len(set(short)) == len(given):
            return short
    return given


def one_night(
    path: Path, name: str, rig_file: Path | None, book: "Logbook | None", *, quiet: bool
) -> "tuple[PastNight, int]":
    """A judged night, from its night.json if there is one, else from its frames; and how many could not be measured.

    Raises
    ------
    UnusableRequest, UnusableRig, NothingMeasured
        With a sentence for the user.
    """
    from framecheck.decision.past_night import past_night, read_past_night

    if path.is_file():
        return read_past_night(path, name), 0
    if (path / NIGHT_FILE).is_file():
        return read_past_night(path / NIGHT_FILE, name), 0
    if not path.exists():
        raise UnusableRequest(f"{path}: there is nothing of that name. Give a report folder, or a folder of frames.")
    document, n_failed = _judged(path, rig_file, book, quiet=quiet)
    return past_night(document, name, name), n_failed


def _judged(folder: Path, rig_file: Path | None, book: "Logbook | None", *, quiet: bool) -> tuple[object, int]:
    """The night.json of a folder of frames, as `framecheck night` would write it, and how many it lacks."""
    from framecheck.cli.night_command import measured_folder, warn_of
    from framecheck.cli.rig_in_use import rig_file_of, rig_of
    from framecheck.cli.workforce import HERE
    from framecheck.pipeline import judge_night
    from framecheck.read import find_frames
    from framecheck.report.night_json import night_document

    rig = rig_of(rig_file_of(folder, rig_file))
    paths = find_frames(folder)
    if not paths:
        raise NothingMeasured(
            f"{safe(folder)} holds neither a {NIGHT_FILE} nor a FITS file. Give the folder that `framecheck night "
            "--out` wrote, or one of frames."
        )
    measurements, rig = measured_folder(folder, paths, rig, HERE, quiet, book)
    warn_of(measurements.failures, folder)
    return night_document(judge_night(folder, measurements, rig)), len(measurements.failures)


def _draw(comparisons: "Sequence[Comparison]", file: Path) -> None:
    from framecheck.report.comparison_picture import WIDTH_PX, comparison_picture
    from framecheck.report.drawing import standalone_svg
    from framecheck.report.publish import write_text

    drawn = comparison_picture(comparisons)
    if not drawn:
        raise UnusableRequest(f"{file}: there is nothing to draw: no figure of these nights could be compared.")
    write_text(standalone_svg(drawn, WIDTH_PX), file)


def comparison_lines(comparisons: "Sequence[Comparison]", look: Look) -> list[str]:
    """Lay the comparisons out for a person: the answers, then what they rest on."""
    from framecheck.report.comparison_page import comparison_parts
    from framecheck.report.comparison_words import caution
    from framecheck.report.terminal import part_lines

    lines = part_lines(comparison_parts(comparisons, drawn=False), look)
    return [*lines, "", look.style(look.wrap(caution(comparisons[-1]), 0), "quiet")]
