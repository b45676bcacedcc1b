"""`framecheck history`: how the nights of a rig went, over months."""

import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from framecheck.cli.columns import in_columns
from framecheck.cli.logbook_command import LogbookOption
from framecheck.cli.terminal import say, warn
from framecheck.document import json_text
from framecheck.errors import NothingMeasured, UnusableRequest
from framecheck.report.look import Look, look_of
from framecheck.words import duration, fixed, safe

if TYPE_CHECKING:
    from framecheck.decision.history import NightSum, RigHistory
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
        from framecheck.report.publish import prepare_folder, publish, text_as_bytes

        prepare_folder(out)
        publish(out, {DOCUMENT: text_as_bytes(document + "\n"), PAGE: text_as_bytes(history_page(made))})
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
    from framecheck.report.history_words import (
        cause_words,
        caution,
        is_one_night,
        latest_words,
        rig_title,
        summary,
        trends_words,
        what_will_be_shown,
    )

    lines: list[str] = []
    for one in histories:
        if lines:
            lines.append("")
        lines += [look.style(look.wrap(safe(rig_title(one)), 0), "bold"), look.wrap(safe(summary(one)), 0)]
        lines += [look.wrap(f"{name}: {safe(text)}", 2) for name, text in latest_words(one)]
        lines += ["", *_table(one, look)]
        if is_one_night(one):
            lines += ["", look.wrap(what_will_be_shown(), 0)]
            continue
        lines += ["", look.style("Does it get better?", "bold")]
        lines += ["  " + look.wrap(text, 4, used=2) for text in trends_words(one)]
        if one.causes:
            lines += ["", look.style("What came back", "bold")]
            lines += ["  " + look.wrap(safe(cause_words(cause)), 4, used=2) for cause in one.causes]
    if all(is_one_night(one) for one in histories):
        return lines
    return [*lines, "", look.style(look.wrap(caution(), 0), "quiet")]


def _table(history: "RigHistory", look: Look) -> list[str]:
    unit = "″" if history.unit == "arcsec" else "px"
    by_utc = [night.by_utc for night in history.nights]
    clock = "UTC" if all(by_utc) else "UTC or camera's clock" if any(by_utc) else "camera's clock"
    heads = (f"began ({clock})", "kept", "shot", "worth", f"FWHM {unit}", "zenith", "motion", "causes")
    rows = [_cells(night) for night in history.nights]
    return in_columns(rows, look, heads=heads, right=(1, 2, 3, 4, 5, 6), indent=0)


def _cells(night: "NightSum") -> tuple[str, ...]:
    from framecheck.report.history_words import cause_names

    return (
        f"{night.start_utc:%Y-%m-%d %H:%M}", f"{night.n_kept} of {night.n_frames}", duration(night.taken_s),
        duration(night.kept_effective_s), fixed(night.fwhm, 2), fixed(night.fwhm_at_zenith, 2), fixed(night.smear, 2),
        safe(cause_names(night)),
    )  # fmt: skip
