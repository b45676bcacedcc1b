"""Star shapes over the field: the night's mean, as whiskers, and the star size as a map."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.decision.field_cells import FEWEST_IN_CELL, FieldCells
from framecheck.report.drawing import INK, PAPER, QUIET, inline_svg, new_figure, place, quiet_frame
from framecheck.report.units import told
from framecheck.words import counted, fixed

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Values = NDArray[np.float64]

WIDTH_PX: Final = 400
"""Chosen: half the page on a desk, nearly the whole of a phone."""
_ROUND: Final = 2.0
"""[standard errors] Chosen: what is less sure than this is drawn as a dot, as round."""
_EVEN: Final = 0.1
"""Chosen: the scale of colours spans at least this much either way, so that an even field looks even."""
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


def whisker_map(cells: FieldCells, *, still: bool = False, like: FieldCells | None = None) -> str:
    """Whiskers over the sensor's outline; round is a dot.

    `still` names the picture of what remains without the mount's motion, drawn to the scale of `like`.
    """
    if not np.isfinite(cells.e).any():
        return ""
    figure, axes, below = _sensor(cells, below_px=52)
    lines = whisker_lines(cells, like)
    axes.plot(lines.x, lines.y, color=INK, linewidth=1.8, solid_capstyle="round", clip_on=False)
    axes.plot(
        lines.dots_x, lines.dots_y, linestyle="none", marker="o", markersize=2.6, color=INK, markeredgewidth=0
    )  # fmt: skip
    _whisker_key(below, cells, lines)
    name, title = "whiskers", "Star shapes over the field"
    if still:
        name, title = "whiskers-still", "Star shapes over the field without the mount's motion"
    return inline_svg(figure, name, title, _whisker_text(cells, lines.n_dots))


def fwhm_map(cells: FieldCells, scale_arcsec: float | None) -> str:
    """The star size over the field as a shaded map with its scale of colours."""
    factor, unit = (1.0, "px") if scale_arcsec is None else (scale_arcsec, "arcsec")
    fwhm = cells.fwhm_px * factor
    if not np.isfinite(fwhm).any():
        return ""
    figure, axes, below = _sensor(cells, below_px=52)
    low, high = (float(limit) for limit in np.nanpercentile(fwhm, [3, 97]))  # one odd cell must not bleach the rest
    middle = (low + high) / 2
    low, high = min(low, (1 - _EVEN) * middle), max(high, (1 + _EVEN) * middle)
    _tiles(axes, cells, fwhm, low, high)
    trend = _contours(axes, cells, factor, unit)
    _colour_key(below, low, high, unit)
    text = (
        f"Median FWHM of the stars in {counted(int(np.isfinite(fwhm).sum()), 'cell')} over the field: from "
        f"{told(float(np.nanmin(fwhm)), unit, 2)} {_where(cells, fwhm, smallest=True)} to "
        f"{told(float(np.nanmax(fwhm)), unit, 2)} {_where(cells, fwhm, smallest=False)}. {trend}"
        + (f" {counted(cells.n_bare, 'cell')} with fewer than {FEWEST_IN_CELL} good stars." if cells.n_bare else "")
    )
    return inline_svg(figure, "fwhm-map", "Star size over the field", text)


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
    axes.set_ylim(-0.5, cells.height_px - 0.5)
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
        below.text(wide, 22, size, color=QUIET, fontsize=12.5, va="center", ha="right")


def _tiles(axes: "Axes", cells: FieldCells, fwhm: Values, low: float, high: float) -> None:
    """Shaded cells as plain rectangles: vector, small, the same in both themes."""
    from matplotlib import colormaps
    from matplotlib.patches import Rectangle

    rows, columns = fwhm.shape
    wide, tall = cells.width_px / columns, cells.height_px / rows
    for (row, column), value in np.ndenumerate(fwhm):
        x, y = column * wide - 0.5, row * tall - 0.5
        if np.isfinite(value):
            colour = colormaps["cividis"](float(np.clip((value - low) / (high - low), 0, 1)))
            axes.add_patch(Rectangle((x, y), wide, tall, facecolor=colour, edgecolor=PAPER, linewidth=1))
        else:  # too few stars: crossed out, as neither small nor large
            nan = float("nan")
            ends = [x + 0.25 * wide, x + 0.75 * wide, nan, x + 0.25 * wide, x + 0.75 * wide]
            axes.plot(ends, [y + 0.25 * tall, y + 0.75 * tall, nan, y + 0.75 * tall, y + 0.25 * tall], color=QUIET)


def _contours(axes: "Axes", cells: FieldCells, factor: float, unit: str) -> str:
    """Lines of equal size of the smooth surface, where it stands out; what they show, in words."""
    surface = cells.smooth_fwhm_px
    if surface is None:
        return "No slope or bowl stands out of the scatter."
    surface = surface * factor
    for colour, width in ((PAPER, 3.2), (INK, 1.2)):  # a pale rim keeps the lines apart from dark and bright shades
        lines = axes.contour(cells.x, cells.y, surface, levels=5, colors=[colour], linewidths=width)
    for label in axes.clabel(lines, fmt="%.2f", fontsize=12.5, colors=[INK], inline=False):
        label.set_bbox({"facecolor": PAPER, "edgecolor": "none", "pad": 1.5})
        label.set_rotation(0)
    low, high = (float(limit) for limit in (surface.min(), surface.max()))
    return f"The smooth surface through them goes from {told(low, unit, 2)} to {told(high, unit, 2)}."


def _colour_key(below: "Axes", low: float, high: float, unit: str) -> None:
    from matplotlib import colormaps
    from matplotlib.patches import Rectangle

    wide = below.get_xlim()[1]
    start, long, n = 0.22 * wide, 0.56 * wide, 24
    for i in range(n):
        colour = colormaps["cividis"](i / (n - 1))
        below.add_patch(Rectangle((start + long * i / n, 15), long / n + 0.3, 14, facecolor=colour, linewidth=0))
    below.text(start - 10, 22, told(low, unit, 2), color=INK, fontsize=13, va="center", ha="right")
    below.text(start + long + 10, 22, told(high, unit, 2), color=INK, fontsize=13, va="center")


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
    along = ("at the bottom", "", "at the top")[min(2, int(3 * cells.y[row, column] / cells.height_px))]
    return " ".join(filter(None, [along, across])) or "in the middle"
