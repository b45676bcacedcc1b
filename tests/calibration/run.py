"""Draw the calibration set, judge it, and say how far confidence can be trusted.

    python tests/calibration/run.py --nights 400 --seed 1 --keep DIR [--fit]

Nights are drawn once and kept in DIR; run again, only their judging is done anew.
"""

import argparse
import os
import pickle
import sys
import time
from pathlib import Path
from tempfile import gettempdir
from typing import Final

from drawn_frames import drawn_frame
from marks import Judged, fit_map, summary, write_results
from recipe import DrawnNight, draw_night

from framecheck.causes.calibration import AS_IT_IS, MAP_FILE, Map, calibration
from framecheck.causes.weigh import weigh
from framecheck.field import FrameFailure, FrameResult
from framecheck.motion import build_night
from framecheck.pipeline import Measurements
from framecheck.read import merge_rig
from framecheck.workers import worker_pool

RESULTS: Final = Path(__file__).parents[2] / "shared" / "calibration"
VERSION: Final = 3
"""Of the drawn nights: one more when the recipe or the drawing changes, so that kept ones are drawn again."""


def main() -> None:
    """Parse, draw, judge, write."""
    parser = argparse.ArgumentParser(description="Draw a set of nights and calibrate the confidence of causes on it.")
    parser.add_argument("--nights", type=int, default=400)
    parser.add_argument("--first", type=int, default=0, help="number of the first night")
    parser.add_argument("--seed", type=int, default=1, help="of the set: calibrate on one, report on another")
    parser.add_argument(
        "--keep", type=Path, default=Path(gettempdir()) / "framecheck-calibration", help="where drawn nights are kept"
    )
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, default=RESULTS)
    parser.add_argument("--fit", action="store_true", help="fit the map that framecheck goes by, and write it")
    parser.add_argument("--worst", type=int, default=40, help="mistakes to print")
    options = parser.parse_args()
    folder = options.keep / f"seed-{options.seed}-v{VERSION}"
    folder.mkdir(parents=True, exist_ok=True)
    numbers = range(options.first, options.first + options.nights)
    judged: list[Judged] = []
    begin = time.perf_counter()
    by = AS_IT_IS if options.fit else calibration()
    with worker_pool(options.workers) as pool:
        jobs = [pool.submit(one_night, options.seed, number, folder, dict(by)) for number in numbers]
        for done, job in enumerate(jobs, 1):
            judged.append(job.result())
            if done % 20 == 0:
                sys.stderr.write(f"{done} of {len(jobs)} nights, {time.perf_counter() - begin:.0f} s\n")
    if options.fit:
        fit_map(judged, MAP_FILE)
    else:
        options.out.mkdir(parents=True, exist_ok=True)
        write_results(judged, options.out)
    sys.stdout.write("\n".join(summary(judged, options.worst)) + "\n")


def one_night(seed: int, number: int, folder: Path, by: Map) -> Judged:
    """Draw a night, or take the one kept, and ask every cause."""
    path = folder / f"{number:04d}.pickle"
    if path.exists():
        night, measurements = pickle.loads(path.read_bytes())
    else:
        night = draw_night(seed, number)
        measurements = measured(night)
        part = path.with_suffix(f".{os.getpid()}")
        part.write_bytes(pickle.dumps((night, measurements)))
        part.replace(path)
    return judged_night(night, measurements, by)


def measured(night: DrawnNight) -> Measurements:
    """All frames of a night, drawn."""
    folder = Path(night.name)
    frames = [
        drawn_frame(night.scenario, i, folder=folder, hidden=night.hidden) for i in range(night.scenario.plan.frames)
    ]
    return Measurements(
        results=tuple(one for one in frames if isinstance(one, FrameResult)),
        failures=tuple(one for one in frames if isinstance(one, FrameFailure)),
        skipped=(),
    )


def judged_night(night: DrawnNight, measurements: Measurements, by: Map | None = None) -> Judged:
    """What framecheck says of a drawn night."""
    begin = time.perf_counter()
    rig = merge_rig(night.rig, [result.exposure for result in measurements.results])
    built = build_night(Path(night.name), rig, measurements.results, measurements.failures, measurements.skipped)
    findings, undecided = weigh(built, built.rig, by)
    confidence = {one.cause: one.confidence for one in findings}
    log_odds = {one.cause: one.log_odds for one in findings if one.log_odds is not None}
    return Judged(
        name=night.name,
        visibility=dict(night.visibility),
        causes=night.causes,
        slight=night.slight_causes,
        confidence=confidence,
        log_odds=log_odds,
        undecided=frozenset(one.cause for one in undecided),
        seconds=time.perf_counter() - begin,
    )


if __name__ == "__main__":
    main()
