"""The mean star of single frames as images, each above the round star it should be, with the way that it moved."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.decision.judgement import Judgement
from framecheck.decision.mean_stars import MeanStarShown
from framecheck.field.result import FrameShape, StackedStar
from framecheck.report.chart import Chart
from framecheck.report.drawing import INK, PAPER, QUIET, TEXT_PX, inline_svg, new_figure, place, quiet_frame
from framecheck.words import fixed, plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Image = NDArray[np.float64]
_TILE_PX: Final = 128
_GAP_PX: Final = 8
_HEAD_PX: Final = 22
_FOOT_PX: Final = 40
_MARGIN: Final = 1.25
"""Side of the pictures at least, over the long axis of the longest star. Chosen: its ring stays inside."""
_PATHS: Final = {"round": "round", "line": "a line", "hook": "a hooked line", "two blobs": "two places"}


def star_chart(judgement: Judgement, pictures: Sequence[MeanStarShown]) -> Chart | None:
    """The roundest, the usual and the longest frame of a group; None if none of its frames has a mean star."""
    if not pictures:
        return None
    n = len(pictures)
    figure = new_figure(n * _TILE_PX + (n - 1) * _GAP_PX, _HEAD_PX + 2 * _TILE_PX + _FOOT_PX + 22)
    filled = min(one.star.image.shape[0] * one.star.pixel_px for one in pictures)
    side = max(filled, _MARGIN * max(one.shape.fwhm_px * one.shape.elongation**0.5 for one in pictures))
    names = [plain(judgement.night.frames[one.frame].result.exposure.file.name) for one in pictures]
    for column, (picture, name) in enumerate(zip(pictures, names, strict=True)):
        on_top = judgement.night.frames[picture.frame].result.exposure.first_row_on_top
        _column(figure, column, picture, name, (side, -side) if on_top else (-side, side))
    told = [
        f"{one.role} ({name}): elongation {fixed(one.shape.elongation, 2)}, {fixed(one.shape.fwhm_px, 2)} "
        "px FWHM" + ("" if one.path is None else f", drew {_PATHS[one.path]}")
        for one, name in zip(pictures, names, strict=True)
    ]
    moved = any(one.ends_px is not None for one in pictures)
    return Chart(
        name="stars",
        title="Mean star, and a round one beside it",
        caption=(
            f"Above: the average of a frame's good stars, {fixed(side, 1)} px wide. Below: round stars of the same area"
            + (", with the way the stars moved during the exposure" if moved else "")
            + ". Ring: half the peak. Shades follow the square root of the light."
        ),
        drawing=inline_svg(figure, "mean-stars", "Mean star of single frames", "; ".join(told) + "."),
    )


def _column(
    figure: "Figure", column: int, picture: MeanStarShown, name: str, bottom_to_top_px: tuple[float, float]
) -> None:
    star, shape = picture.star, picture.shape
    left = column * (_TILE_PX + _GAP_PX)
    for row, image in enumerate(star_and_round(star, shape)):
        axes = place(figure, left, _HEAD_PX + row * (_TILE_PX + _GAP_PX), _TILE_PX, _TILE_PX)
        quiet_frame(axes, sides=())
        axes.set_xticks([])
        axes.set_yticks([])
        draw_star(axes, image, star.pixel_px, PAPER)
        if row and picture.ends_px is not None:
            ends = np.array(picture.ends_px)
            joined, mark = ("none", "o") if picture.path == "two blobs" else ("-", "none")
            for colour, wide in ((PAPER, 2.4), (INK, 0.0)):  # a rim keeps it apart from bright and dark
                axes.plot(
                    ends.real, ends.imag, color=colour, linestyle=joined, marker=mark, linewidth=2 + wide,
                    markersize=5 + wide, markeredgewidth=0, solid_capstyle="round",
                )  # fmt: skip
        bottom, top = (edge / 2 for edge in bottom_to_top_px)
        axes.set_xlim(-abs(top), abs(top))
        axes.set_ylim(bottom, top)
    words = place(figure, left, 0, _TILE_PX, _HEAD_PX + 2 * _TILE_PX + _GAP_PX + _FOOT_PX)
    words.set_axis_off()
    words.set_xlim(0, _TILE_PX)
    words.set_ylim(_HEAD_PX + 2 * _TILE_PX + _GAP_PX + _FOOT_PX, 0)
    words.text(0, 8, picture.role, color=INK, fontsize=13, va="center")
    foot = _HEAD_PX + 2 * _TILE_PX + _GAP_PX
    words.text(0, foot + 14, f"elongation {fixed(shape.elongation, 2)}", color=INK, fontsize=TEXT_PX, va="center")
    shown = name if len(name) <= 17 else "…" + name[-16:]
    words.text(0, foot + 30, shown, color=QUIET, fontsize=TEXT_PX, va="center", parse_math=False)


def star_and_round(star: StackedStar, shape: FrameShape) -> tuple[Image, Image]:
    """The mean star of a frame, and the round one of its area in the same pixels."""
    x, y = np.meshgrid(_places(star.image, star.pixel_px), _places(star.image, star.pixel_px))
    return np.asarray(star.image, dtype=float), round_moffat(shape.fwhm_px, shape.moffat_beta, np.hypot(x, y))


def draw_star(axes: "Axes", image: Image, pixel_px: float, rim: str) -> None:
    """Shades by the square root of the light, with a ring at half the peak."""
    at, light = _places(image, pixel_px), image / image.max()
    edge = float(at[-1] + pixel_px / 2)
    axes.imshow(
        np.sqrt(np.clip(light, 0, 1)), cmap="cividis", vmin=0, vmax=1, origin="lower",
        extent=(-edge, edge, -edge, edge), interpolation="none",
    )  # fmt: skip
    axes.contour(at, at, light, levels=[0.5], colors=[rim], linewidths=1.2)


def _places(image: NDArray[np.floating], pixel_px: float) -> Image:
    """Middles of pixels along one side, from the image's middle. [px]"""
    return np.asarray((np.arange(len(image)) - (len(image) - 1) / 2) * pixel_px)


def round_moffat(fwhm_px: float, beta: float, radius_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """Brightness of a round star over that of its middle; a Gaussian one where beta is infinite."""
    if not np.isfinite(beta):
        gauss: NDArray[np.float64] = np.exp2(-4 * radius_px**2 / fwhm_px**2)
        return gauss
    core = np.exp2(1 / beta) - 1
    out: NDArray[np.float64] = (1 + 4 * core * radius_px**2 / fwhm_px**2) ** -beta
    return out
