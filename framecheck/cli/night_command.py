"""`framecheck night`: a folder in, a report out."""

import os
from pathlib import Path

from framecheck.cli.night_summary import failure_line, night_lines
from framecheck.cli.terminal import ProgressLine, safe, say, warn
from framecheck.decision.judgement import Aim
from framecheck.errors import NothingMeasured, UnusableRequest
from framecheck.night.records import Skipped
from framecheck.pipeline import Measurements, judge_night, measure_night, worker_pool
from framecheck.read import Rig, find_frames, find_others, load_rig
from framecheck.report.night_json import json_text, night_document
from framecheck.report.write import prepare_folder, write_night


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
) -> int:
    """Measure, judge and report a folder; the number of files that could not be measured.

    Raises
    ------
    UnusableRequest, UnusableRig, NothingMeasured
        With a sentence for the user.
    """
    if not folder.is_dir():
        raise UnusableRequest(f"{safe(folder)} is not a folder. Name the folder that holds the night's frames.")
    rig = load_rig(rig_file) if rig_file is not None else Rig()
    prepare_folder(out)
    paths = [path for path in find_frames(folder) if out.resolve() not in path.resolve().parents or out == folder]
    if not paths:
        raise NothingMeasured(
            f"{safe(folder)} holds no FITS file (.fits, .fit, .fts, also .fz and .gz). Name the folder of the frames."
        )
    measurements = _measure(paths, rig, workers, quiet)
    if not measurements.results:
        for failure in measurements.failures:
            warn(failure_line(failure))
        raise NothingMeasured(_nothing_sentence(folder, measurements))
    others = tuple(Skipped(file=path, kind="not a frame", why=why) for path, why in find_others(folder))
    complete = Measurements(
        results=measurements.results, failures=measurements.failures, skipped=measurements.skipped + others
    )
    judgement = judge_night(folder, complete, rig, aim)
    written = write_night(judgement, out, stars=stars)
    if as_json:
        say(json_text(night_document(judgement)).rstrip("\n"))
    elif not quiet:
        say("\n".join(night_lines(judgement)))
        say()
        say(f"Open {written.page}")
    else:
        for failure in measurements.failures:
            warn(failure_line(failure))
    return len(measurements.failures)


def _measure(paths: list[Path], rig: Rig, workers: int | None, quiet: bool) -> Measurements:
    count = workers or min(os.cpu_count() or 1, max(1, len(paths) // 2))
    with ProgressLine("Measuring frames:", quiet=quiet) as progress, worker_pool(count) as pool:
        try:
            return measure_night(paths, rig, pool, progress)
        except KeyboardInterrupt:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _nothing_sentence(folder: Path, measurements: Measurements) -> str:
    if measurements.failures:
        return f"none of the {len(measurements.failures)} frames in {safe(folder)} could be measured; see above why."
    kinds = sorted({skipped.kind for skipped in measurements.skipped})
    return (
        f"{safe(folder)} holds no light frames, only {' and '.join(kinds)} frames. "
        "Name the folder of the lights; if these are lights, their IMAGETYP is wrong."
    )
