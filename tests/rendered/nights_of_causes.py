"""Nights in which the cause is known: what must be claimed of each, and what must not.

    python tests/rendered/nights_of_causes.py [NAME ...] [--keep DIR] [--again] [--frames]

renders the nights named (part of a name does; all without one) below DIR, measures each once, judges it and prints what
is claimed beside what is true. `--again` measures anew what was measured before, `--frames` shows every frame's stars.
A claim is a finding with a confidence of at least 0.5.
"""

import argparse
import hashlib
import os
import pickle
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from galsim_night import Scene, render
from known_nights import NIGHTS, NightOfCause

from framecheck.decision.judgement import Judgement
from framecheck.decision.records import Range
from framecheck.pipeline import Measurements, judge_night, measure_night
from framecheck.read import Rig as ToldRig

RENDERING = 4  # to be raised when the renderer draws otherwise, so that nights kept are drawn anew
CLAIM = 0.5
MARKS = {"period_s": 0.03, "periodic_peak_to_peak_arcsec": 0.15, "polar_error_arcmin": 0.25}
"""Largest relative error; 10 % where nothing else is said. A polar error may also lie in its interval."""


def measured(night: NightOfCause, folder: Path, again: bool = False) -> Measurements:
    """Measure a night, rendered first if it is not there; what is kept in `folder` is used again."""
    scene = night.build()
    kept, mark = folder / "measurements.pickle", folder / "recipe.txt"
    recipe = _recipe(night, scene)
    if not mark.exists() or mark.read_text() != recipe:
        render(scene, folder)
        kept.unlink(missing_ok=True)
        mark.write_text(recipe)
    if kept.exists() and not again:
        try:
            with kept.open("rb") as file:
                return pickle.load(file)
        except (AttributeError, TypeError, ImportError, pickle.UnpicklingError):
            pass  # the records have changed since
    with ThreadPoolExecutor(1) as here:
        result = measure_night(sorted(folder.glob("light_*.fits")), ToldRig(**night.told), here)
    if not result.failures:  # a fault of the moment is not kept
        kept.write_bytes(pickle.dumps(result))
    return result


def _recipe(night: NightOfCause, scene: Scene) -> str:
    """What tells whether a kept rendering is still that of this night."""
    probe = [
        (
            scene.focus_um(i),
            scene.transparency(i),
            scene.sky_factor(i),
            scene.scatter_px(i),
            scene.halo(i),
            scene.seeing_px(i),
            scene.tube_temp_c(i),
            scene.pointing(i, scene.times(i, 8)),
        )
        for i in range(scene.n_frames)
    ]
    plain = {k: v for k, v in vars(scene).items() if not callable(v) and k != "errors"}
    return hashlib.sha256(f"{RENDERING}{probe}{plain}".encode()).hexdigest()


def judged(night: NightOfCause, folder: Path, again: bool = False) -> Judgement:
    """Judge a night as a user would have it judged."""
    return judge_night(folder, measured(night, folder, again), ToldRig(**night.told))


def claims(judgement: Judgement) -> dict[str, float]:
    """Causes claimed, with their confidence."""
    return {f.cause: f.confidence for f in judgement.findings if f.confidence >= CLAIM}


def off_mark(night: NightOfCause, judgement: Judgement) -> dict[str, str]:
    """Figures of this night that miss their marks."""
    missed, true = {}, night.truth()
    for name in night.figures:
        value = getattr(judgement.tracking, name)
        low = high = None
        if isinstance(value, Range):
            value, low, high = value.value, value.low, value.high
        inside = low is not None and high is not None and low <= true[name] <= high
        near = value is not None and abs(value - true[name]) <= MARKS.get(name, 0.1) * abs(true[name])
        if not (inside or near):
            missed[name] = f"{value if value is None else round(value, 3)} for {true[name]:.3f}"
    return missed


def line(night: NightOfCause, judgement: Judgement) -> str:
    """One line: what is true, what is claimed, what is amiss."""
    made, failed = claims(judgement), judgement.night.failures
    lacking = [cause for cause in night.claimed if cause not in made]
    wrong = [cause for cause in night.forbidden if cause in made]
    hints = {f.cause: f.confidence for f in judgement.findings if f.confidence < CLAIM}
    parts = [
        f"{'ok ' if not lacking and not wrong else 'BAD'} {night.name:34}",
        "claims " + (", ".join(f"{c} {p:.2f}" for c, p in made.items()) or "nothing"),
        "lacking " + ", ".join(lacking) if lacking else "",
        "WRONGLY " + ", ".join(wrong) if wrong else "",
        f"{len(failed)} frames FAILED, first: {failed[0].fault}" if failed else "",
        "below 0.5: " + ", ".join(f"{c} {p:.2f}" for c, p in hints.items()) if hints else "",
        "off " + ", ".join(f"{k} {v}" for k, v in off_mark(night, judgement).items())
        if off_mark(night, judgement) else "figures ok" if night.figures else "",
    ]  # fmt: skip
    return " | ".join(part for part in parts if part)


def frames_table(judgement: Judgement) -> str:
    """Every frame's stars."""
    rows = []
    for frame in judgement.night.frames:
        shape, stars = frame.result.shape, frame.result.stars
        if shape is None:
            rows.append("    no shape")
            continue
        rows.append(
            f"    {shape.fwhm_px:6.2f} px  a/b {shape.elongation:.3f}  pa {shape.elongation_pa_deg or 0:5.0f}"
            f"  beta {shape.moffat_beta or 0:4.1f}  found {stars.n_found}  light {frame.transparency or 0:.2f}"
            f"  air mass {frame.airmass or 0:.2f}  {_by_place(stars.good)}"
        )
    return "\n".join(rows)


def _by_place(table: np.ndarray) -> str:
    """Median FWHM in the middle, at the edges and in the corners; mean shape along the radius out there."""
    u, v = table["x"] / np.max(table["x"]) * 2 - 1, table["y"] / np.max(table["y"]) * 2 - 1
    places = {"mid": np.hypot(u, v) < 0.6, "left": u < -0.5, "right": u > 0.5, "far": np.hypot(u, v) > 1}
    sizes = " ".join(f"{name} {_middle(table['fwhm_px'][chosen]):.2f}" for name, chosen in places.items())
    turn = 2 * np.arctan2(v * 2, u * 3)
    radial = (table["e1"] * np.cos(turn) + table["e2"] * np.sin(turn))[places["far"]]
    return f"{sizes}  radial {_middle(radial):+.3f}"


def _middle(values: np.ndarray) -> float:
    return float(np.median(values)) if len(values) else float("nan")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*")
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--again", action="store_true")
    parser.add_argument("--frames", action="store_true")
    asked = parser.parse_args()
    chosen = [n for n in NIGHTS if not asked.names or any(part in n.name for part in asked.names)]
    with tempfile.TemporaryDirectory() as passing:
        for night in chosen:
            began = time.perf_counter()
            judgement = judged(night, (asked.keep or Path(passing)) / night.name, asked.again)
            sys.stdout.write(f"{line(night, judgement)} | {time.perf_counter() - began:.1f} s\n")
            if asked.frames:
                sys.stdout.write(frames_table(judgement) + "\n")
            sys.stdout.flush()


if __name__ == "__main__":
    if "OMP_NUM_THREADS" not in os.environ:  # many small matrices: threads only stand in each other's way
        os.execve(sys.executable, [sys.executable, *sys.argv], {**os.environ, "OMP_NUM_THREADS": "1"})
    main()
