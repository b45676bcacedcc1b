"""`framecheck advise`: would a better mount pay? The answer alone, in a page."""

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from framecheck.cli.logbook_command import LogbookOption, NoLogbook, WholeFiles
from framecheck.cli.options import AimOption, GuidingOption, NoProgress
from framecheck.cli.workforce import Memory, Scheduler, Workers, Workforce, workforce

if TYPE_CHECKING:
    from framecheck.decision.judgement import BudgetTerm, Judgement, MountDecision, WhatIf
    from framecheck.logbook import Logbook
    from framecheck.pipeline import Measurements
    from framecheck.read import Rig
    from framecheck.report.look import Look


_ANSWERS: Final = {
    "not needed": "No. Perfect tracking would gain too little.",
    "fix technique first": "Not yet. Cheaper fixes come first.",
    "upgrade justified": "Yes. The mount holds this rig back, and no cheaper fix is left.",
    "cannot tell": "Can't tell yet from these frames.",
}
_CASES: Final = {
    "as it was": "as it was",
    "perfect tracking": "with perfect tracking",
    "guided as well as needed": "guided well enough",
    "half the exposure time": "exposed half as long",
    "half the focal length": "at half the focal length",
}
_SOME_FAILED: Final = 1
"""Exit code of the contract."""


def advise(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Where the night's frames are, in folders below it too.")
    ],
    rig: Annotated[
        Path | None, typer.Option("--rig", metavar="FILE", help="What headers leave out, as a rig.toml.")
    ] = None,
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
    from framecheck.cli.night_command import folder_of, logbook_in_use
    from framecheck.cli.terminal import say, warn
    from framecheck.document import json_text
    from framecheck.night.guiding import read_guiding
    from framecheck.pipeline import judge_night
    from framecheck.read import whole_path
    from framecheck.report.look import look_of
    from framecheck.report.terminal import failure_lines

    force = workforce(workers, memory, scheduler)
    folder = folder if scheduler is None else whole_path(folder)
    record = None if guiding is None else read_guiding(guiding)
    with logbook_in_use(logbook, without=no_logbook, whole=whole_files) as book:
        measurements, known_rig = _measured(folder, rig, force, quiet, book)
    folder = folder_of(folder)
    judgement = judge_night(folder, measurements, known_rig, aim, record)
    for line in failure_lines(measurements.failures, folder):
        warn(line)
    if as_json:
        say(json_text(advice_document(judgement)))
    else:
        say("\n".join(advice_lines(judgement, look_of(sys.stdout))))
    if measurements.failures:
        raise typer.Exit(_SOME_FAILED)


def _measured(
    folder: Path, rig_file: Path | None, force: Workforce, quiet: bool, logbook: "Logbook | None"
) -> "tuple[Measurements, Rig]":  # fmt: skip
    """The frames of a folder, measured as `framecheck night` does."""
    from framecheck.cli.night_command import frames_of, measure_folder, nothing_sentence
    from framecheck.cli.rig_in_use import rig_file_of, rig_of
    from framecheck.cli.terminal import warn
    from framecheck.errors import NothingMeasured
    from framecheck.read import with_saved
    from framecheck.report.terminal import failure_lines

    paths = frames_of(folder)
    rig = rig_of(rig_file_of(folder, rig_file))
    measurements = measure_folder(paths, rig, force, quiet, logbook)
    if not measurements.results:
        for line in failure_lines(measurements.failures, folder):
            warn(line)
        raise NothingMeasured(nothing_sentence(folder, measurements))
    return measurements, with_saved(rig, [result.exposure for result in measurements.results])


def advice_document(judgement: "Judgement") -> dict[str, Any]:
    """The parts of night.json that are about the mount."""
    from framecheck.report.night_json import night_document

    document = night_document(judgement)
    parts = ("schema", "generator", "morning", "mount_decision", "budget", "what_if")
    return {name: document[name] for name in parts}


def advice_lines(judgement: "Judgement", look: "Look") -> list[str]:
    """The answer for a person: first yes or no, then why, what to do, and what would have been."""
    from framecheck.decision.mount_decision import cautions
    from framecheck.words import safe

    decision, morning = judgement.mount_decision, judgement.morning
    lines = [
        look.style("Would a better mount pay?", "quiet"),
        look.style(look.wrap(_ANSWERS[decision.answer], 0), "bold"),
        "",
        look.wrap(safe(morning.mount), 0),
        look.wrap(safe(f"Do first: {morning.action.sentence}"), 0),
    ]
    lines += [look.wrap(reason, 0) for reason in decision.because[:1]]
    lines += _part("The numbers", _numbers(decision, judgement, look), look)
    lines += _part("Why", _listed(decision.because[1:], look), look)
    lines += _part("What makes the stars so wide", _budget(judgement.budget, look), look)
    what = "Try before buying" if decision.answer == "upgrade justified" else "What to do"
    lines += _part(f"{what}, the cheapest first", _counted(decision.ladder, look), look)
    lines += _part("What if", _otherwise(judgement.what_if, look), look)
    lines += _part("What would settle it", _listed(decision.what_would_settle_it, look), look)
    lines += _part("Mind", _listed(cautions(decision.answer, judgement.findings), look), look)
    return lines


def _part(title: str, lines: list[str], look: "Look") -> list[str]:
    return ["", look.style(title, "bold"), *lines] if lines else []


def _listed(texts: Sequence[str], look: "Look") -> list[str]:
    from framecheck.words import safe

    return ["  " + look.wrap(safe(text), 2, used=2) for text in texts]


def _counted(texts: Sequence[str], look: "Look") -> list[str]:
    from framecheck.words import safe

    return [f"  {k}. " + look.wrap(safe(text), 5, used=5) for k, text in enumerate(texts, 1)]


def _numbers(decision: "MountDecision", judgement: "Judgement", look: "Look") -> list[str]:
    """Each against what would be good, or what it would be."""
    from framecheck.cli.columns import in_columns
    from framecheck.decision.mount_decision import WORTH_FWHM
    from framecheck.words import fixed, percent

    rows = []
    rms, needed = decision.tracking_rms_arcsec, decision.needed_rms_arcsec
    if rms is not None and rms.value is not None and needed is not None:
        between = f"({fixed(rms.low, 2)} to {fixed(rms.high, 2)})"
        rows.append(("Tracking error, rms on each axis", f"{fixed(rms.value, 2)}″ {between}", f"good: {needed:.2f}″"))
    now, then = decision.fwhm_now_arcsec, decision.fwhm_with_perfect_tracking_arcsec
    if now is not None and then is not None:
        rows.append(("Width of the stars, FWHM", f"{now:.2f}″", f"with perfect tracking {then:.2f}″"))
    gain = decision.gain
    if gain is not None and gain.value is not None:
        between = f"({percent(gain.low)} to {percent(gain.high)})"
        good = f"a mount pays from {percent(WORTH_FWHM)}"
        rows.append(("Narrower with perfect tracking by", f"{percent(gain.value)} {between}", good))
    kept, would = decision.kept_now, decision.kept_with_perfect_tracking
    if kept is not None and would is not None:
        n = len(judgement.night.frames)
        rows.append(("Frames kept", f"{kept} of {n}", f"with perfect tracking {would}"))
    return in_columns(rows, look)


def _budget(terms: "Sequence[BudgetTerm]", look: "Look") -> list[str]:
    from framecheck.cli.columns import in_columns
    from framecheck.words import fixed, percent

    rows = []
    for term in terms:
        width = "" if term.fwhm_arcsec is None else f"{fixed(term.fwhm_arcsec, 2)}″"
        between = "" if term.low is None else f"{fixed(term.low, 2)} to {fixed(term.high, 2)}"
        rows.append((term.term, percent(term.share), width, between))
    return in_columns(rows, look, right=(1, 2))


def _otherwise(cases: "Sequence[WhatIf]", look: "Look") -> list[str]:
    from framecheck.cli.columns import in_columns
    from framecheck.words import duration, fixed

    rows = []
    for case in cases:
        width, recorded = (
            fixed(value, 2) + ("" if value is None else "″") for value in (case.fwhm_arcsec, case.recorded_fwhm_arcsec)
        )
        kept = f"{case.kept} of {case.n_frames}"
        time = duration(case.effective_exposure_s)
        rows.append((_CASES[case.case], width, recorded, kept, time))
    return in_columns(rows, look, heads=("", "FWHM", "as recorded", "kept", "worth"), right=(1, 2, 3, 4))
