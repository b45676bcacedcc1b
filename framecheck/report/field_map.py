"""Star shapes and sizes over the field in one picture: a stroke for the shape, a disc for the size."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.decision.field_cells import FieldCells
from framecheck.decision.judgement import Judgement
from framecheck.report.chart import WIDTH_PX, Chart
from framecheck.report.drawing import (
    INK,
    KEEP,
    QUIET,
    REJECT,
    TEXT_PX,
    inline_svg,
    new_figure,
    place,
    quiet_frame,
    rows_upwards,
)  # fmt: skip
from framecheck.words import counted, fixed, signed, told

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Values = NDArray[np.float64]

_ROUND: Final = 2.0
"""[standard errors] Chosen: what is less sure than this is drawn as a dot, as round."""
_ANCHOR: Final = 0.15
"""Change of size at which a disc is as large, or as small, as it gets: the same on every night, so that nights can be
compared and an even field looks even. Chosen."""
_SIZES: Final = ((-_ANCHOR, "15 % sharper"), (0.0, "median"), (_ANCHOR, "15 % wider"))
_ROOM_FOR_SIZE_PX: Final = 300
"""Width of the drawing from which the key has room for the sensor's size beside it."""
_HARDLY_LONG: Final = float(np.log(1.1))
"""ln(elongation) whose whisker fills its cell at the least. Chosen: a field that is rounder than that looks so."""
_KEYS: Final = (1.01, 1.02, 1.05, 1.1, 1.2, 1.5, 2.0, 3.0, 5.0, 10.0)
"""Elongations that a reader recognises, for the key."""


@dataclass(frozen=True, kw_only=True, slots=True)
class WhiskerLines:
    """What a map of whiskers draws, in pixels of the sensor."""

    x: Values
    y: Values
    """Ends of the lines, NaN between them."""
    dots_x: Values
    dots_y: Values
    """Cells too round to have a direction."""
    n_dots: int
    key_elongation: float
    """A round number near the longest."""
    key_length_px: float


def whisker_lines(cells: FieldCells, like: FieldCells | None = None) -> WhiskerLines:
    """Lines whose direction is that of the long axis and whose length is ln(elongation), to the scale of `like`."""
    size = np.abs(cells.e)
    step = min(cells.width_px / size.shape[1], cells.height_px / size.shape[0])
    longest = float(np.nanpercentile(np.abs((like or cells).e), 95))
    scale = 0.78 * step / max(longest, _HARDLY_LONG)
    sure = size > _ROUND * cells.error
    angle = np.angle(cells.e) / 2
    dx, dy = scale * size * np.cos(angle) / 2, scale * size * np.sin(angle) / 2
    dots = ~sure & np.isfinite(size)
    key = min(_KEYS, key=lambda key: abs(float(np.log(np.log(key) / max(longest, _HARDLY_LONG)))))
    return WhiskerLines(
        x=np.stack([cells.x - dx, cells.x + dx, np.full_like(dx, np.nan)], axis=-1)[sure].ravel(),
        y=np.stack([cells.y - dy, cells.y + dy, np.full_like(dy, np.nan)], axis=-1)[sure].ravel(),
        dots_x=cells.x[dots],
        dots_y=cells.y[dots],
        n_dots=int(dots.sum()),
        key_elongation=key,
        key_length_px=scale * float(np.log(key)),
    )


def field_chart(judgement: Judgement) -> Chart | None:
    """Shape and size of the stars over the field; None with too few of them."""
    cells = judgement.cells
    drawing = "" if cells is None else whisker_map(cells)
    if cells is None or not drawing:
        return None
    corners = "; ".join(f"{name} {signed(100 * wider, 0, ' %')}" for name, wider in cells.corners.items())
    return Chart(
        name="field",
        title="Stars over the field",
        caption=(
            "Stroke: direction and elongation. Disc: size. Even discs and short strokes are what you want; strokes all "
            "one way point to tracking, strokes along or around the radius to optics. "
            + (f"Size against the middle: {corners}." if corners else "")
        ),
        drawing=drawing,
    )


def rest_chart(judgement: Judgement) -> Chart | None:
    """The same shapes with the mount's motion taken off; None where none was measured."""
    cells, at_rest = judgement.cells, judgement.cells_at_rest
    drawing = "" if at_rest is None else whisker_map(at_rest, still=True, like=cells)
    if not drawing:
        return None
    return Chart(
        name="rest",
        title="Without the mount's motion",
        caption="The same stars to the same scale, less the motion common to a frame: what the optics do.",
        drawing=drawing,
    )


def whisker_map(cells: FieldCells, *, still: bool = False, like: FieldCells | None = None) -> str:
    """Whiskers over the sensor's outline; round is a dot.

    `still` names the picture of what remains without the mount's motion, drawn to the scale of `like`.
    """
    if not np.isfinite(cells.e).any():
        return ""
    figure, axes, below = _sensor(cells, below_px=44 if still else 80)
    lines = whisker_lines(cells, like)
    if not still:
        _discs(axes, below, cells)
    axes.plot(lines.x, lines.y, color=INK, linewidth=1.8, solid_capstyle="round", clip_on=False)
    axes.plot(
        lines.dots_x, lines.dots_y, linestyle="none", marker="o", markersize=2.6, color=INK, markeredgewidth=0
    )  # fmt: skip
    _whisker_key(below, cells, lines)
    name, title = "whiskers", "Star shapes over the field"
    if still:
        name, title = "whiskers-still", "Star shapes over the field without the mount's motion"
    return inline_svg(figure, name, title, _whisker_text(cells, lines.n_dots) + ("" if still else _size_text(cells)))


def _discs(axes: "Axes", below: "Axes", cells: FieldCells) -> None:
    """Size of each cell as a disc: larger and in the colour of rejects where stars are wider, the other way if sharper.

    Cells with too few stars have a small cross.
    """
    from matplotlib.patches import Circle

    rows, columns = cells.fwhm_px.shape
    cell = min(cells.width_px / columns, cells.height_px / rows)
    for (row, column), wider in np.ndenumerate(cells.wider):  # artists, for patches would stretch the limits, slowly
        x, y = float(cells.x[row, column]), float(cells.y[row, column])
        if np.isfinite(wider):
            axes.add_artist(Circle((x, y), _radius(wider) * cell, **_look(wider)))
        else:
            axes.plot([x], [y], linestyle="none", marker="x", markersize=5, color=QUIET)
    wide = below.get_xlim()[1]
    on_page = cell * wide / cells.width_px
    for at, (change, name) in zip((0.04, 0.4, 0.66), _SIZES, strict=True):
        below.add_artist(Circle((at * wide, 56), _radius(change) * on_page, **_look(change)))
        below.text(at * wide + 20, 56, name, color=INK, fontsize=TEXT_PX, va="center")


def _radius(wider: float) -> float:
    """Of a disc, in cells."""
    return float(0.3 + 0.17 * np.clip(wider / _ANCHOR, -1, 1))


def _look(wider: float) -> dict[str, Any]:
    strength = float(np.clip(abs(wider) / _ANCHOR, 0, 1))
    return {"facecolor": REJECT if wider > 0 else KEEP, "alpha": 0.12 + 0.5 * strength, "linewidth": 0}


def _size_text(cells: FieldCells) -> str:
    fwhm = cells.wider
    if not np.isfinite(fwhm).any():
        return ""
    return (
        f" Star size from {told(100 * float(np.nanmin(fwhm)), 'percent', 0)} {_where(cells, fwhm, smallest=True)} to "
        f"{told(100 * float(np.nanmax(fwhm)), 'percent', 0)} {_where(cells, fwhm, smallest=False)} against the median."
    )


def _sensor(cells: FieldCells, below_px: float) -> tuple[Any, "Axes", "Axes"]:
    """The sensor's outline in its own proportions, and room below it for a key."""
    top = 8.0
    wide = min(WIDTH_PX - 2 * top, 1.15 * WIDTH_PX * cells.width_px / cells.height_px)
    tall = wide * cells.height_px / cells.width_px
    left = (WIDTH_PX - wide) / 2
    figure = new_figure(WIDTH_PX, top + tall + below_px)
    axes = place(figure, left, top, wide, tall)
    quiet_frame(axes, sides=("bottom", "top", "left", "right"))
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_xlim(-0.5, cells.width_px - 0.5)
    axes.set_ylim(*rows_upwards(cells.height_px, cells.first_row_on_top))
    below = place(figure, left, top + tall, wide, below_px)
    below.set_axis_off()
    below.set_facecolor("none")
    below.set_xlim(0, wide)
    below.set_ylim(below_px, 0)
    return figure, axes, below


def _whisker_key(below: "Axes", cells: FieldCells, lines: WhiskerLines) -> None:
    """A whisker of known elongation, with its number."""
    wide = below.get_xlim()[1]
    length = lines.key_length_px * wide / cells.width_px
    below.plot([2, 2 + length], [22, 22], color=INK, linewidth=1.8, solid_capstyle="round")
    below.text(2 + length + 10, 22, f"elongation {lines.key_elongation:g}", color=INK, fontsize=13, va="center")
    below.plot([2 + length + 132], [22], marker="o", markersize=2.6, color=INK, markeredgewidth=0)
    below.text(2 + length + 142, 22, "round", color=INK, fontsize=13, va="center")
    if wide > _ROOM_FOR_SIZE_PX:
        size = f"{cells.width_px} × {cells.height_px} px"
        below.text(wide, 22, size, color=QUIET, fontsize=TEXT_PX, va="center", ha="right")


def _whisker_text(cells: FieldCells, n_round: int) -> str:
    size = np.abs(cells.e)
    elongation = np.exp(size)
    return (
        f"Typical shape of {counted(cells.n_stars, 'good star')} from {counted(cells.n_frames, 'frame')} in "
        f"{counted(int(np.isfinite(size).sum()), 'cell')} over the field. Elongation from "
        f"{fixed(float(np.nanmin(elongation)), 2)} {_where(cells, elongation, smallest=True)} to "
        f"{fixed(float(np.nanmax(elongation)), 2)} {_where(cells, elongation, smallest=False)}, median "
        f"{fixed(float(np.nanmedian(elongation)), 2)}; {counted(n_round, 'cell')} too round to have a direction."
    )


def _where(cells: FieldCells, values: Values, *, smallest: bool) -> str:
    """The part of the picture that holds the extreme, in words."""
    row, column = np.unravel_index(np.nanargmin(values) if smallest else np.nanargmax(values), values.shape)
    across = ("on the left", "", "on the right")[min(2, int(3 * cells.x[row, column] / cells.width_px))]
    third = min(2, int(3 * cells.y[row, column] / cells.height_px))
    along = ("at the bottom", "", "at the top")[2 - third if cells.first_row_on_top else third]
    return " ".join(filter(None, [along, across])) or "in the middle"
