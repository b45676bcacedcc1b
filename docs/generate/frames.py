"""Pictures of the tutorial: some frames of its night, as an image viewer would show them."""

from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

from framecheck import measure_frame
from framecheck.read import read_frame

_PAPER, _INK = "#10151d", "#e8ecf2"


def draw_frames(lights: Path, names: dict[str, str], target: Path, *, side: int = 60) -> None:
    """Draw the middle of some frames, enlarged about a bright star, side by side on one scale.

    Parameters
    ----------
    lights : Path
        Folder of the frames.
    names : dict
        File -> what to write above it.
    target : Path
        The picture to write.
    side : int
        Half the side of the part shown. [px]
    """
    figure = Figure(figsize=(3.1 * len(names), 3.45), facecolor=_PAPER)
    for k, (name, title) in enumerate(names.items()):
        frame = read_frame(lights / name)
        x, y = _bright_star(lights / name, side)
        part = np.asarray(frame.pixels, dtype=float)[y - side : y + side, x - side : x + side]
        axes = figure.add_axes((k / len(names) + 0.004, 0.0, 1 / len(names) - 0.008, 0.9))
        axes.set_axis_off()
        low, high = np.percentile(part, [5, 99.7])
        axes.imshow(np.sqrt(np.clip((part - low) / (high - low), 0, 1)), cmap="gray", origin="lower")
        figure.text(k / len(names) + 0.012, 0.975, title, color=_INK, size=9.5, va="top")
    target.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(target, dpi=150, facecolor=_PAPER, metadata={"Software": None})


def _bright_star(path: Path, side: int) -> tuple[int, int]:
    """Pixel of the brightest measured star that is not at the edge."""
    result = measure_frame(path)
    stars, exposure = result.stars.table, result.exposure
    inside = (abs(stars["x"] - exposure.width_px / 2) < exposure.width_px / 2 - side - 1) & (
        abs(stars["y"] - exposure.height_px / 2) < exposure.height_px / 2 - side - 1
    )
    best = stars[inside][np.argmax(stars[inside]["flux_adu"])]
    return round(float(best["x"])), round(float(best["y"]))
