"""Measure what frames of real cameras cost beside a rendered one of 26 megapixels, in the same run.

    python benchmarks/measure_real_frames.py FOLDER
    python benchmarks/measure_real_frames.py FOLDER --leave-out discs --label "0.2"

All frames under the folder that may hold stars are measured from the file to the result, warm, in one process with
one thread, by the processor's own clock; the least of several times counts. The rendered frame (`render_frame.py`) is
measured again after every few of them, so that a machine that grows slow slows both. What the header calls a dark, a
bias or a flat is left aside, and what cannot be measured at all is named.
"""

import argparse
import contextlib
import csv
import os
import sys
import time
import warnings
from collections.abc import Iterable, Sequence
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parent))
from measure_speed import ONE_THREAD, render

HISTORY = Path(__file__).parent / "real_frames_history.csv"
MEDIAN_BAR = 1.0  # the median frame against the rendered one
WORST_BAR = 2.5  # and the slowest
RENDERED_MEGAPIXELS = 26.0
BETWEEN = 8  # real frames between two looks at the rendered one


def light_frames(folder: Path, left_out: Sequence[str]) -> list[Path]:
    """The files that the header does not call a calibration frame."""
    from framecheck.errors import UnusableFrame
    from framecheck.read import find_frames, read_exposure

    out = []
    for path in find_frames(folder):
        if not set(left_out) & set(path.relative_to(folder).parts):
            with contextlib.suppress(UnusableFrame):
                if read_exposure(path).kind in ("light", "unknown"):
                    out.append(path)
    return out


def processor_seconds(path: Path, times: int) -> float:
    """The least of several measurements of a frame, after one that does not count."""
    from framecheck import measure_frame

    spent = []
    for _ in range(times + 1):
        start = time.process_time()
        measure_frame(path)
        spent.append(time.process_time() - start)
    return min(spent[1:])


def measure(frames: Sequence[Path], rendered: Path, times: int) -> tuple[dict[Path, float], float]:
    """Processor seconds of each frame that can be measured, and of the rendered one."""
    from framecheck.errors import UnusableFrame

    seconds, beside = {}, []
    for number, path in enumerate(frames):
        if number % BETWEEN == 0:
            beside.append(processor_seconds(rendered, times))
        try:
            seconds[path] = processor_seconds(path, times)
        except UnusableFrame as error:
            print(f"left aside: {path.name}: {error.fault}")
    return seconds, min(beside)


def report(ratios: dict[Path, float], rendered: float, folder: Path) -> None:
    """Print each folder's ratios to the rendered frame, and the bars."""
    print(f"rendered frame of {RENDERED_MEGAPIXELS:g} megapixels: {rendered * 1e3:.0f} ms; ratios of the others to it")
    for place in dict.fromkeys(path.parent for path in ratios):
        own = [ratio for path, ratio in ratios.items() if path.parent == place]
        print(f"  {place.relative_to(folder)!s:30}{len(own):4} frames{_span(own)}")
    every = list(ratios.values())
    slowest = max(ratios, key=lambda path: ratios[path])
    print(f"  {'all':30}{len(every):4} frames{_span(every)}, slowest {slowest.name}")
    for words, value, bar in (("median", median(every), MEDIAN_BAR), ("slowest", max(every), WORST_BAR)):
        print(f"{words}, bar {bar}: {'met' if value <= bar else 'MISSED'}")


def _span(ratios: Iterable[float]) -> str:
    least, *_, most = sorted([*ratios, *ratios])
    return f"   median {median(ratios):5.2f}   ({least:.2f} to {most:.2f})"


def keep(label: str, ratios: dict[Path, float]) -> None:
    """Add the figures to the history: ratios, no seconds and no names of files."""
    new = not HISTORY.exists()
    with HISTORY.open("a", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        if new:
            writer.writerow(("label", "frames", "median", "least", "most"))
        own = sorted(ratios.values())
        writer.writerow((label, len(own), *(f"{value:.3g}" for value in (median(own), own[0], own[-1]))))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--leave-out", nargs="*", default=[], metavar="NAME", help="folders of frames without stars")
    parser.add_argument("--times", type=int, default=3, help="how often each frame is measured; the least counts")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="keep the rendered frame here, and use it again")
    parser.add_argument("--label", help="add the figures to real_frames_history.csv under this name")
    arguments = parser.parse_args()
    warnings.simplefilter("ignore")
    frames = light_frames(arguments.folder, arguments.leave_out)
    with TemporaryDirectory() as scratch:
        path = render(arguments.keep or Path(scratch), RENDERED_MEGAPIXELS, "sparse")
        seconds, rendered = measure(frames, path, arguments.times)
    if not seconds:
        raise SystemExit(f"No frame under {arguments.folder} could be measured.")
    ratios = {path: spent / rendered for path, spent in seconds.items()}
    report(ratios, rendered, arguments.folder)
    if arguments.label:
        keep(arguments.label, ratios)


if __name__ == "__main__":
    if ONE_THREAD.items() <= os.environ.items():
        main()
    else:  # it must be set before numpy starts
        os.execve(sys.executable, [sys.executable, *sys.argv], os.environ | ONE_THREAD)
