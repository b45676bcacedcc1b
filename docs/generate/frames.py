"""Pictures of the tutorial: some frames of its night, as an image viewer would show them."""

import json
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

from framecheck import measure_frame
from framecheck.read import read_frame

_PAPER, _INK = "#10151d", "#e8ecf2"


def draw_frames(lights: Path, report: Path, names: dict[str, str], target: Path, *, side: int = 60) -> None:
    """Draw the surroundings of one star, enlarged, in some frames side by side, on one scale.

    Parameters
    ----------
    lights : Path
        Folder of the frames.
    report : Path
        Their night.json, which tells how far the stars have moved from one to the next.
    names : dict
        File -> what to write above it. The star is the brightest unclipped one of the first.
    target : Path
        The picture to write.
    side : int
        Half the side of the part shown. [px]
    """
    rows = {row["file"]: row for row in json.loads(report.read_text(encoding="utf-8"))["frames"]}
    first = next(iter(names))
    star = _bright_star(lights / first, 2 * side)
    figure = Figure(figsize=(3.1 * len(names), 3.45), facecolor=_PAPER)
    span = None
    for k, (name, title) in enumerate(names.items()):
        x, y = (
            round(star[i] + rows[name][key] - rows[first][key]) for i, key in enumerate(("shift_x_px", "shift_y_px"))
        )
        part = np.asarray(read_frame(lights / name).pixels, dtype=float)[y - side : y + side, x - side : x + side]
        low = float(np.percentile(part, 5))
        span = span or float(np.percentile(part, 99.6)) - low
        axes = figure.add_axes((k / len(names) + 0.004, 0.0, 1 / len(names) - 0.008, 0.9))
        axes.set_axis_off()
        axes.imshow(np.sqrt(np.clip((part - low) / span, 0, 1)), cmap="gray", origin="lower")
        figure.text(k / len(names) + 0.012, 0.975, title, color=_INK, size=9.5, va="top")
    target.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(target, dpi=150, facecolor=_PAPER, metadata={"Software": None})


def _bright_star(path: Path, margin: int) -> tuple[float, float]:
    """Place of the brightest good star that is not near the edge. [px]"""
    result = measure_frame(path)
    stars, exposure = result.stars.good, result.exposure
    off_x = np.abs(stars["x"] - exposure.width_px / 2) - exposure.width_px / 2
    off_y = np.abs(stars["y"] - exposure.height_px / 2) - exposure.height_px / 2
    inside = stars[(off_x < -margin) & (off_y < -margin)]
    best = inside[np.argmax(inside["flux_adu"])]
    return float(best["x"]), float(best["y"])
