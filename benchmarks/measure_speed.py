"""Measure framecheck's speed and memory beside general-purpose libraries, on the same pixels, in the same run.

    python benchmarks/measure_speed.py                          # 26 megapixels, 5 rounds
    python benchmarks/measure_speed.py --sizes 9 26 62 --only framecheck
    python benchmarks/measure_speed.py --date 2026-02-01        # and keep the figures in history.csv

Seconds differ from machine to machine; what lasts is the ratio to sep's work in the same round: Background of 64 px
meshes, its subtraction, and extraction at 2 sigma with 5 pixels at least. Reading is counted for framecheck (from the
open file to the result) and not for the others. Each run has a fresh process with one thread, and the programs take
turns, so that a busy machine slows them all alike. The first frame of a process, which loads what is loaded late, is
told apart from the next one. Memory is the peak above what the imports took, in units of the 16-bit pixels.
"""

import argparse
import csv
import json
import os
import resource
import subprocess
import sys
import time
import warnings
from collections.abc import Callable, Sequence
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Any

HERE = Path(__file__).parent
HISTORY = HERE / "history.csv"
ONE_THREAD = {f"{library}_NUM_THREADS": "1" for library in ("OMP", "OPENBLAS", "MKL", "NUMEXPR")}
MESH_PX = 64
FITTED = 500  # stars that photutils fits, one after the other
RATIO_BARS = {26: 0.5, 62: 0.35}
MEMORY_BAR = 2.5


def framecheck_whole(path: Path) -> Callable[[], tuple[float, int]]:
    """From the file to the result."""
    from framecheck import measure_frame

    def run() -> tuple[float, int]:
        start = time.perf_counter()
        result = measure_frame(path)
        return time.perf_counter() - start, result.stars.n_found

    return run


def sep_work(path: Path) -> Callable[[], tuple[float, int]]:
    """Background, subtraction, extraction: sep 1.4 and its documentation."""
    import sep

    def run() -> tuple[float, int]:
        pixels = _read(path)
        start = time.perf_counter()
        sky = sep.Background(pixels, bw=MESH_PX, bh=MESH_PX)
        sky.subfrom(pixels)
        found = sep.extract(pixels, 2.0, err=sky.globalrms, minarea=5)
        return time.perf_counter() - start, len(found)

    sep.set_extract_pixstack(5_000_000)
    return run


def photutils_work(path: Path) -> Callable[[], tuple[float, int]]:
    """Background2D, DAOStarFinder, and a fit of some of the stars."""
    import numpy as np
    from photutils.background import Background2D
    from photutils.detection import DAOStarFinder
    from photutils.psf import fit_fwhm

    def run() -> tuple[float, int]:
        pixels = _read(path)
        start = time.perf_counter()
        sky = Background2D(pixels, (MESH_PX, MESH_PX), filter_size=(3, 3))
        pixels -= sky.background
        found = DAOStarFinder(threshold=4 * sky.background_rms_median, fwhm=3.5)(pixels)
        places = np.column_stack([found["x_centroid"], found["y_centroid"]])
        inside = np.all((places > 8) & (places < np.array(pixels.shape[::-1]) - 9), axis=1) & (found["peak"] < 6e4)
        fit_fwhm(pixels, xypos=places[inside][:FITTED], fwhm=3.5, fit_shape=(9, 9))
        return time.perf_counter() - start, len(found)

    return run


PROGRAMS = {"sep": sep_work, "framecheck": framecheck_whole, "photutils": photutils_work}


def _read(path: Path) -> Any:
    import numpy as np
    from astropy.io import fits

    return fits.getdata(path).astype(np.float32)


def _peak_bytes() -> int:
    """Highest memory of this process; Linux counts in kibibytes, macOS in bytes."""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak if sys.platform == "darwin" else peak * 1024


def child(name: str, path: Path) -> None:
    """Run one program on a frame twice, and print what it took."""
    warnings.simplefilter("ignore")
    run = PROGRAMS[name](path)
    before = _peak_bytes()
    first, n_stars = run()
    peak = _peak_bytes()
    following, _ = run() if name != "photutils" else (first, 0)
    print(json.dumps({"first": first, "next": following, "memory": peak - before, "stars": n_stars}))


def one_run(name: str, path: Path) -> dict[str, float]:
    """Run a program in a process of its own."""
    command = [sys.executable, str(Path(__file__)), "--child", name, str(path)]
    done = subprocess.run(command, capture_output=True, text=True, env=os.environ | ONE_THREAD)
    if done.returncode:
        raise SystemExit(f"{name} failed on {path.name}:\n{done.stderr}")
    return json.loads(done.stdout.splitlines()[-1])


def measure(path: Path, names: Sequence[str], rounds: int) -> dict[str, list[dict[str, float]]]:
    """Runs of each program, taking turns; photutils, which is slow, runs in the first round alone."""
    runs: dict[str, list[dict[str, float]]] = {name: [] for name in names}
    for turn in range(rounds):
        for name in names:
            if name != "photutils" or turn == 0:
                runs[name].append(one_run(name, path))
    return runs


def figures(runs: dict[str, list[dict[str, float]]], pixel_bytes: int) -> dict[str, dict[str, float]]:
    """Ratios to sep's work of the same round: median, least and most; memory in units of the pixels."""
    table = {}
    for name, own in runs.items():
        row: dict[str, float] = {}
        for which in ("first", "next"):
            ratios = [run[which] / base[which] for run, base in zip(own, runs["sep"], strict=False)]
            row |= {which: median(ratios), f"{which}_low": min(ratios), f"{which}_high": max(ratios)}
        row["memory"] = max(run["memory"] for run in own) / pixel_bytes
        row["stars"] = own[0]["stars"]
        row["seconds"] = median(run["next"] for run in own)
        table[name] = row
    return table


def report(megapixels: float, table: dict[str, dict[str, float]]) -> None:
    """Print the figures of one size, with the bars."""
    print(f"\n{megapixels:g} megapixels    ratio to sep's work of the same round, least to most")
    print(f"  {'':12}{'first frame':>22}{'next frame':>22}{'memory/pixels':>15}{'stars':>8}")
    for name, row in table.items():
        spans = [f"{row[w]:6.2f} ({row[f'{w}_low']:.2f} to {row[f'{w}_high']:.2f})" for w in ("first", "next")]
        print(f"  {name:12}{spans[0]:>22}{spans[1]:>22}{row['memory']:>15.2f}{row['stars']:>8.0f}")
    if "framecheck" in table:
        row, bar = table["framecheck"], RATIO_BARS.get(round(megapixels))
        if bar is not None:
            for which in ("first", "next"):
                print(f"  ratio of the {which} frame, bar {bar}: {'met' if row[which] <= bar else 'MISSED'}")
        print(f"  memory, bar {MEMORY_BAR}: {'met' if row['memory'] <= MEMORY_BAR else 'MISSED'}")


def keep(date: str, megapixels: float, rounds: int, table: dict[str, dict[str, float]]) -> None:
    """Add the figures to the history: ratios, no seconds and no names of machines."""
    columns = ("first", "first_low", "first_high", "next", "next_low", "next_high", "memory", "stars")
    new = not HISTORY.exists()
    with HISTORY.open("a", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        if new:
            writer.writerow(("date", "commit", "megapixels", "rounds", "program", *columns))
        for name, row in table.items():
            values = (f"{row[column]:.3g}" if column != "stars" else int(row[column]) for column in columns)
            writer.writerow((date, _commit(), f"{megapixels:g}", rounds, name, *values))


def _commit() -> str:
    done = subprocess.run(["git", "describe", "--always", "--dirty"], cwd=HERE, capture_output=True, text=True)
    return done.stdout.strip() or "unknown"


def render(folder: Path, megapixels: float) -> Path:
    """Render a frame in a process of its own: its memory must not count for the programs started from here."""
    path = folder / f"{megapixels:g}-megapixels.fits"
    if not path.exists():
        command = [sys.executable, str(HERE / "render_frame.py"), str(path), "--megapixels", str(megapixels)]
        subprocess.run(command, check=True)
    return path


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", type=float, nargs="+", default=[26.0], metavar="MEGAPIXELS")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--only", nargs="+", choices=list(PROGRAMS), default=list(PROGRAMS))
    parser.add_argument("--frames", type=Path, help="folder to keep the rendered frames in")
    parser.add_argument("--date", help="keep the figures in history.csv under this date")
    parser.add_argument("--child", nargs=2, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.child:
        child(arguments.child[0], Path(arguments.child[1]))
        return
    names = ["sep", *(name for name in arguments.only if name != "sep")]
    with TemporaryDirectory() as scratch:
        for megapixels in arguments.sizes:
            path = render(arguments.frames or Path(scratch), megapixels)
            runs = measure(path, names, arguments.rounds)
            table = figures(runs, pixel_bytes=path.stat().st_size // 2880 * 2880)
            report(megapixels, table)
            if arguments.date:
                keep(arguments.date, megapixels, arguments.rounds, table)


if __name__ == "__main__":
    main()
