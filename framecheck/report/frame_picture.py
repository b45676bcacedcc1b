"""One frame as a picture: stretched small, the shapes of its stars over it, and its mean star beside the round one."""

from typing import TYPE_CHECKING, Final

import numpy as np

from framecheck.decision.field_cells import FieldCells, field_cells
from framecheck.decision.judgement import Judgement
from framecheck.field.result import FrameResult
from framecheck.report.drawing import rows_upwards
from framecheck.report.field_map import whisker_lines
from framecheck.report.frame_account import FrameAccount
from framecheck.report.star_picture import draw_star, star_and_round
from framecheck.report.thumbnail import Shades
from framecheck.words import fixed, plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WIDTH_PX: Final = 1200
FRAME_PX: Final = 860
"""Longer side of the frame."""
_STAR_PX: Final = 250
_EDGE_PX: Final = 30
_LINE_PX: Final = 24
_NAMES_PX: Final = 110
_MOST_SIGNS: Final = 118
"""In a line of the account. Chosen: it stays on the picture."""
_DPI: Final = 100
_PAPER: Final = "#10141b"
_INK: Final = "#e8e5dd"
_QUIET: Final = "#9ba5b1"
_WHISKER: Final = "#ffd34e"
_STARS_A_CELL: Final = 10
"""Chosen: twice the fewest that a cell needs."""


def frame_picture(judgement: Judgement, shades: Shades, account: FrameAccount) -> "Figure":
    """The one frame of a night as a figure on dark paper.

    Parameters
    ----------
    judgement : Judgement
        Of this frame alone.
    shades : ndarray, shape (n_y, n_x)
        The frame stretched small, its first row first.
    account : FrameAccount
        What is told beneath it.
    """
    from matplotlib.figure import Figure

    (frame,) = judgement.night.frames
    exposure = frame.result.exposure
    scale = FRAME_PX / max(exposure.width_px, exposure.height_px)
    wide, tall = exposure.width_px * scale, exposure.height_px * scale
    lines = _lines(account)
    body = max(tall, 2 * _STAR_PX + 90)
    height = _EDGE_PX + 64 + body + 66 + _LINE_PX * len(lines) + _EDGE_PX
    figure = Figure(figsize=(_WIDTH_PX / _DPI, height / _DPI), dpi=_DPI, facecolor=_PAPER)
    page = _axes(figure, height, 0, 0, _WIDTH_PX, height)
    page.set_axis_off()
    page.set_xlim(0, _WIDTH_PX)
    page.set_ylim(height, 0)
    _say(page, _EDGE_PX, _EDGE_PX + 12, plain(exposure.file.name), size_px=24)
    _say(page, _EDGE_PX, _EDGE_PX + 44, plain(account.about), colour=_QUIET)
    top = _EDGE_PX + 64
    over = _axes(figure, height, _EDGE_PX, top, wide, tall)
    cells = _frame(over, frame.result, shades, judgement)
    _key(page, _EDGE_PX, top + tall + 22, cells, wide)
    _mean_star(figure, page, height, _EDGE_PX + max(wide, FRAME_PX) + 30, top, frame.result)
    for number, (name, line) in enumerate(lines):
        y = top + body + 60 + _LINE_PX * number
        _say(page, _EDGE_PX, y, name, colour=_QUIET)
        _say(page, _EDGE_PX + _NAMES_PX, y, line)
    return figure


def _lines(account: FrameAccount) -> list[tuple[str, str]]:
    """Name and text of each line beneath the pictures; a name stands on the first of its lines."""
    from textwrap import wrap

    return [
        (name if number == 0 else "", line)
        for name, text in account.lines
        for number, line in enumerate(wrap(plain(text), _MOST_SIGNS) or [""])
    ]


def _axes(figure: "Figure", height: float, left: float, top: float, wide: float, tall: float) -> "Axes":
    axes = figure.add_axes((left / _WIDTH_PX, 1 - (top + tall) / height, wide / _WIDTH_PX, tall / height))
    axes.set_facecolor("none")
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_color(_QUIET)
        spine.set_linewidth(0.6)
    return axes


def _say(page: "Axes", x: float, y: float, text: str, *, size_px: float = 16, colour: str = _INK) -> None:
    page.text(x, y, text, color=colour, fontsize=size_px * 72 / _DPI, va="center", parse_math=False)


def _frame(axes: "Axes", result: FrameResult, shades: Shades, judgement: Judgement) -> FieldCells | None:
    """The frame, and over it the shapes of its stars; the cells that these stand for."""
    wide, tall = result.exposure.width_px, result.exposure.height_px
    left, bottom, right, top = result.exposure.light_area or (0, 0, wide, tall)
    axes.imshow(
        shades, cmap="gray", vmin=0, vmax=255, origin="lower", interpolation="antialiased",
        aspect="auto", extent=(left - 0.5, right - 0.5, bottom - 0.5, top - 0.5),
    )  # fmt: skip
    axes.set_xlim(-0.5, wide - 0.5)
    axes.set_ylim(*rows_upwards(tall, result.exposure.first_row_on_top))
    cells = field_cells(judgement.night, judgement.grades, most_columns=_columns(len(result.stars.good), wide, tall))
    if cells is None:
        return None
    lines = whisker_lines(cells)
    for colour, width in ((_PAPER, 4.6), (_WHISKER, 2.2)):
        axes.plot(lines.x, lines.y, color=colour, linewidth=width, solid_capstyle="round")
        axes.plot(lines.dots_x, lines.dots_y, linestyle="none", marker="o", markersize=1.6 * width, color=colour)
    return cells


def _columns(n_stars: int, wide: int, tall: int) -> int:
    """Cells along the longer side, so that each holds enough stars of this one frame."""
    return int(np.clip(np.sqrt(n_stars / _STARS_A_CELL * max(wide, tall) / min(wide, tall)), 2, 12))


def _key(page: "Axes", left: float, y: float, cells: FieldCells | None, wide_px: float) -> None:
    if cells is None:
        _say(page, left, y, "Too few good stars to show their shape over the field.", colour=_QUIET)
        return
    lines = whisker_lines(cells)
    length = lines.key_length_px * wide_px / cells.width_px
    page.plot([left, left + length], [y, y], color=_WHISKER, linewidth=2.2, solid_capstyle="round")
    _say(page, left + length + 12, y, f"elongation {lines.key_elongation:g}, along the long axis", colour=_QUIET)
    page.plot([left + length + 330], [y], marker="o", markersize=3.5, color=_WHISKER)
    _say(page, left + length + 342, y, "round", colour=_QUIET)


def _mean_star(figure: "Figure", page: "Axes", height: float, left: float, top: float, result: FrameResult) -> None:
    """The mean star above the round one of its area."""
    star, shape = result.stacked, result.shape
    if star is None or shape is None:
        _say(page, left, top + 12, "No mean star: too few good ones.", colour=_QUIET)
        return
    names = (f"mean star, {fixed(len(star.image) * star.pixel_px, 1)} px across", "the round star of its area")
    for row, (name, image) in enumerate(zip(names, star_and_round(star, shape), strict=True)):
        above = top + row * (_STAR_PX + 44)
        axes = _axes(figure, height, left, above, _STAR_PX, _STAR_PX)
        draw_star(axes, image, star.pixel_px, _PAPER)
        if result.exposure.first_row_on_top:
            axes.invert_yaxis()
        _say(page, left, above + _STAR_PX + 18, name, colour=_QUIET, size_px=15)
