"""Measure framecheck's speed and memory beside general-purpose libraries, on the same pixels, in the same run.

    python benchmarks/measure_speed.py                          # 26 megapixels, 5 rounds
    python benchmarks/measure_speed.py --sizes 9 26 62 --only framecheck
    python benchmarks/measure_speed.py --kinds sparse crowded compressed mosaic
    python benchmarks/measure_speed.py --label 0.2              # and keep the figures in history.csv

Seconds differ from machine to machine; what lasts is the ratio to sep's work in the same round: Background of 64 px
meshes, its subtraction, and extraction at 2 sigma with 5 pixels at least. Reading is counted for framecheck (from the
open file to the result) and not for the others; imports count for nobody. Each run has a fresh process with one thread,
and the programs take turns, so that a busy machine slows them all alike. The first frame of a process pays for memory
that the next one finds ready: both are told, and the processor's own time of the next, which other work on the machine
disturbs less than the clock's. Memory is the peak above what the imports took, in units of the 16-bit pixels.
"""

import argparse
import contextlib
import csv
import importlib
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
NEXT_FRAMES = 3  # measured after the first; the quickest counts
BARS = {(26, "sparse"): 0.25, (62, "sparse"): 0.16, (26, "crowded"): 0.10, (26, "compressed"): 0.8, (26, "mosaic"): 0.3}
MEMORY_BAR = 1.8
PHOTUTILS_BAR = 60  # how many times as long it takes
KINDS = {  # stars a megapixel above ten times their noise, and how the frame is drawn
    "sparse": (115, ()),
    "crowded": (800, ()),
    "compressed": (115, ("--compressed",)),
    "mosaic": (115, ("--mosaic",)),
}
FIELDS = ("first", "next", "cpu")

Run = Callable[[], tuple[float, int, float]]
"""Measures one frame; gives seconds of the clock, stars found, seconds of the processor."""


def framecheck_whole(path: Path) -> Run:
    """From the file to the result."""
    from framecheck import measure_frame

    def run() -> tuple[float, int, float]:
        start, cpu = time.perf_counter(), time.process_time()
        result = measure_frame(path)
        return time.perf_counter() - start, result.stars.n_found, time.process_time() - cpu

    return run


def sep_work(path: Path) -> Run:
    """Background, subtraction, extraction: sep 1.4 and its documentation."""
    import sep

    def run() -> tuple[float, int, float]:
        pixels = _read(path)
        start, cpu = time.perf_counter(), time.process_time()
        sky = sep.Background(pixels, bw=MESH_PX, bh=MESH_PX)
        sky.subfrom(pixels)
        found = sep.extract(pixels, 2.0, err=sky.globalrms, minarea=5)
        return time.perf_counter() - start, len(found), time.process_time() - cpu

    sep.set_extract_pixstack(5_000_000)
    return run


def photutils_work(path: Path) -> Run:
    """Background2D, DAOStarFinder, and a fit of some of the stars."""
    import numpy as np
    from photutils.background import Background2D
    from photutils.detection import DAOStarFinder
    from photutils.psf import fit_fwhm

    def run() -> tuple[float, int, float]:
        pixels = _read(path)
        start, cpu = time.perf_counter(), time.process_time()
        sky = Background2D(pixels, (MESH_PX, MESH_PX), filter_size=(3, 3))
        pixels -= sky.background
        found = DAOStarFinder(threshold=4 * sky.background_rms_median, fwhm=3.5)(pixels)
        places = np.column_stack([found["x_centroid"], found["y_centroid"]])
        inside = np.all((places > 8) & (places < np.array(pixels.shape[::-1]) - 9), axis=1) & (found["peak"] < 6e4)
        fit_fwhm(pixels, xypos=places[inside][:FITTED], fwhm=3.5, fit_shape=(9, 9))
        return time.perf_counter() - start, len(found), time.process_time() - cpu

    return run


PROGRAMS = {"sep": sep_work, "framecheck": framecheck_whole, "photutils": photutils_work}


def _read(path: Path) -> Any:
    import numpy as np
    from astropy.io import fits

    pixels = fits.getdata(path).astype(np.float32)
    if "mosaic" in path.name:  # the sky of its four places at one level, as far as another program can go
        for k in range(4):
            place = pixels[k // 2 :: 2, k % 2 :: 2]
            place -= np.median(place[::8, ::8])
    return pixels


def _peak_bytes() -> int:
    """Highest memory of this process; Linux counts in kibibytes, macOS in bytes."""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak if sys.platform == "darwin" else peak * 1024


def child(name: str, path: Path, late: Sequence[str]) -> None:
    """Run one program on a frame twice, after all that it imports, and print what it took."""
    warnings.simplefilter("ignore")
    run = PROGRAMS[name](path)
    known = set(sys.modules)
    for module in late:
        with contextlib.suppress(ImportError):
            importlib.import_module(module)
    before = _peak_bytes()
    first, n_stars, _ = run()
    peak = _peak_bytes()
    following = [_timed(run) for _ in range(1 if name == "photutils" else NEXT_FRAMES)]
    new = [module for module in sys.modules if module not in known]
    taken = {"first": first, "next": min(clock for clock, _ in following), "cpu": min(cpu for _, cpu in following)}
    print(json.dumps(taken | {"memory": peak - before, "stars": n_stars, "late": new}))


def _timed(run: Run) -> tuple[float, float]:
    clock, _, cpu = run()
    return clock, cpu


def one_run(name: str, path: Path, late: Sequence[str] = ()) -> dict[str, Any]:
    """Run a program in a process of its own, with the modules that it loads late loaded first."""
    command = [sys.executable, str(Path(__file__)), "--child", name, str(path), *late]
    done = subprocess.run(command, capture_output=True, text=True, env=os.environ | ONE_THREAD)
    if done.returncode:
        raise SystemExit(f"{name} failed on {path.name}:\n{done.stderr}")
    return json.loads(done.stdout.splitlines()[-1])


def measure(path: Path, names: Sequence[str], rounds: int) -> dict[str, list[dict[str, Any]]]:
    """Runs of each program, taking turns; photutils, which is slow, runs in the first round alone."""
    late = {name: one_run(name, path)["late"] for name in names}
    runs: dict[str, list[dict[str, Any]]] = {name: [] for name in names}
    for turn in range(rounds):
        for name in names:
            if name != "photutils" or turn == 0:
                runs[name].append(one_run(name, path, late[name]))
    return runs


def figures(runs: dict[str, list[dict[str, Any]]], n_bytes: int) -> dict[str, dict[str, float]]:
    """Ratios to sep's work of the same round: median, least and most; memory in units of the pixels."""
    table = {}
    for name, own in runs.items():
        row: dict[str, float] = {}
        for which in FIELDS:
            ratios = [run[which] / base[which] for run, base in zip(own, runs["sep"], strict=False)]
            row |= {which: median(ratios), f"{which}_low": min(ratios), f"{which}_high": max(ratios)}
        row["memory"] = max(run["memory"] for run in own) / n_bytes
        row["stars"] = own[0]["stars"]
        row["seconds"] = median(run["next"] for run in own)
        table[name] = row
    return table


def report(megapixels: float, kind: str, table: dict[str, dict[str, float]]) -> None:
    """Print the figures of one frame, with the bars."""
    print(f"\n{megapixels:g} megapixels, {kind}    ratio to sep's work of the same round, least to most")
    print(f"  {'':12}{'first frame':>22}{'next frame':>22}{'its processor time':>22}{'memory/pixels':>15}{'stars':>8}")
    for name, row in table.items():
        spans = [f"{row[w]:6.2f} ({row[f'{w}_low']:.2f} to {row[f'{w}_high']:.2f})" for w in FIELDS]
        print(f"  {name:12}{''.join(f'{span:>22}' for span in spans)}{row['memory']:>15.2f}{row['stars']:>8.0f}")
    if "framecheck" in table:
        row, bar = table["framecheck"], BARS.get((round(megapixels), kind))
        if bar is not None:
            for which, words in zip(FIELDS, ("first frame", "next frame", "processor time"), strict=True):
                print(f"  ratio of the {words}, bar {bar}: {_met(row[which] <= bar)}")
        print(f"  memory, bar {MEMORY_BAR}: {_met(row['memory'] <= MEMORY_BAR)}")
        if "photutils" in table:
            times = table["photutils"]["next"] / row["next"]
            print(f"  photutils takes {times:.0f} times as long, bar {PHOTUTILS_BAR}: {_met(times >= PHOTUTILS_BAR)}")


def _met(is_met: bool) -> str:
    return "met" if is_met else "MISSED"


def keep(label: str, megapixels: float, kind: str, rounds: int, table: dict[str, dict[str, float]]) -> None:
    """Add the figures to the history: ratios, no seconds and no names of machines."""
    columns = [f"{which}{part}" for which in FIELDS for part in ("", "_low", "_high")] + ["memory", "stars"]
    new = not HISTORY.exists()
    with HISTORY.open("a", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        if new:
            writer.writerow(("label", "megapixels", "kind", "rounds", "program", *columns))
        for name, row in table.items():
            values = (f"{row[column]:.3g}" if column != "stars" else int(row[column]) for column in columns)
            writer.writerow((label, f"{megapixels:g}", kind, rounds, name, *values))


def render(folder: Path, megapixels: float, kind: str) -> Path:
    """Render a frame in a process of its own: its memory must not count for the programs started from here."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{megapixels:g}-megapixels-{kind}.fits"
    if not path.exists():
        density, options = KINDS[kind]
        command = [sys.executable, str(HERE / "render_frame.py"), str(path), "--megapixels", str(megapixels), *options]
        subprocess.run([*command, "--stars", str(round(density * megapixels))], check=True)
    return path


def pixel_bytes(megapixels: float) -> int:
    """Bytes of a frame's 16-bit pixels, before any compression."""
    from render_frame import scene_of

    scene = scene_of(megapixels)
    return 2 * scene.width * scene.height


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", type=float, nargs="+", default=[26.0], metavar="MEGAPIXELS")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--only", nargs="+", choices=list(PROGRAMS), default=list(PROGRAMS))
    parser.add_argument("--kinds", nargs="+", choices=list(KINDS), default=["sparse"])
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="keep the rendered frames here, and use them again")
    parser.add_argument("--label", help="add the figures to history.csv under this name")
    parser.add_argument("--child", nargs="+", help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.child:
        name, path, *late = arguments.child
        child(name, Path(path), late)
        return
    names = ["sep", *(name for name in arguments.only if name != "sep")]
    with TemporaryDirectory() as scratch:
        for megapixels in arguments.sizes:
            for kind in arguments.kinds:
                path = render(arguments.keep or Path(scratch), megapixels, kind)
                table = figures(measure(path, names, arguments.rounds), pixel_bytes(megapixels))
                report(megapixels, kind, table)
                if arguments.label:
                    keep(arguments.label, megapixels, kind, arguments.rounds, table)


if __name__ == "__main__":
    main()
