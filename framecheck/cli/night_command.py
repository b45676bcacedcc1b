"""`framecheck night`: a folder in, a report out."""

import multiprocessing
import os
import signal
import sys
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager, contextmanager, nullcontext
from pathlib import Path

from framecheck.cli.night_summary import failure_line, night_lines
from framecheck.cli.terminal import ProgressLine, look_of, safe, say, warn
from framecheck.decision.judgement import Aim
from framecheck.errors import NothingMeasured, UnusableRequest
from framecheck.logbook import Logbook, logbook_file, named_file, open_logbook
from framecheck.logbook import without as does_without
from framecheck.night.guiding import read_guiding
from framecheck.night.records import Skipped
from framecheck.pipeline import Measurements, judge_night, measure_night, worker_pool
from framecheck.read import Rig, find_frames, find_others, load_rig
from framecheck.report.night_json import json_text, night_document
from framecheck.report.write import FILES, prepare_folder, write_night


def judge_folder(
    folder: Path,
    out: Path,
    rig_file: Path | None,
    aim: Aim = "balanced",
    *,
    stars: bool = False,
    workers: int | None = None,
    as_json: bool = False,
    quiet: bool = False,
    guiding_file: Path | None = None,
    logbook: Logbook | None = None,
) -> int:
    """Measure, judge and report a folder; the number of files that could not be measured.

    Raises
    ------
    UnusableRequest, UnusableRig, NothingMeasured
        With a sentence for the user.
    """
    rig = load_rig(rig_file) if rig_file is not None else Rig()
    guiding = read_guiding(guiding_file) if guiding_file is not None else None
    paths = [path for path in find_frames(folder) if not _is_ours(path, folder, out)]
    if not paths:
        raise NothingMeasured(
            f"{safe(folder)} holds no FITS file (.fits, .fit, .fts, also .fz and .gz). Give the folder of the frames."
        )
    prepare_folder(out)
    others = [(path, why) for path, why in find_others(folder) if not _is_ours(path, folder, out)]
    measurements = measure_folder(paths, rig, workers, quiet, logbook)
    if not measurements.results:
        for failure in measurements.failures:
            warn(failure_line(failure, folder))
        raise NothingMeasured(nothing_sentence(folder, measurements))
    judgement = judge_night(folder, _with_others(measurements, others), rig, aim, guiding)
    written = write_night(judgement, out, stars=stars)
    if as_json:
        say(json_text(night_document(judgement)))
    elif quiet:
        for failure in measurements.failures:
            warn(failure_line(failure, folder))
    else:
        say("\n".join(night_lines(judgement, look_of(sys.stdout))))
        say(f"\nOpen {safe(written.page)}")
    return len(measurements.failures)


def _is_ours(path: Path, folder: Path, out: Path) -> bool:
    """Whether a file below the folder is one of a report that goes, or went, there as well."""
    if out.resolve() == folder.resolve():
        return path.parent.resolve() == out.resolve() and path.name in FILES
    return out.resolve() in path.resolve().parents


def _with_others(measurements: Measurements, others: list[tuple[Path, str]]) -> Measurements:
    """The measurements with files that are no frames told as skipped."""
    skipped = tuple(Skipped(file=path, kind="not a frame", why=why) for path, why in others)
    return Measurements(
        results=measurements.results, failures=measurements.failures, skipped=measurements.skipped + skipped
    )


def measure_folder(
    paths: list[Path], rig: Rig, workers: int | None, quiet: bool, logbook: Logbook | None = None
) -> Measurements:
    """Measure frames that the logbook does not know in worker processes, with a line of progress."""

    def staff(n_frames: int) -> AbstractContextManager[Executor]:
        return _interruptible_workers(workers or min(os.cpu_count() or 1, max(1, n_frames // 2)))

    try:
        with ProgressLine("Measuring frames:", quiet=quiet) as progress:
            return measure_night(paths, rig, staff, progress, logbook)
    except BrokenProcessPool:
        raise UnusableRequest(
            "a worker process was stopped from outside, most likely because memory ran out. "
            "Use fewer with --workers, or close other programs."
        ) from None


@contextmanager
def _interruptible_workers(count: int) -> Iterator[Executor]:
    """Worker processes that an interrupt ends."""
    with _deaf_workers(count) as pool:
        try:
            yield pool
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            for worker in multiprocessing.active_children():
                worker.terminate()  # whoever stopped us does not want to wait for frames under way
            raise


@contextmanager
def logbook_in_use(file: Path | None, *, without: bool, whole: bool = False) -> Iterator[Logbook | None]:
    """The logbook that options and environment ask for; None if none, or if one that nobody named cannot be used.

    Raises
    ------
    UnusableLogbook
        If one that was named cannot be used.
    """
    if without and file is not None:
        raise UnusableRequest("--logbook and --no-logbook exclude each other. Leave one of them out.")
    named = file or named_file()
    if without or (file is None and does_without()):
        yield None
        return
    logbook = open_logbook(named or logbook_file(), warn, named=named is not None, whole=whole)
    with logbook or nullcontext():
        yield logbook


def _deaf_workers(count: int) -> ProcessPoolExecutor:
    """A pool whose workers do not hear the keyboard's interrupt: we hear it, and end them; none prints a traceback."""
    pool = worker_pool(count)
    heard = signal.signal(signal.SIGINT, signal.SIG_IGN)  # a process inherits what its parent ignores
    try:
        for _ in range(count):
            pool.submit(int)  # a worker is started for each task that finds none idle
    finally:
        signal.signal(signal.SIGINT, heard)
    return pool


def nothing_sentence(folder: Path, measurements: Measurements) -> str:
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
