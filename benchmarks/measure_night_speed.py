"""Measure what a night costs: frames an hour, two workers against one, memory of a worker, judging, a second look.

    python benchmarks/measure_night_speed.py                        # 26 megapixels; some minutes
    python benchmarks/measure_night_speed.py --frames 10 100 1000   # how the pace changes with the night's length
    python benchmarks/measure_night_speed.py --label 0.2            # and keep the figures in night_history.csv

A night is one rendered frame many times, each with its own time. One worker and two take turns on it, warm (started,
libraries loaded, one frame measured). What lasts is their ratio, on a quiet machine: where other work holds the cores,
two workers get no more of them than one, and the load that is told with the ratio says so. Processor seconds a frame
are told as well: two workers on two free cores are faster by twice the seconds of one over those of two.
"""

import argparse
import csv
import json
import os
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from datetime import datetime, timedelta
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parent))
from measure_speed import ONE_THREAD, render

HISTORY = Path(__file__).parent / "night_history.csv"
RATIO_BAR = 1.8  # two warm workers against one
MEMORY_BAR_MB = 200  # a worker at 26 megapixels
SECOND_BAR = 0.05  # a second look at a night against the first


def account(_: object = None) -> tuple[int, float, float]:
    """Number of this process, its processor seconds, and its highest memory in MB; NaN where there is no proc(5)."""
    time.sleep(0.2)  # so that no worker answers for both
    status = Path("/proc/self/status")
    if not status.exists():
        return os.getpid(), time.process_time(), float("nan")
    line = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
    return os.getpid(), time.process_time(), int(line.split()[1]) * 1024 / 1e6


def accounts(pool: ProcessPoolExecutor) -> dict[int, tuple[float, float]]:
    """Processor seconds and highest memory of each worker."""
    return {number: (seconds, memory) for number, seconds, memory in pool.map(account, range(6))}


def copies(frame: Path, folder: Path, count: int) -> list[Path]:
    """The frame so many times, each begun two minutes after the one before it."""
    folder.mkdir(parents=True, exist_ok=True)
    content = bytearray(frame.read_bytes())
    at = content.index(b"DATE-OBS= '") + len(b"DATE-OBS= '")
    begun = datetime.fromisoformat(content[at : at + 19].decode())
    paths = [folder / f"light_{number:05}.fits" for number in range(count)]
    for number, path in enumerate(paths):
        content[at : at + 19] = (begun + timedelta(seconds=125 * number)).isoformat(timespec="seconds").encode()
        path.write_bytes(content)
    return paths


def warm(pool: ProcessPoolExecutor, frame: Path, workers: int) -> None:
    """Let every worker measure a frame."""
    from framecheck.pipeline import measure_file
    from framecheck.read import Rig

    for future in [pool.submit(measure_file, frame, Rig()) for _ in range(2 * workers)]:
        future.result()


def pace(pool: ProcessPoolExecutor, paths: list[Path]) -> tuple[float, float]:
    """Frames a second, and processor seconds a frame in all workers."""
    from framecheck.pipeline import measure_night

    before = sum(seconds for seconds, _ in accounts(pool).values())
    start = time.perf_counter()
    measured = measure_night(paths, executor=pool)
    passed = time.perf_counter() - start
    assert len(measured.results) == len(paths)
    spent = sum(seconds for seconds, _ in accounts(pool).values()) - before
    return len(paths) / passed, spent / len(paths)


def side_by_side(frame: Path, folder: Path, frames: int, rounds: int) -> dict[str, float]:
    """Pace of one worker and of two, taking turns, and the memory of each worker."""
    from framecheck.workers import worker_pool

    paths = copies(frame, folder, frames)
    with worker_pool(1) as one, worker_pool(2) as two:
        warm(one, frame, 1)
        warm(two, frame, 2)
        before = os.getloadavg()[0]  # before it counts our own work
        runs = [(pace(one, paths), pace(two, paths)) for _ in range(rounds)]
        memory = max(peak for pool in (one, two) for _, peak in accounts(pool).values())
    ratios = [double / single for (single, _), (double, _) in runs]
    spent_one, spent_two = (median(run[which][1] for run in runs) for which in (0, 1))
    return {
        "load_before": before,
        "one_worker_frames_per_hour": 3600 * median(single for (single, _), _ in runs),
        "two_workers_frames_per_hour": 3600 * median(double for _, (double, _) in runs),
        "ratio": median(ratios),
        "ratio_low": min(ratios),
        "ratio_high": max(ratios),
        "processor_s_per_frame_one": spent_one,
        "processor_s_per_frame_two": spent_two,
        "ratio_by_processor_seconds": 2 * spent_one / spent_two,
        "worker_peak_mb": memory,
    }


def whole_command(folder: Path, out: Path, logbook: Path) -> tuple[float, float]:
    """Seconds of `framecheck night` as a user runs it, and processor seconds of it and its workers."""
    code = "from framecheck.cli.main import run; run()"
    words = ["night", str(folder), "--out", str(out), "--logbook", str(logbook), "--workers", "2", "--quiet"]
    before, start = os.times(), time.perf_counter()
    subprocess.run([sys.executable, "-c", code, *words], check=True, env=os.environ | ONE_THREAD)
    passed, after = time.perf_counter() - start, os.times()
    user, system = after.children_user - before.children_user, after.children_system - before.children_system
    return passed, user + system


def commands(frame: Path, scratch: Path, count: int) -> dict[str, float]:
    """The first look at a night, a second one, and one at a night that is measured but not judged."""
    folder, out, logbook = scratch / f"night-{count}", scratch / f"report-{count}", scratch / f"book-{count}.sqlite"
    copies(frame, folder, count)
    first, spent = whole_command(folder, out, logbook)
    second, spent_again = min(whole_command(folder, out, logbook) for _ in range(3))
    (out / "report.html").unlink()
    _, spent_judging = whole_command(folder, out, logbook)
    return {
        "first_s": first,
        "processor_s_per_frame": spent / count,
        "frames_per_hour": 3600 * count / first,
        "frames_per_hour_on_two_free_cores": 3600 * count / (spent / 2),
        "second_over_first": second / first,
        "second_over_first_by_processor_seconds": spent_again / spent,
        "judged_again_over_first_by_processor_seconds": spent_judging / spent,
        "logbook_kb_per_frame": logbook.stat().st_size / count / 1e3,
    }


def keep(label: str, megapixels: float, what: str, figures: dict[str, float]) -> None:
    """Add figures to the history, one a line."""
    new = not HISTORY.exists()
    with HISTORY.open("a", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        if new:
            writer.writerow(("label", "megapixels", "run", "figure", "value"))
        writer.writerows((label, f"{megapixels:g}", what, name, f"{value:.3g}") for name, value in figures.items())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--size", type=float, default=26.0, metavar="MEGAPIXELS")
    parser.add_argument("--frames", type=int, nargs="*", default=[300], help="lengths of nights for the whole command")
    parser.add_argument("--rounds", type=int, default=5, help="turns of one worker against two")
    parser.add_argument("--each", type=int, default=40, help="frames in each turn")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="keep the rendered frame here, and use it again")
    parser.add_argument("--label", help="add the figures to night_history.csv under this name")
    arguments = parser.parse_args()
    os.environ.update(ONE_THREAD)
    if arguments.keep is not None:
        arguments.keep.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(dir=arguments.keep) as scratch:  # on the disk of the frame, for links
        frame = render(arguments.keep or Path(scratch), arguments.size, "sparse")
        table = {"side by side": side_by_side(frame, Path(scratch) / "turns", arguments.each, arguments.rounds)}
        for count in arguments.frames:
            table[f"night of {count}"] = commands(frame, Path(scratch), count)
    for what, figures in table.items():
        print(json.dumps({what: {name: float(f"{value:.3g}") for name, value in figures.items()}}))
        if arguments.label:
            keep(arguments.label, arguments.size, what, figures)
    turns = table["side by side"]
    print(f"two warm workers, bar {RATIO_BAR}: {'met' if turns['ratio_high'] >= RATIO_BAR else 'MISSED'} at best,"
          f" {'met' if turns['ratio'] >= RATIO_BAR else 'MISSED'} in the median")  # fmt: skip
    print(
        f"memory of a worker, bar {MEMORY_BAR_MB} MB: {'met' if turns['worker_peak_mb'] <= MEMORY_BAR_MB else 'MISSED'}"
    )
    for count in arguments.frames:
        share = table[f"night of {count}"]["second_over_first"]
        print(f"second look at {count} frames, bar {SECOND_BAR}: {'met' if share <= SECOND_BAR else 'MISSED'}")


if __name__ == "__main__":
    main()
