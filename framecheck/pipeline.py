"""The whole way, from files to a judgement, on one screen."""

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from datetime import UTC, timedelta
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np

from framecheck.decision.grades import Aim
from framecheck.decision.judge import judge
from framecheck.decision.judgement import Judgement
from framecheck.errors import UnusableFrame
from framecheck.field import FrameFailure, FrameResult, frame_shape, stacked_star
from framecheck.logbook import Logbook
from framecheck.memory import keep_freed_memory, refuse_too_large
from framecheck.motion import build_night
from framecheck.motion.standing import scale_of_standing
from framecheck.night.doubted import with_facts_that_can_be, with_measured_scale
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
from framecheck.sky.moon import shows_the_moon
from framecheck.stars import measure_stars
from framecheck.workers import Staffing, measured_side_by_side, staffing

BURNT_OUT: Final = 0.7
"""Share of the sensor's range that the sky fills, from which it is what drowns the stars. [dimensionless] Chosen."""

Outcome = FrameResult | FrameFailure | Skipped
Progress = Callable[[int, int, Path], None]
"""Called with frames done, frames in all, and the file just done."""


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
    gain, pedestal = rig.gain_e_per_adu or exposure.gain_e_per_adu, rig.pedestal_adu or exposure.pedestal_adu
    if shows_the_moon(frame):
        raise UnusableFrame(
            exposure.file,
            "shows the Moon (or the Sun) and no field of stars",
            "Keep it for a picture of its own; this night is judged without it.",
        )
    sky = above_ground(frame, measure_sky(frame))
    if gain is None and pedestal is not None and not exposure.processed:
        gain = sky.summary().gain_shown(pedestal)
    measured = measure_stars(frame, sky, rig.saturation_adu or exposure.saturation_adu, gain)
    if measured.stars.n_found == 0:
        full_adu = np.iinfo(frame.pixels.dtype).max if frame.pixels.dtype.kind == "u" else np.inf
        raise _without_stars(exposure, measured.sky.summary(pedestal).level_adu / (measured.clip_adu or full_adu))
    return FrameResult(
        exposure=exposure,
        sky=measured.sky.summary(pedestal),
        stars=measured.stars,
        shape=frame_shape(measured),
        stacked=stacked_star(measured),
        saturation_adu=measured.clip_adu,
    )


def _without_stars(exposure: Exposure, filled: float) -> UnusableFrame:
    """What to say of a frame without stars, whose sky fills such a share of the sensor's range."""
    if filled > BURNT_OUT:
        return UnusableFrame(
            exposure.file,
            f"the sky alone fills {100 * min(filled, 1):.0f} % of the sensor's range; no stars were found in it",
            "Expose shorter, close the lens down or lower the gain until the sky fills a third at most.",
        )
    return UnusableFrame(
        exposure.file,
        "no stars were found in it",
        "Check for cloud, a cap, or focus that is far off; leave it out of the stack.",
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
        fault, remedy = _unforeseen(error, path)
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


def _unforeseen(error: Exception, path: Path) -> tuple[str, str]:
    """What happened, and what to do, where neither file nor reader said so."""
    if isinstance(error, MemoryError):
        return "there is too little memory for it", "Use fewer workers (--workers 1) or a machine with more memory."
    said = " ".join(f"{type(error).__name__}: {error}".removesuffix(": ").split())
    said = said.replace(str(path), path.name)  # a report is shared: it does not tell where the frames lie
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
    tell: Callable[[str], None] | None = None,
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
    tell : callable, optional
        Called with a sentence if nothing comes back for long.

    Raises
    ------
    CannotFinish
        If workers are lost again and again, or nothing comes back at all; the logbook keeps what was measured.
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
    measure = partial(measure_file, rig=rig)
    if memory_bytes is not None:
        measure = partial(measure, memory_bytes=memory_bytes)
    for index, outcome in measured_side_by_side(unknown, measure, staffing(executor), tell):
        if logbook is not None:
            logbook.record(paths[index], rig, outcome)
        done(index, outcome)
    return sorted_out([outcomes[i] for i in sorted(outcomes)])


def sorted_out(outcomes: Iterable[Outcome]) -> Measurements:
    """What became of files, each kind by itself."""
    results: list[FrameResult] = []
    failures: list[FrameFailure] = []
    skipped: list[Skipped] = []
    for one in outcomes:
        if isinstance(one, FrameResult):
            results.append(one)
        elif isinstance(one, FrameFailure):
            failures.append(one)
        else:
            skipped.append(one)
    return Measurements(results=tuple(results), failures=tuple(failures), skipped=tuple(skipped))


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
    keep_freed_memory()
    known, results = settle_facts(measurements, rig or Rig())
    night = build_night(folder, known, results, measurements.failures, measurements.skipped, guiding)
    scale = scale_of_standing(night)
    if scale is not None:  # the lens is not what is written on it
        known, results = with_measured_scale(known, scale, results)
        night = build_night(folder, known, results, measurements.failures, measurements.skipped, guiding)
    return judge(night, aim)


def settle_facts(measurements: Measurements, rig: Rig) -> tuple[Rig, tuple[FrameResult, ...]]:
    """The rig as file, headers, plate solutions and calibration frames tell it together, and the frames with it."""
    results = tuple(_in_utc(result, rig) for result in measurements.results)
    return with_facts_that_can_be(rig, with_unlit(results, measurements.skipped, rig))


def _in_utc(result: FrameResult, rig: Rig) -> FrameResult:
    """A frame whose clock does not name its zone, where the rig file does."""
    local = result.exposure.start_local
    if local is None or rig.clock_ahead_h is None:
        return result
    start = local.replace(tzinfo=UTC) - timedelta(hours=rig.clock_ahead_h)
    known = result.exposure.provenance
    provenance = {**known, "start_utc": known.get("start_local", "the camera's clock") + " and rig file"}
    exposure = replace(result.exposure, start_utc=start, start_local=None, provenance=provenance)
    return replace(result, exposure=exposure)
