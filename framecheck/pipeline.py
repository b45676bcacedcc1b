"""The whole way, from files to a judgement, on one screen."""

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from multiprocessing import get_context, parent_process
from pathlib import Path
from threading import Thread

from framecheck.decision.judge import judge
from framecheck.decision.judgement import Aim, Judgement
from framecheck.errors import UnusableFrame
from framecheck.field import FrameFailure, FrameResult, frame_shape, stacked_star
from framecheck.logbook import Logbook
from framecheck.night import build_night
from framecheck.night.guiding import GuidingRecord
from framecheck.night.records import Skipped
from framecheck.read import Exposure, Frame, Rig, kind_from_pixels, merge_rig, read_exposure, read_frame
from framecheck.sky import measure_sky
from framecheck.stars import measure_stars

Outcome = FrameResult | FrameFailure | Skipped
Progress = Callable[[int, int, Path], None]
"""Called with frames done, frames in all, and the file just done."""
Staffing = Callable[[int], AbstractContextManager[Executor]]
"""Makes an executor for so many frames."""

IN_FLIGHT = 4
"""Frames handed to each worker ahead of time. Chosen: no worker waits, and no queue grows with the night."""


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
    exposure = frame.exposure
    gain = rig.gain_e_per_adu or exposure.gain_e_per_adu
    sky = measure_sky(frame)
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


def measure_file(path: Path, rig: Rig) -> Outcome:
    """Measure a file if it is a light frame; say what it is, or what is wrong with it, if not."""
    exposure: Exposure | None = None
    try:
        exposure = read_exposure(path)
        if exposure.kind not in ("light", "unknown"):
            return Skipped(file=path, kind=exposure.kind, why=f"the header says it is a {exposure.kind} frame")
        frame = read_frame(path)
        if exposure.kind == "unknown":
            kind = kind_from_pixels(frame)
            if kind in ("dark", "flat", "bias"):
                return Skipped(
                    file=path, kind=kind, why=f"the pixels look like a {kind} frame; the header does not say"
                )
        return _measure_pixels(frame, rig)
    except UnusableFrame as error:
        return FrameFailure(exposure=exposure, file=str(path), fault=error.fault, remedy=error.remedy)
    except Exception as error:  # whatever befalls one frame must not cost the night; it is named, not hidden
        fault, remedy = _unforeseen(error)
        return FrameFailure(exposure=exposure, file=str(path), fault=fault, remedy=remedy)


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
) -> Measurements:
    """Measure all frames of a night.

    Parameters
    ----------
    paths : sequence of Path
        FITS files, of any kind.
    rig : Rig, optional
        What is known of the equipment.
    executor : Executor or callable, optional
        Where frames are measured, or what makes that for a number of frames, and is not called for none; a process
        pool of one worker a core (`worker_pool`) if not given.
    progress : callable, optional
        Called after each file with files done, files in all, and the file.
    logbook : Logbook, optional
        Frames that it knows are not measured again; the others are written down as they come.
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
        with _staff(executor, len(unknown)) as workers:
            for index, outcome in _as_completed(unknown, rig, workers):
                if logbook is not None:
                    logbook.record(paths[index], rig, outcome)
                done(index, outcome)
    ordered = [outcomes[i] for i in sorted(outcomes)]
    return Measurements(
        results=tuple(o for o in ordered if isinstance(o, FrameResult)),
        failures=tuple(o for o in ordered if isinstance(o, FrameFailure)),
        skipped=tuple(o for o in ordered if isinstance(o, Skipped)),
    )


def _staff(executor: Executor | Staffing | None, n_frames: int) -> AbstractContextManager[Executor]:
    """The executor for so many frames; one that was handed in stays open."""
    if executor is None:
        return worker_pool(min(os.cpu_count() or 1, max(1, n_frames // 2)))
    return nullcontext(executor) if isinstance(executor, Executor) else executor(n_frames)


def _as_completed(paths: Mapping[int, Path], rig: Rig, executor: Executor) -> Iterator[tuple[int, Outcome]]:
    """Outcomes as they come, with only a few frames under way at a time."""
    waiting = iter(paths.items())
    under_way: dict[Future[Outcome], int] = {}
    limit = IN_FLIGHT * (os.cpu_count() or 1)
    while True:
        while len(under_way) < limit and (following := next(waiting, None)) is not None:
            under_way[executor.submit(measure_file, following[1], rig)] = following[0]
        if not under_way:
            return
        done, _ = wait(under_way, return_when=FIRST_COMPLETED)
        for future in done:
            yield under_way.pop(future), future.result()


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
    merged = merge_rig(rig or Rig(), [result.exposure for result in measurements.results])
    night = build_night(folder, merged, measurements.results, measurements.failures, measurements.skipped, guiding)
    return judge(night, aim)


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
    import scipy.spatial  # noqa: F401
