"""`framecheck advise`: would a better mount pay? The answer alone, in a page."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from framecheck.cli.logbook_command import LogbookOption, NoLogbook, WholeFiles
from framecheck.cli.options import SOME_FAILED, AimOption, GuidingOption, NoProgress, RigOption
from framecheck.cli.terminal import say
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
_WIDTHS: Final = "What makes the stars so wide"


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
    from framecheck.cli.night_command import folder_of, frames_of, logbook_in_use, measured_folder, warn_of
    from framecheck.cli.rig_in_use import rig_file_of, rig_of
    from framecheck.night.guiding import read_guiding
    from framecheck.pipeline import judge_night
    from framecheck.read import whole_path

    force = workforce(workers, memory, scheduler)
    folder = folder if scheduler is None else whole_path(folder)
    record = None if guiding is None else read_guiding(guiding)
    with logbook_in_use(logbook, without=no_logbook, whole=whole_files) as book:
        paths = frames_of(folder)
        measurements, known = measured_folder(folder, paths, rig_of(rig_file_of(folder, rig)), force, quiet, book)
    folder = folder_of(folder)
    judgement = judge_night(folder, measurements, known, aim, record)
    warn_of(measurements.failures, folder)
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
    from framecheck.report.blocks import Sentences, Table
    from framecheck.report.expert import mount_blocks
    from framecheck.report.terminal import blocks_lines

    decision, morning = judgement.mount_decision, judgement.morning
    lines = [
        look.style("Would a better mount pay?", "quiet"),
        look.style(look.wrap(_ANSWERS[decision.answer], 0), "bold"),
        "",
        look.wrap(safe(morning.mount), 0),
        look.wrap(safe(f"Do first: {morning.action.sentence}"), 0),
    ]
    blocks = (
        *mount_blocks(judgement),
        Table(("", "Share", "FWHM", "From, to"), tuple(map(_term, judgement.budget)), _WIDTHS, right=(1, 2)),
        Sentences("Mind", tuple(cautions(decision.answer, judgement.findings))),
    )
    return lines + blocks_lines(blocks, look)


def _term(term: "BudgetTerm") -> tuple[str, ...]:
    width = "" if term.fwhm_arcsec is None else f"{fixed(term.fwhm_arcsec, 2)}″"
    return (
        term.term,
        percent(term.share),
        width,
        "" if term.low is None else f"{fixed(term.low, 2)} to {fixed(term.high, 2)}",
    )
