"""`framecheck advise`: would a better mount pay? The answer alone, in a page."""

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from framecheck.cli.columns import in_columns
from framecheck.cli.logbook_command import LogbookOption, NoLogbook, WholeFiles
from framecheck.cli.options import SOME_FAILED, AimOption, GuidingOption, NoProgress, RigOption
from framecheck.cli.terminal import say, warn
from framecheck.cli.workforce import Memory, Scheduler, Workers, workforce
from framecheck.document import json_text
from framecheck.report.look import Look, look_of
from framecheck.words import fixed, percent, safe

if TYPE_CHECKING:
    from framecheck.decision.judgement import Judgement
    from framecheck.decision.records import BudgetTerm


_ANSWERS: Final = {
    "not needed": "No. Perfect tracking would gain too little.",
    "fix technique first": "Not yet. Cheaper fixes come first.",
    "upgrade justified": "Yes. The mount holds this rig back, and no cheaper fix is left.",
    "cannot tell": "Can't tell yet from these frames.",
}


def advise(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Where the night's frames are, in folders below it too.")
    ],
    rig: RigOption = None,
    aim: AimOption = "balanced",
    workers: Workers = None,
    memory: Memory = None,
    scheduler: Scheduler = None,
    guiding: GuidingOption = None,
    logbook: LogbookOption = None,
    no_logbook: NoLogbook = False,
    whole_files: WholeFiles = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print decision, budget and what-if as JSON.")] = False,
    quiet: NoProgress = False,
) -> None:
    """Say whether a better mount would pay, why, and what to try first."""
    from framecheck.cli.night_command import folder_of, frames_of, logbook_in_use, measured_folder
    from framecheck.cli.rig_in_use import rig_file_of, rig_of
    from framecheck.night.guiding import read_guiding
    from framecheck.pipeline import judge_night
    from framecheck.read import whole_path
    from framecheck.report.terminal import failure_lines

    force = workforce(workers, memory, scheduler)
    folder = folder if scheduler is None else whole_path(folder)
    record = None if guiding is None else read_guiding(guiding)
    with logbook_in_use(logbook, without=no_logbook, whole=whole_files) as book:
        paths = frames_of(folder)
        measurements, known = measured_folder(folder, paths, rig_of(rig_file_of(folder, rig)), force, quiet, book)
    folder = folder_of(folder)
    judgement = judge_night(folder, measurements, known, aim, record)
    for line in failure_lines(measurements.failures, folder):
        warn(line)
    if as_json:
        say(json_text(advice_document(judgement)))
    else:
        say("\n".join(advice_lines(judgement, look_of(sys.stdout))))
    if measurements.failures:
        raise typer.Exit(SOME_FAILED)


def advice_document(judgement: "Judgement") -> dict[str, Any]:
    """The parts of night.json that are about the mount."""
    from framecheck.report.night_json import night_document

    document = night_document(judgement)
    parts = ("schema", "generator", "morning", "mount_decision", "budget", "what_if")
    return {name: document[name] for name in parts}


def advice_lines(judgement: "Judgement", look: Look) -> list[str]:
    """The answer for a person: first yes or no, then why, what to do, and what would have been."""
    from framecheck.decision.mount_decision import cautions
    from framecheck.report.expert import mount_facts
    from framecheck.report.story import what_if_table

    decision, morning = judgement.mount_decision, judgement.morning
    lines = [
        look.style("Would a better mount pay?", "quiet"),
        look.style(look.wrap(_ANSWERS[decision.answer], 0), "bold"),
        "",
        look.wrap(safe(morning.mount), 0),
        look.wrap(safe(f"Do first: {morning.action.sentence}"), 0),
    ]
    lines += [look.wrap(reason, 0) for reason in decision.because[:1]]
    lines += _part("The numbers", in_columns(mount_facts(judgement), look), look)
    lines += _part("Why", _listed(decision.because[1:], look), look)
    lines += _part("What makes the stars so wide", _budget(judgement.budget, look), look)
    what = "Try before buying" if decision.answer == "upgrade justified" else "What to do"
    lines += _part(f"{what}, the cheapest first", _counted(decision.ladder, look), look)
    if (cases := what_if_table(judgement)) is not None:
        heads = ("", *cases.head[1:])
        lines += _part("What if", in_columns(cases.rows, look, heads=heads, right=(1, 2, 3)), look)
    lines += _part("What would settle it", _listed(decision.what_would_settle_it, look), look)
    lines += _part("Mind", _listed(cautions(decision.answer, judgement.findings), look), look)
    return lines


def _part(title: str, lines: list[str], look: Look) -> list[str]:
    return ["", look.style(title, "bold"), *lines] if lines else []


def _listed(texts: Sequence[str], look: Look) -> list[str]:
    return ["  " + look.wrap(safe(text), 2, used=2) for text in texts]


def _counted(texts: Sequence[str], look: Look) -> list[str]:
    return [f"  {k}. " + look.wrap(safe(text), 5, used=5) for k, text in enumerate(texts, 1)]


def _budget(terms: "Sequence[BudgetTerm]", look: Look) -> list[str]:
    rows = []
    for term in terms:
        width = "" if term.fwhm_arcsec is None else f"{fixed(term.fwhm_arcsec, 2)}″"
        between = "" if term.low is None else f"{fixed(term.low, 2)} to {fixed(term.high, 2)}"
        rows.append((term.term, percent(term.share), width, between))
    return in_columns(rows, look, right=(1, 2))
