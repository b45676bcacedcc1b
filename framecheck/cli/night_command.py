"""`framecheck night`: a folder in, a report out."""

import os
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import BrokenExecutor, CancelledError
from contextlib import contextmanager, nullcontext
from pathlib import Path

from framecheck.cli.rig_in_use import rig_file_of, rig_of
from framecheck.cli.terminal import ProgressLine, say, warn
from framecheck.cli.thumbnails import take_thumbnails
from framecheck.cli.workforce import HERE, Workforce
from framecheck.decision.grades import Aim
from framecheck.decision.judgement import Judgement
from framecheck.document import json_text
from framecheck.errors import CannotFinish, NothingMeasured, UnusableRequest
from framecheck.field import FrameFailure
from framecheck.logbook import Logbook, WrittenReport, basis_of, files_of, logbook_file, named_file, open_logbook
from framecheck.logbook import without as does_without
from framecheck.night.guiding import read_guiding
from framecheck.night.records import Skipped
from framecheck.pipeline import Measurements, judge_night, measure_file, measure_night
from framecheck.read import (
    Rig,
    find_frames,
    find_others,
    is_list,
    is_remote,
    lies_in,
    place_name,
    whole_path,
    with_saved,
)
from framecheck.read.saved_rig import saved_files
from framecheck.report.look import look_of
from framecheck.report.night_json import night_document
from framecheck.report.publish import prepare_folder
from framecheck.report.terminal import FAILURES_SHOWN, failure_line, failure_lines, night_lines
from framecheck.report.write import FILES, NIGHT, PAGE, write_night
from framecheck.words import safe
from framecheck.workers import LOST


def judge_folder(
    folder: Path,
    out: Path | None,
    rig_file: Path | None,
    aim: Aim = "balanced",
    *,
    stars: bool = False,
    thumbnails: bool = False,
    force: Workforce = HERE,
    as_json: bool = False,
    quiet: bool = False,
    guiding_file: Path | None = None,
    logbook: Logbook | None = None,
    absolute_paths: bool = False,
    opens: bool = False,
    asks: bool = False,
) -> int:
    """Measure, judge and report a folder; the number of files that could not be measured.

    Without `out` the report goes beside the folder of frames, which is told; `opens` shows it in the browser. With
    `asks`, a person at the terminal is asked once about a new rig.

    Raises
    ------
    UnusableRequest, UnusableRig, NothingMeasured
        With a sentence for the user.
    """
    if force.scheduler is not None:
        folder = whole_path(folder)  # its workers stand elsewhere
    beside = out is None
    out = report_beside(folder) if out is None else _of_this_machine(out)
    rig_file = rig_file_of(folder, rig_file)
    guiding = read_guiding(guiding_file) if guiding_file is not None else None
    paths = [path for path in frames_of(folder) if not _is_ours(path, folder, out)]
    rig = rig_of(rig_file, paths, asks=asks and not (quiet or as_json))
    prepare_folder(out)
    if beside and not quiet:
        warn(f"The report goes to {safe(out)}; --out puts it elsewhere.")
    others = [(path, why) for path, why in find_others(folder) if not _is_ours(path, folder, out) and path != rig_file]
    folder, look = folder_of(folder), look_of(sys.stdout)
    words = (folder, out, aim, stars, thumbnails, look, rig_file, guiding_file, others, absolute_paths)
    basis = _basis(logbook, paths, (rig_file, guiding_file), words)
    known = _standing(logbook, basis, out)
    if known is not None and _fail_alike(known, folder, rig, force):
        _tell_again(known, out, as_json=as_json, quiet=quiet, opens=opens)
        return len(known.failures)
    measurements, rig = measured_folder(folder, paths, rig, force, quiet, logbook)
    judgement = judge_night(folder, _with_others(measurements, others), rig, aim, guiding)
    pictures = take_thumbnails(judgement, of_all=thumbnails, quiet=quiet)
    written = write_night(judgement, out, stars=stars, thumbnails=pictures, absolute_paths=absolute_paths)
    summary = "\n".join(night_lines(judgement, look))
    _remember(logbook, basis, judgement, out, summary)
    if as_json:
        say(json_text(night_document(judgement, absolute_paths=absolute_paths)))
    else:
        _tell(judgement, summary, written.page, quiet=quiet)
    if opens:
        open_page(written.page)
    return len(measurements.failures)


def _tell(judgement: Judgement, summary: str, page: Path, *, quiet: bool) -> None:
    if quiet:
        warn_of(judgement.night.failures, judgement.night.folder)
        return
    say(summary)
    say(f"\nOpen {safe(page)}")


def warn_of(failures: Sequence[FrameFailure], folder: Path) -> None:
    """Tell of files that could not be measured, on the stream of errors."""
    for line in failure_lines(failures, folder):
        warn(line)


def _of_this_machine(out: Path) -> Path:
    if is_remote(out):
        raise UnusableRequest(f"--out {place_name(out)}: a report is written to this machine. Give a folder of it.")
    return out


def folder_of(folder: Path) -> Path:
    """The folder that a list of frames lies in; any other place is itself."""
    return folder.parent if is_list(folder) else folder


def measured_folder(
    folder: Path, paths: list[Path], rig: Rig, force: Workforce, quiet: bool, logbook: Logbook | None
) -> tuple[Measurements, Rig]:
    """The frames of a folder, measured, and their rig with what was saved of it.

    Raises
    ------
    NothingMeasured
        If none of them could be; each is told with its reason before.
    """
    measurements = _measure(paths, rig, force, quiet, logbook)
    if not measurements.results:
        warn_of(measurements.failures, folder)
        raise NothingMeasured(_nothing_sentence(folder, measurements))
    return measurements, with_saved(rig, [result.exposure for result in measurements.results])


def _remember(logbook: Logbook | None, basis: bytes | None, judgement: Judgement, out: Path, summary: str) -> None:
    """Keep the night, and what was told of it in case nothing changes.

    Not the latter where a worker was lost, which may not happen again.
    """
    if logbook is None:
        return
    logbook.record_night(night_document(judgement, absolute_paths=True))
    folder, failed = judgement.night.folder, judgement.night.failures
    if basis is None or any(failure.fault.startswith(LOST) for failure in failed):
        return
    failures = {failure.file: failure_line(failure, folder) for failure in failed}
    report = WrittenReport(summary=summary, files=files_of(out, FILES), failures=failures)
    logbook.record_report(out, folder, basis, report)


def report_beside(folder: Path) -> Path:
    """Where a report goes if nobody says so: beside the folder of frames, never in it.

    What lies behind an address, or in a folder that takes nothing beside it, has its report where we stand.
    """
    if is_remote(folder):
        return Path(f"{folder.name or 'night'}-report")
    whole = whole_path(folder)
    whole = whole.with_suffix("") if is_list(folder) else whole
    beside = whole.with_name(f"{whole.name}-report") if whole.name else Path("night-report")
    if not os.access(beside.parent, os.W_OK):
        beside = Path.cwd() / beside.name
    try:
        return Path(os.path.relpath(beside))
    except ValueError:  # on another drive
        return beside


def open_page(page: Path) -> None:
    """Show a page in the browser; say where it lies if there is none to be had."""
    import webbrowser

    if not webbrowser.open(whole_path(page).as_uri()):
        warn(f"No browser could be started. Open {safe(page)} yourself.")


def frames_of(folder: Path) -> list[Path]:
    """The frames of a folder, of an address or of a list.

    Raises
    ------
    NothingMeasured
        If there is none.
    """
    paths = find_frames(folder)
    if not paths:
        raise NothingMeasured(
            f"{safe(place_name(folder))} holds no FITS file (.fits, .fit, .fts, also .fz and .gz), "
            "camera raw or picture. Give the folder of the frames."
        )
    return paths


def _basis(
    logbook: Logbook | None, paths: list[Path], given: tuple[Path | None, ...], words: tuple[object, ...]
) -> bytes | None:
    """What the night's report follows from; None without a logbook, or if a file cannot be read."""
    if logbook is None:
        return None
    marks = logbook.marks(paths)
    try:
        files = [*(file for file in given if file is not None), *saved_files()]
        return basis_of(marks, files, words) if len(marks) == len(paths) else None
    except OSError:
        return None


def _standing(logbook: Logbook | None, basis: bytes | None, out: Path) -> WrittenReport | None:
    """The report that follows from the same and is still there as it was written; None if there is none."""
    if logbook is None or basis is None:
        return None
    known = logbook.recall_report(out, basis)
    return known if known is not None and known.stands(out) else None


def _fail_alike(known: WrittenReport, folder: Path, rig: Rig, force: Workforce) -> bool:
    """Whether the files that could not be measured still cannot be, for the same reason.

    They are looked at in this process, so none of them may have ended another.
    """
    for file, line in known.failures.items():
        outcome = measure_file(Path(file), rig, force.memory_bytes)
        if not isinstance(outcome, FrameFailure) or failure_line(outcome, folder) != line:
            return False
    return True


def _tell_again(known: WrittenReport, out: Path, *, as_json: bool, quiet: bool, opens: bool) -> None:
    """What was told when the night was judged."""
    if as_json:
        say((out / NIGHT).read_text(encoding="utf-8").removesuffix("\n"))
    elif quiet:
        lines = list(known.failures.values())
        for line in lines[:FAILURES_SHOWN]:
            warn(line)
        if len(lines) > FAILURES_SHOWN:
            warn(f"{len(lines) - FAILURES_SHOWN} more files could not be measured; each is in frames.csv.")
    else:
        say(known.summary)
        say(f"\nNothing has changed since it was judged. Open {safe(out / PAGE)}")
    if opens:
        open_page(out / PAGE)


def _is_ours(path: Path, folder: Path, out: Path) -> bool:
    """Whether a file below the folder is one of a report that goes, or went, there as well."""
    if is_remote(folder) or is_remote(path):
        return False
    if whole_path(out) == whole_path(folder):
        return path.parent == folder and path.name in FILES
    return lies_in(path, out)


def _with_others(measurements: Measurements, others: list[tuple[Path, str]]) -> Measurements:
    """The measurements with files that are no frames told as skipped."""
    skipped = tuple(Skipped(file=path, kind="not a frame", why=why) for path, why in others)
    return Measurements(
        results=measurements.results, failures=measurements.failures, skipped=measurements.skipped + skipped
    )


def _measure(paths: list[Path], rig: Rig, force: Workforce, quiet: bool, logbook: Logbook | None) -> Measurements:
    """Measure frames that the logbook does not know, with a line of progress."""
    try:
        with ProgressLine("Measuring frames:", quiet=quiet) as progress:
            return measure_night(paths, rig, force.staff, progress, logbook, force.memory_bytes, tell=progress.tell)
    except BrokenExecutor:
        raise CannotFinish(
            "worker processes end as soon as they start, most likely because memory ran out. "
            "Use fewer with --workers or --memory, or close other programs."
        ) from None
    except CancelledError:
        raise CannotFinish(
            f"the cluster at {force.scheduler} was lost while it measured. Start it again, then run this again: "
            "frames in the logbook are not measured a second time."
        ) from None


@contextmanager
def logbook_in_use(file: Path | None, *, without: bool, whole: bool = False) -> Iterator[Logbook | None]:
    """The logbook that options and environment ask for; None if none, or if one that nobody named cannot be used.

    Raises
    ------
    UnusableLogbook
        If one that was named cannot be used.
    """
    if without and file is not None:
        raise UnusableRequest("--logbook and --no-logbook can't be used together. Leave one of them out.")
    named = file or named_file()
    if without or (file is None and does_without()):
        yield None
        return
    logbook = open_logbook(named or logbook_file(), warn, named=named is not None, whole=whole)
    with logbook or nullcontext():
        yield logbook


def _nothing_sentence(folder: Path, measurements: Measurements) -> str:
    """Why a folder gave nothing to judge."""
    if measurements.failures:
        n = len(measurements.failures)
        which = "the one frame" if n == 1 else f"none of the {n} frames"
        return f"{which} in {safe(folder)} could {'not ' if n == 1 else ''}be measured; see above why."
    kinds = sorted({skipped.kind for skipped in measurements.skipped})
    return (
        f"{safe(folder)} holds no light frames, only {' and '.join(kinds)} frames. "
        "Give the folder of the lights; if these are lights, their IMAGETYP is wrong."
    )
