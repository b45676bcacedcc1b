"""`framecheck history`: how the nights of a rig went, over months."""

import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from framecheck.cli.logbook_command import LogbookOption
from framecheck.cli.terminal import say, warn
from framecheck.document import json_text
from framecheck.errors import NothingMeasured, UnusableRequest
from framecheck.report.look import Look, look_of
from framecheck.words import safe

if TYPE_CHECKING:
    from framecheck.decision.history import RigHistory
    from framecheck.decision.past_night import PastNight

PAGE, DOCUMENT = "history.html", "history.json"


def history(
    nights: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="NIGHT...",
            help="Report folders of `framecheck night`; without any, the nights in the logbook.",
            show_default=False,
        ),
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="DIR", help=f"Where {PAGE} and {DOCUMENT} go.")] = None,
    logbook: LogbookOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the history as JSON.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print nothing; problems are still shown.")] = False,
) -> None:
    """Tell how the nights of a rig went: sharpness, steadiness, hours kept, causes that come back, and trends."""
    from framecheck.decision.history import histories
    from framecheck.report.history_words import history_document

    past = list(_nights(nights or [], logbook))
    made = histories(past)
    if not made:
        raise NothingMeasured("none of these nights says when its frames were taken, and a history needs that.")
    document = json_text(history_document(made))
    if out is not None:
        from framecheck.report.history_page import history_page
        from framecheck.report.publish import publish_texts

        publish_texts(out, {DOCUMENT: document + "\n", PAGE: history_page(made)})
    if as_json:
        say(document)
    if as_json or quiet:
        return
    say("\n".join(history_lines(made, look_of(sys.stdout))))
    if out is not None:
        say(f"\nOpen {safe(out / PAGE)}")


def _nights(paths: Sequence[Path], logbook: Path | None) -> "Iterator[PastNight]":
    """Judged nights: those given, and those of the logbook if none are given or it is named; the judged last first.

    Raises
    ------
    UnusableRequest, NothingMeasured
        With a sentence for the user.
    """
    from framecheck.decision.past_night import read_past_night

    for path in paths:
        file = path if path.is_file() else path / "night.json"
        if not file.is_file():
            raise UnusableRequest(f"{path}: there is no night.json. Give folders that `framecheck night --out` wrote.")
        yield read_past_night(file, str(path))
    if not paths or logbook is not None:
        yield from _of_logbook(logbook)


def _of_logbook(named: Path | None) -> "Iterator[PastNight]":
    from framecheck.decision.past_night import past_night
    from framecheck.logbook import Logbook, logbook_file, named_file, without

    if named is None and without():
        raise UnusableRequest("the environment asks for no logbook. Name one with --logbook, or give report folders.")
    place = named or named_file() or logbook_file()
    if not place.exists():
        raise UnusableRequest(f"{place}: there is no logbook yet. `framecheck night` begins one.")
    with Logbook(place) as book:
        documents = list(book.nights())
    if not documents:
        raise NothingMeasured(
            f"{place}: no judged night is in the logbook yet. Run `framecheck night` on a folder, also on old ones: "
            "frames that the logbook knows take seconds."
        )
    for document in documents:
        try:
            yield past_night(document, str(place), str(place))
        except UnusableRequest as why:  # of another version, or forged: the other nights are told
            warn(f"{safe(why)} That night is left out.")


def history_lines(histories: "Sequence[RigHistory]", look: Look) -> list[str]:
    """Lay months of nights out for a person, rig by rig."""
    from framecheck.report.history_page import closing, history_parts
    from framecheck.report.terminal import part_lines

    lines = part_lines(history_parts(histories, drawn=False), look)
    last = closing(histories)
    return [*lines, "", look.style(look.wrap(last, 0), "quiet")] if last else lines
