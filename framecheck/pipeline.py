"""The whole way, from files to a judgement, on one screen."""

import os
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    Executor,
    Future,
    ProcessPoolExecutor,
    wait,
)
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import get_context, parent_process
from pathlib import Path
from threading import Thread

from framecheck.decision.judge import judge
from framecheck.decision.judgement import Aim, Judgement
from framecheck.errors import UnusableFrame
from framecheck.field import FrameFailure, FrameResult, frame_shape, stacked_star
from framecheck.logbook import Logbook
from framecheck.memory import keep_freed_memory, refuse_too_large
from framecheck.night import build_night
from framecheck.night.doubted import with_facts_that_can_be
from framecheck.night.guiding import GuidingRecord
from framecheck.night.records import Skipped
from framecheck.night.unlit import with_unlit
from framecheck.read import (
    Exposure,
    Frame,
    Rig,
    at_hand,
    kind_from_pixels,
    measure_unlit,
    read_exposure,
    read_frame,
)
from framecheck.sky import above_ground, measure_sky
from framecheck.stars import measure_stars

Outcome = FrameResult | FrameFailure | Skipped
Progress = Callable[[int, int, Path], None]
"""Called with frames done, frames in all, and the file just done."""
Staffing = Callable[[Sequence[Path]], AbstractContextManager[Executor]]
"""Makes an executor for these frames."""

IN_FLIGHT = 4
"""Frames handed to each worker ahead of time. Chosen: no worker waits, and no queue grows with the night."""
ASK_AGAIN_S = 5.0
"""[s] Chosen: how long a cluster may go unused after it has grown."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Measurements:
    """What became of each file, in the order of the files given."""

    results: tuple[FrameResult, ...]
    failures: tuple[FrameFailure, ...]
    skipped: tuple[Skipped, ...]


def measure_frame(path: Path | str, rig: Rig | None = None) -> FrameResult:
    """Read one frame and measure its sky and stars.

    Parameters
    ----------
    path : Path
        A FITS file.
    rig : Rig, optional
        What is known of the equipment; it wins over the header.

    Raises
    ------
    UnusableFrame
        If the file cannot be read or holds no stars; the message says what to do.
    """
    return _measure_pixels(read_frame(Path(path)), rig or Rig())


def _measure_pixels(frame: Frame, rig: Rig) -> FrameResult:
    keep_freed_memory()
    exposure = frame.exposure
    gain = rig.gain_e_per_adu or exposure.gain_e_per_adu
    sky = above_ground(frame, measure_sky(frame))
    measured = measure_stars(frame, sky, rig.saturation_adu or exposure.saturation_adu, gain)
    if measured.stars.n_found == 0:
        raise UnusableFrame(
            exposure.file,
            "no stars were found in it",
            "Look whether it is clouded out, capped or far out of focus; leave it out of the stack.",
        )
    return FrameResult(
        exposure=exposure,
        sky=measured.sky.summary(rig.pedestal_adu or exposure.pedestal_adu),
        stars=measured.stars,
        shape=frame_shape(measured),
        stacked=stacked_star(measured),
        saturation_adu=measured.clip_adu,
    )


def measure_file(path: Path, rig: Rig, memory_bytes: int | None = None) -> Outcome:
    """Measure a file if it is a light frame; say what it is, or what is wrong with it, if not.

    Parameters
    ----------
    path : Path
        A file, or what stands for one behind an address (`read.remote`): it is fetched, and gone when it is measured.
    rig : Rig
    memory_bytes : int, optional
        A frame that takes more is not measured.
    """
    exposure: Exposure | None = None
    try:
        with at_hand(path) as file:
            exposure = replace(read_exposure(file), file=path)
            if exposure.kind not in ("light", "unknown"):
                return _skipped(file, exposure, memory_bytes)
            if memory_bytes is not None:
                refuse_too_large(file, path, memory_bytes)
            frame = read_frame(file)
        frame = replace(frame, exposure=replace(frame.exposure, file=path))
        if exposure.kind == "unknown":
            kind = kind_from_pixels(frame)
            if kind in ("dark", "flat", "bias"):
                why = f"the pixels look like a {kind} frame; the header does not say"
                return _with_pixels(Skipped(file=path, kind=kind, why=why), frame)
        return _measure_pixels(frame, rig)
    except UnusableFrame as error:
        return FrameFailure(exposure=exposure, file=str(path), fault=error.fault, remedy=error.remedy)
    except Exception as error:  # whatever befalls one frame must not cost the night; it is named, not hidden
        fault, remedy = _unforeseen(error)
        return FrameFailure(exposure=exposure, file=str(path), fault=fault, remedy=remedy)


def _skipped(file: Path, exposure: Exposure, memory_bytes: int | None) -> Skipped:
    """A frame that is no light; the pixels of a bias or dark frame tell what the camera adds by itself."""
    skipped = Skipped(file=exposure.file, kind=exposure.kind, why=f"the header says it is a {exposure.kind} frame")
    if exposure.kind == "flat":
        return skipped
    try:
        if memory_bytes is not None:
            refuse_too_large(file, exposure.file, memory_bytes)
        frame = read_frame(file)
    except UnusableFrame:  # nothing is lost but what it would have told
        return skipped
    return _with_pixels(skipped, replace(frame, exposure=replace(frame.exposure, file=exposure.file)))


def _with_pixels(skipped: Skipped, frame: Frame) -> Skipped:
    return skipped if skipped.kind == "flat" else replace(skipped, exposure=frame.exposure, unlit=measure_unlit(frame))


def _unforeseen(error: Exception) -> tuple[str, str]:
    """What happened, and what to do, where neither file nor reader said so."""
    if isinstance(error, MemoryError):
        return "there is too little memory for it", "Use fewer workers (--workers 1) or a machine with more memory."
    said = " ".join(f"{type(error).__name__}: {error}".removesuffix(": ").split())
    if isinstance(error, OSError):
        return f"the system failed while it was measured ({said})", "Check disk and memory, then run again."
    remedy = "This is a fault of framecheck: please report it, with the file if you can."
    return f"framecheck could not measure it ({said})", remedy


def measure_night(
    paths: Sequence[Path],
    rig: Rig | None = None,
    executor: Executor | Staffing | None = None,
    progress: Progress | None = None,
    logbook: Logbook | None = None,
    memory_bytes: int | None = None,
) -> Measurements:
    """Measure all frames of a night.

    Parameters
    ----------
    paths : sequence of Path
        FITS files, of any kind.
    rig : Rig, optional
        What is known of the equipment.
    executor : Executor or callable, optional
        Where frames are measured, or what makes that for the frames that have to be, and is not called for none; a
        process pool of one worker a core (`worker_pool`) if not given. A cluster's is `Client(...).get_executor()` of
        dask's `distributed`.
    progress : callable, optional
        Called after each file with files done, files in all, and the file.
    logbook : Logbook, optional
        Frames that it knows are not measured again; the others are written down as they come.
    memory_bytes : int, optional
        A frame that takes more fails, and says so.
    """
    rig = rig or Rig()
    outcomes: dict[int, Outcome] = {}

    def done(index: int, outcome: Outcome) -> None:
        outcomes[index] = outcome
        if progress is not None:
            progress(len(outcomes), len(paths), paths[index])

    if logbook is not None:
        for index, path in enumerate(paths):
            if (known := logbook.recall(path, rig)) is not None:
                done(index, known)
    unknown = {index: path for index, path in enumerate(paths) if index not in outcomes}
    if unknown:
        with _staff(executor, list(unknown.values())) as workers:
            for index, outcome in _as_completed(unknown, rig, workers, memory_bytes):
                if logbook is not None:
                    logbook.record(paths[index], rig, outcome)
                done(index, outcome)
    ordered = [outcomes[i] for i in sorted(outcomes)]
    return Measurements(
        results=tuple(o for o in ordered if isinstance(o, FrameResult)),
        failures=tuple(o for o in ordered if isinstance(o, FrameFailure)),
        skipped=tuple(o for o in ordered if isinstance(o, Skipped)),
    )


def _staff(executor: Executor | Staffing | None, paths: Sequence[Path]) -> AbstractContextManager[Executor]:
    """The executor for these frames; one that was handed in stays open."""
    if executor is None:
        return worker_pool(worth_starting(len(paths)))
    return nullcontext(executor) if isinstance(executor, Executor) else executor(paths)


def worth_starting(n_frames: int) -> int:
    """Workers for so many frames: one a core, but none for a single frame, since starting takes longer than that."""
    return min(os.cpu_count() or 1, max(1, n_frames // 2))


def side_by_side(executor: Executor) -> int:
    """How many frames an executor measures at a time: its cluster's threads, if it has one, else a core each."""
    cluster = getattr(executor, "_client", None)  # that is how dask's executor knows its cluster
    if cluster is None or not hasattr(cluster, "nthreads"):
        return os.cpu_count() or 1
    return max(1, sum(cluster.nthreads().values()))


def _as_completed(
    paths: Mapping[int, Path], rig: Rig, executor: Executor, memory_bytes: int | None
) -> Iterator[tuple[int, Outcome]]:
    """Outcomes as they come.

    A worker that dies takes the frames that wait for it along with the one it died of, and again, and again: each frame
    on which workers failed is measured once more, alone.
    """
    measure = measure_file if memory_bytes is None else partial(measure_file, memory_bytes=memory_bytes)
    suspects: dict[int, Path] = {}
    for index, future in _side_by_side(paths, rig, executor, measure):
        if _died(future):
            suspects[index] = paths[index]
        else:
            yield index, future.result()
    for index, path in suspects.items():
        future = executor.submit(measure, path, rig)
        yield index, _failed_alone(future, path) if _died(future) else future.result()


def _side_by_side(
    paths: Mapping[int, Path], rig: Rig, executor: Executor, measure: Callable[[Path, Rig], Outcome]
) -> Iterator[tuple[int, Future[Outcome]]]:
    """What becomes of frames, as it comes, with only a few of them under way at a time."""
    waiting = iter(paths.items())
    under_way: dict[Future[Outcome], int] = {}
    limit, asked = IN_FLIGHT * side_by_side(executor), time.monotonic()
    while True:
        if time.monotonic() - asked > ASK_AGAIN_S:  # clusters grow and shrink
            limit, asked = IN_FLIGHT * side_by_side(executor), time.monotonic()
        while len(under_way) < limit and (following := next(waiting, None)) is not None:
            under_way[executor.submit(measure, following[1], rig)] = following[0]
        if not under_way:
            return
        done, _ = wait(under_way, return_when=FIRST_COMPLETED)
        for future in done:
            yield under_way.pop(future), future


def _died(future: Future[Outcome]) -> bool:
    """Whether workers failed on a frame again and again; raises if nobody is left to measure the others."""
    error = future.exception()
    if error is None:
        return False
    if isinstance(error, BrokenExecutor) or not isinstance(error, Exception):
        raise error
    return True


def _failed_alone(future: Future[Outcome], path: Path) -> FrameFailure:
    """The failure of a frame on which workers failed though no other was under way: it is named, the night goes on."""
    error = future.exception()
    said = " ".join(f"{type(error).__name__}: {error}".split())
    remedy = "Look at the log of the workers: memory may have run out. Give each more, or leave the frame out."
    return FrameFailure(exposure=None, file=str(path), fault=f"the workers failed on it ({said})", remedy=remedy)


def judge_night(
    folder: Path,
    measurements: Measurements,
    rig: Rig | None = None,
    aim: Aim = "balanced",
    guiding: GuidingRecord | None = None,
) -> Judgement:
    """Set the frames of a night beside each other, grade them and say what was found; no pixel is read.

    Parameters
    ----------
    folder : Path
        Where the frames lie; names in the results are relative to it.
    measurements : Measurements
        What `measure_night` found.
    rig : Rig, optional
        What is known of the equipment; the headers fill in what it leaves out.
    aim : {"depth", "balanced", "detail"}
        What the stack is for.
    guiding : GuidingRecord, optional
        What the guider saw meanwhile.
    """
    known, results = settle_facts(measurements, rig or Rig())
    night = build_night(folder, known, results, measurements.failures, measurements.skipped, guiding)
    return judge(night, aim)


def settle_facts(measurements: Measurements, rig: Rig) -> tuple[Rig, tuple[FrameResult, ...]]:
    """The rig as file, headers, plate solutions and calibration frames tell it together, and the frames with it."""
    return with_facts_that_can_be(rig, with_unlit(measurements.results, measurements.skipped, rig))


def worker_pool(workers: int) -> ProcessPoolExecutor:
    """Build a pool of worker processes, each with one thread: frames, not matrices, are what runs side by side."""
    for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(variable, "1")
    return ProcessPoolExecutor(max(1, workers), mp_context=get_context("spawn"), initializer=_load_libraries)


def _end_with_parent() -> None:
    """See that a worker ends when whoever started it is gone, even killed: none is left waiting for frames."""
    parent = parent_process()

    def wait_for_the_end() -> None:
        if parent is not None:
            parent.join()
            os._exit(1)

    Thread(target=wait_for_the_end, daemon=True).start()


def _load_libraries() -> None:
    """Load in a worker, as it starts, what measuring imports late: its first frame is then as quick as the others."""
    _end_with_parent()
    import scipy.ndimage
    import scipy.spatial
    import scipy.special  # noqa: F401
