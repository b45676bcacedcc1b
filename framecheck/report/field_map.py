"""Star shapes over the field: the night's mean, as whiskers, and the star size as a map."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.decision.judgement import Judgement
from framecheck.night.records import NightFrame
from framecheck.report.drawing import INK, PAPER, QUIET, inline_svg, new_figure, place, quiet_frame
from framecheck.report.units import told
from framecheck.stars.table import STAR_DTYPE, StarTable
from framecheck.words import counted, fixed

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Values = NDArray[np.float64]

WIDTH_PX: Final = 400
"""Chosen: half the page on a desk, nearly the whole of a phone."""
_COLUMNS: Final = 12
"""Chosen: cells across the field; on a phone a whisker still has room of its own."""
FEWEST_IN_CELL: Final = 5
"""Chosen: a cell with fewer stars shows none; the median of five shrugs off two bad ones."""
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
class FieldCells:
    """Medians of the good stars of a night in cells over the field. Arrays have the shape (n_y, n_x)."""

    width_px: int
    height_px: int
    x: Values
    y: Values
    """Centres of the cells. [px]"""
    e1: Values
    e2: Values
    """ln(elongation) times cos and sin of twice the direction; NaN where stars are too few."""
    error: Values
    """Standard error of each of e1 and e2."""
    fwhm_px: Values
    n_stars: int
    n_frames: int
    only_rejects: bool
    """True if no frame was left but rejected ones."""

    @property
    def n_bare(self) -> int:
        """Cells with too few stars."""
        return int(np.sum(~np.isfinite(self.fwhm_px)))


def field_cells(judgement: Judgement, *, still: bool = False, most_columns: int = _COLUMNS) -> FieldCells | None:
    """The field of the night, from the frames that were not rejected (from all, if none is left).

    Only frames of the most common size count: their pixels look at the same part of the field. With `still`, the motion
    of the mount, common to all stars of a frame, is taken off each star: what remains is the optics'. None if there are
    too few stars, or, with `still`, if no motion was measured.
    """
    graded = zip(judgement.night.frames, judgement.grades, strict=True)
    worth_keeping = [frame for frame, grade in graded if grade.grade != "reject"]
    frames, width, height = _of_one_size(worth_keeping or judgement.night.frames)
    moved = _motion_of_frames(judgement) if still else {}
    if still:
        frames = [frame for frame in frames if frame.result.exposure.file in moved]
    tables = [_at_rest(frame.result.stars.good, moved.get(frame.result.exposure.file, 0j)) for frame in frames]
    stars: StarTable = np.concatenate([np.empty(0, STAR_DTYPE), *tables])
    if len(stars) < FEWEST_IN_CELL:
        return None
    rows = max(2, round(most_columns * height / width))
    columns = most_columns
    if height > width:
        rows, columns = most_columns, max(2, round(most_columns * width / height))
    column = np.clip((stars["x"] + 0.5) * columns // width, 0, columns - 1).astype(int)
    row = np.clip((stars["y"] + 0.5) * rows // height, 0, rows - 1).astype(int)
    cell = row * columns + column
    medians = {name: _medians(stars[name], cell, rows * columns) for name in ("e1", "e2", "fwhm_px")}
    scatter = np.hypot(*(_scatter(stars[name], cell, medians[name]) for name in ("e1", "e2"))) / np.sqrt(2)
    count = np.bincount(cell, minlength=rows * columns)
    shape = (rows, columns)
    y, x = np.meshgrid(
        (np.arange(rows) + 0.5) * height / rows - 0.5, (np.arange(columns) + 0.5) * width / columns - 0.5, indexing="ij"
    )
    return FieldCells(
        width_px=width,
        height_px=height,
        x=x,
        y=y,
        e1=medians["e1"].reshape(shape),
        e2=medians["e2"].reshape(shape),
        error=(1.2533 * scatter / np.sqrt(np.maximum(count, 1))).reshape(shape),
        fwhm_px=medians["fwhm_px"].reshape(shape),
        n_stars=len(stars),
        n_frames=len(frames),
        only_rejects=not worth_keeping,
    )


def _motion_of_frames(judgement: Judgement) -> dict[Path, complex]:
    """What the mount makes of (a² - b²) / 2 times exp(2 i pa) in each frame, along the frame's own axes. [px²]"""
    moved = {}
    for tracking in judgement.night.tracking.values():
        for index, spin2 in zip(tracking.smears.frames, tracking.smears.spin2_px2, strict=True):
            frame = judgement.night.frames[index]
            turned = 0.0 if frame.registration is None else frame.registration.rotation_deg
            moved[frame.result.exposure.file] = complex(spin2 * np.exp(2j * np.radians(turned)))
    return moved


def _at_rest(stars: StarTable, spin2_px2: complex) -> StarTable:
    """Shapes as they were without a motion: second moments add, so (a² - b²) / 2 does."""
    if not spin2_px2 or not len(stars):
        return stars
    e = stars["e1"] + 1j * stars["e2"]
    size = np.maximum(np.abs(e), 1e-9)
    square = stars["fwhm_px"].astype(float) ** 2
    left = np.sinh(size) / size * e - spin2_px2 / square
    at_rest = np.arcsinh(np.abs(left)) * np.exp(1j * np.angle(left))
    out = stars.copy()
    out["e1"], out["e2"] = at_rest.real, at_rest.imag
    return out


def _of_one_size(frames: Sequence[NightFrame]) -> tuple[list[NightFrame], int, int]:
    sizes = [(frame.result.exposure.width_px, frame.result.exposure.height_px) for frame in frames]
    if not sizes:
        return [], 1, 1
    common = max(dict.fromkeys(sizes), key=sizes.count)
    return [frame for frame, size in zip(frames, sizes, strict=True) if size == common], *common


def _medians(values: NDArray[Any], cell: NDArray[np.intp], n: int) -> Values:
    """Median in each cell, NaN where it has too few."""
    order = np.argsort(cell, kind="stable")
    parts = np.split(np.asarray(values, dtype=float)[order], np.cumsum(np.bincount(cell, minlength=n))[:-1])
    return np.array([np.median(part) if len(part) >= FEWEST_IN_CELL else np.nan for part in parts])


def _scatter(values: NDArray[Any], cell: NDArray[np.intp], medians: Values) -> Values:
    """Standard deviation about each cell's median, from the median absolute deviation."""
    from framecheck.constants import SIGMA_PER_MAD

    return SIGMA_PER_MAD * _medians(np.abs(values - medians[cell]), cell, len(medians))


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
    size = np.hypot(cells.e1, cells.e2)
    step = min(cells.width_px / size.shape[1], cells.height_px / size.shape[0])
    longest = float(np.nanpercentile(size if like is None else np.hypot(like.e1, like.e2), 95))
    scale = 0.78 * step / max(longest, _HARDLY_LONG)
    sure = size > _ROUND * cells.error
    angle = np.arctan2(cells.e2, cells.e1) / 2
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
    if not np.isfinite(np.hypot(cells.e1, cells.e2)).any():
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


def smooth_surface(cells: FieldCells) -> Values | None:
    """FWHM of the smooth surface through the cells, where it stands out of the scatter; None where it does not. [px]

    The surface has the shape that tilt and curvature give it, of second degree; F test against a level field.
    """
    from scipy.special import fdtrc  # scipy.stats takes as long to load as all pictures to draw

    fwhm = cells.fwhm_px
    u, v = 2 * cells.x / cells.width_px - 1, 2 * cells.y / cells.height_px - 1
    terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)
    known = np.isfinite(fwhm)
    n, k = int(known.sum()), terms.shape[-1]
    if n < 2 * k:
        return None
    middle, spread = float(np.median(fwhm[known])), float(np.median(np.abs(fwhm[known] - np.median(fwhm[known]))))
    used = known & (np.abs(fwhm - middle) < max(6 * spread, 0.02 * middle))  # one odd cell bends no surface
    surface: Values = terms @ np.linalg.lstsq(terms[used], fwhm[used], rcond=None)[0]
    left = float(np.sum((fwhm - surface)[used] ** 2))
    taken = float(np.sum((fwhm[used] - fwhm[used].mean()) ** 2)) - left
    free = int(used.sum()) - k
    chance = fdtrc(k - 1, free, taken / (k - 1) / max(left / free, 1e-12))
    return None if chance > _BY_CHANCE or np.ptp(surface) < _LEVEL * middle else surface


def _contours(axes: "Axes", cells: FieldCells, factor: float, unit: str) -> str:
    """Lines of equal size of the smooth surface, where it stands out; what they show, in words."""
    surface = smooth_surface(cells)
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


_BY_CHANCE: Final = 0.001
"""Chosen: contours by chance in one night of a thousand."""
_LEVEL: Final = 0.03
"""Range of the surface over the FWHM below which a field is level. Chosen: no eye sees three percent."""


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
    size = np.hypot(cells.e1, cells.e2)
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
