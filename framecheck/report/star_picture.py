"""The mean star of single frames as images, each above the round star of its size."""

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.decision.judgement import Judgement
from framecheck.field.result import FrameShape, StackedStar
from framecheck.report.chart import Chart
from framecheck.report.drawing import INK, PAPER, QUIET, inline_svg, new_figure, place, quiet_frame
from framecheck.report.motion_chart import main_group
from framecheck.report.words import fixed, plain

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Picture = tuple[str, str, StackedStar, FrameShape, str | None]
"""What it stands for, the file, its star, its shape, and what the star drew."""

_TILE_PX: Final = 150
_GAP_PX: Final = 10
_HEAD_PX: Final = 22
_FOOT_PX: Final = 42
_MARGIN: Final = 1.25
"""Side of the pictures at least, over the long axis of the longest star. Chosen: its ring stays inside."""
_PATHS: Final = {"round": "round", "line": "a line", "hook": "a hooked line", "two blobs": "two places"}


def star_chart(judgement: Judgement) -> Chart | None:
    """The roundest, the usual and the longest frame; None if no frame has a mean star."""
    pictures = _pictures(judgement)
    if not pictures:
        return None
    n = len(pictures)
    figure = new_figure(n * _TILE_PX + (n - 1) * _GAP_PX, _HEAD_PX + 2 * _TILE_PX + _FOOT_PX + 22)
    filled = min(star.image.shape[0] * star.pixel_px for _, _, star, _, _ in pictures)
    side = max(filled, _MARGIN * max(shape.fwhm_px * shape.elongation**0.5 for _, _, _, shape, _ in pictures))
    for column, picture in enumerate(pictures):
        _column(figure, column, picture, side)
    told = [
        f"{name} ({plain(file)}): {fixed(shape.elongation, 2)} times as long as wide, {fixed(shape.fwhm_px, 2)} px FWHM"
        + ("" if path is None else f", drew {_PATHS[path]}")
        for name, file, _, shape, path in pictures
    ]
    return Chart(
        name="stars",
        title="The mean star, and the round one it should be",
        caption=(
            f"Above: all good stars of a frame laid on each other, over {fixed(side, 1)} px. Below: round stars of the "
            "same area. The ring is at half the brightness of the middle; shades follow the square root of the light."
        ),
        drawing=inline_svg(figure, "mean-stars", "Mean star of single frames", "; ".join(told) + "."),
    )


def _pictures(judgement: Judgement) -> list[Picture]:
    group = main_group(judgement)
    if group is None:
        return []
    tracking = judgement.night.tracking.get(group.id)
    drew = {} if tracking is None else dict(zip(tracking.smears.frames, tracking.smears.path, strict=True))
    known = []
    for index in group.members:
        result = judgement.night.frames[index].result
        if result.stacked is not None and result.shape is not None:
            known.append((result.shape.elongation, index, result.stacked, result.shape, result.exposure.file.name))
    known.sort(key=lambda one: one[:2])
    if not known:
        return []
    chosen = {"the roundest": known[0], "the usual": known[len(known) // 2], "the longest": known[-1]}
    if len(known) < len(chosen):
        chosen = {"the longest": known[-1]}
    return [(name, one[4], one[2], one[3], drew.get(one[1])) for name, one in chosen.items()]


def _column(figure: "Figure", column: int, picture: Picture, side: float) -> None:
    name, file, star, shape, _ = picture
    left = column * (_TILE_PX + _GAP_PX)
    n = star.image.shape[0]
    at = (np.arange(n) - (n - 1) / 2) * star.pixel_px
    x, y = np.meshgrid(at, at)
    round_star = round_moffat(shape.fwhm_px, shape.moffat_beta, np.hypot(x, y))
    for row, image in enumerate((np.asarray(star.image, dtype=float), round_star)):
        axes = place(figure, left, _HEAD_PX + row * (_TILE_PX + _GAP_PX), _TILE_PX, _TILE_PX)
        quiet_frame(axes, sides=())
        axes.set_xticks([])
        axes.set_yticks([])
        edge = float(at[-1] + star.pixel_px / 2)
        axes.imshow(
            np.sqrt(np.clip(image / image.max(), 0, 1)), cmap="cividis", vmin=0, vmax=1, origin="lower",
            extent=(-edge, edge, -edge, edge), interpolation="none",
        )  # fmt: skip
        axes.contour(at, at, image / image.max(), levels=[0.5], colors=[PAPER], linewidths=1.2)
        axes.set_xlim(-side / 2, side / 2)
        axes.set_ylim(-side / 2, side / 2)
    words = place(figure, left, 0, _TILE_PX, _HEAD_PX + 2 * _TILE_PX + _GAP_PX + _FOOT_PX)
    words.set_axis_off()
    words.set_xlim(0, _TILE_PX)
    words.set_ylim(_HEAD_PX + 2 * _TILE_PX + _GAP_PX + _FOOT_PX, 0)
    words.text(0, 8, name, color=INK, fontsize=13, va="center")
    foot = _HEAD_PX + 2 * _TILE_PX + _GAP_PX
    words.text(0, foot + 14, f"elongation {fixed(shape.elongation, 2)}", color=INK, fontsize=12.5, va="center")
    shown = plain(file)
    shown = shown if len(shown) <= 24 else "…" + shown[-23:]
    words.text(0, foot + 30, shown, color=QUIET, fontsize=11, va="center", parse_math=False)


def round_moffat(fwhm_px: float, beta: float, radius_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """Brightness of a round star over that of its middle; a Gaussian one where beta is infinite."""
    if not np.isfinite(beta):
        gauss: NDArray[np.float64] = np.exp2(-4 * radius_px**2 / fwhm_px**2)
        return gauss
    core = np.exp2(1 / beta) - 1
    out: NDArray[np.float64] = (1 + 4 * core * radius_px**2 / fwhm_px**2) ** -beta
    return out
