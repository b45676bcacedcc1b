"""The night in curves: one narrow chart a quantity, all along the same hours."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import TYPE_CHECKING, Final

from framecheck.decision.frame_row import FrameRow
from framecheck.decision.grades import GRADES
from framecheck.quantity import Curve, Quantity, is_known, shown_as
from framecheck.report.drawing import DOUBTFUL, INK, KEEP, LINE, QUIET, REJECT, along, inline_svg, new_figure, place
from framecheck.report.time_axis import TimeAxis, time_axis
from framecheck.words import counted, plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDE_PX: Final = 800
NARROW_PX: Final = 358
_HEIGHT_PX: Final = 92
_LEFT_PX: Final = 46
_RIGHT_PX: Final = 10
_LANE_PX: Final = 20
_MOST_LANES: Final = 10
_COLOURS: Final = {"keep": KEEP, "doubtful": DOUBTFUL, "reject": REJECT}
"""Each grade has a shape as well as a colour."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Strip:
    """One quantity along the night, drawn for a desk and for a phone."""

    name: str
    title: str
    unit: str
    good: str
    """What would be good, in words."""
    typical: str
    """The median with its unit; empty for grades."""
    wide: str
    narrow: str


def strips(rows: Sequence[FrameRow]) -> tuple[Strip, ...]:
    """The grades, then every quantity that at least one frame knows."""
    measured = [row for row in rows if row.status == "measured"]
    if not measured:
        return ()
    axis = time_axis(measured)
    known = [quantity for quantity in shown_as("curve", measured) if is_known(quantity, measured)]
    curves = [_strip(quantity, measured, axis, is_last=quantity is known[-1]) for quantity in known]
    return (_grade_strip(measured, axis), *curves)


def _grade_strip(rows: Sequence[FrameRow], axis: TimeAxis) -> Strip:
    """One lane a group, with a mark a frame."""
    counts = [f"{sum(row.grade == grade for row in rows)} {grade}" for grade in GRADES]
    lanes = list(dict.fromkeys(row.group or "" for row in rows))
    text = f"{counted(len(rows), 'frame')} in {counted(len(lanes), 'group')} along the night: {', '.join(counts)}."

    def draw(width: int) -> str:
        shown = lanes if len(lanes) <= _MOST_LANES else []
        above = 16 if shown else 8
        per_lane = _LANE_PX + (16 if shown else 0)
        height = above + per_lane * max(1, len(shown)) + 22
        figure = new_figure(width, height)
        axes = place(figure, _LEFT_PX, 0, width - _LEFT_PX - _RIGHT_PX, height - 22)
        axes.set_ylim(height - 22, 0)
        at = [above + per_lane * (shown.index(row.group or "") if shown else 0) + _LANE_PX / 2 for row in rows]
        for lane, name in enumerate(shown):
            axes.text(
                axis.start, above + per_lane * lane - 2, _lane_name(name), color=QUIET, fontsize=11.5, va="center",
                parse_math=False,
            )  # fmt: skip
        _along(axes, axis, width, labels=True)
        axes.set_yticks([])
        _marks(axes, axis.positions, at, rows)
        return inline_svg(figure, f"grades-{width}", "Grades along the night", text)

    return Strip(
        name="grades", title="Grades", unit="", good="", typical="", wide=draw(WIDE_PX), narrow=draw(NARROW_PX)
    )


def _lane_name(name: str) -> str:
    name = plain(name)
    return name if len(name) <= 44 else name[:43] + "…"


def _strip(quantity: Quantity, rows: Sequence[FrameRow], axis: TimeAxis, *, is_last: bool) -> Strip:
    curve = quantity.curve
    assert curve is not None
    values = [float(value) for row in rows if (value := getattr(row, quantity.name)) is not None]
    mark = _mark(curve, rows)
    unit = curve.unit if curve.unit in ("", "″", "′", "°") else f"\u202f{curve.unit}"
    typical = f"{quantity.text(median(values))}{unit}"
    text = (
        f"{curve.title} of {counted(len(values), 'frame')} along the night: from {quantity.text(min(values))} to "
        f"{quantity.text(max(values))}{unit}, median {typical}; {curve.good}."
    )

    def draw(width: int) -> str:
        under = 34 if is_last else 8
        figure = new_figure(width, _HEIGHT_PX + under)
        axes = place(figure, _LEFT_PX, 8, width - _LEFT_PX - _RIGHT_PX, _HEIGHT_PX - 8)
        axes.set_ylim(*_limits(quantity.name, curve, mark, rows))
        _along(axes, axis, width, labels=is_last)
        if is_last:
            axes.set_xlabel(axis.caption, color=QUIET, fontsize=11.5, labelpad=3)
        _scale(axes, mark, whole=quantity.decimals == 0)
        _course(axes, axis, rows, quantity)
        return inline_svg(figure, f"{curve.name}-{width}", f"{curve.title} along the night", text)

    return Strip(
        name=curve.name,
        title=curve.title,
        unit=curve.unit,
        good=curve.good,
        typical=typical,
        wide=draw(WIDE_PX),
        narrow=draw(NARROW_PX),
    )


def limits(quantity: Quantity, rows: Sequence[FrameRow]) -> tuple[float | None, tuple[float, float]]:
    """The level of a curve that has a line of its own, and the ends of its scale."""
    curve = quantity.curve
    assert curve is not None
    mark = _mark(curve, rows)
    return mark, _limits(quantity.name, curve, mark, rows)


def _mark(curve: Curve, rows: Sequence[FrameRow]) -> float | None:
    """The level that has a line of its own; None if it is one that frames do not share."""
    if not isinstance(curve.mark, str):
        return curve.mark
    levels = {getattr(row, curve.mark) for row in rows}
    return levels.pop() if len(levels) == 1 else None


def _limits(name: str, curve: Curve, mark: float | None, rows: Sequence[FrameRow]) -> tuple[float, float]:
    """A scale on which the frames worth stacking can be told apart; far-off ones are drawn at its edge."""
    known = [(value, row.grade) for row in rows if (value := getattr(row, name)) is not None]
    values = [value for value, _ in known]
    core = [value for value, grade in known if grade != "reject"]
    core = core if len(core) >= 3 else values
    span = max(max(core) - min(core), 0.08 * abs(median(core)), 1e-6)
    low = max(min(values), min(core) - span) - 0.12 * span
    high = min(max(values), max(core) + span) + 0.15 * span
    if curve.floor is not None:
        low = curve.floor
    if mark is not None and curve.floor == 0:
        high = max(high, mark * 1.06)
    return low, max(high, curve.least_top or high)


def _along(axes: "Axes", axis: TimeAxis, width: int, *, labels: bool) -> None:
    """The hours: fine lines across every strip, figures under the first and the last."""
    along(axes, axis.start, axis.end, axis.marks(at_most=10 if width == WIDE_PX else 5), labels=labels)


def _scale(axes: "Axes", mark: float | None, *, whole: bool) -> None:
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    axes.yaxis.set_major_locator(MaxNLocator(nbins=3, steps=[1, 2, 5, 10], integer=whole))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.6g}".replace(",", "\u202f")))
    axes.grid(axis="y", color=LINE, linewidth=0.7)
    axes.tick_params(axis="y", length=0)
    if mark is not None:
        axes.axhline(mark, color=QUIET, linewidth=1, linestyle=(0, (4, 3)))


def _course(axes: "Axes", axis: TimeAxis, rows: Sequence[FrameRow], quantity: Quantity) -> None:
    """A pale line through the frames of each group, error bars, and a mark a frame."""
    nan = math.nan
    values = [getattr(row, quantity.name) for row in rows]
    at = [nan if value is None else float(value) for value in values]
    for group in dict.fromkeys(row.group for row in rows):
        line = [
            (x, y) for x, y, row in zip(axis.positions, at, rows, strict=True)
            if row.group == group and row.grade != "reject" and not math.isnan(y)
        ]  # fmt: skip
        axes.plot([x for x, _ in line], [y for _, y in line], color=QUIET, linewidth=0.8, alpha=0.55)
    errors = [getattr(row, quantity.error) if quantity.error else None for row in rows]
    bars = [(x, y, e) for x, y, e in zip(axis.positions, at, errors, strict=True) if e is not None]
    low, high = sorted(axes.get_ylim())
    axes.plot(
        [x for x, _, _ in bars for x in (x, x, nan)],
        [end for _, y, e in bars for end in (max(y - e, low), min(y + e, high), nan)],
        color=INK, linewidth=1, alpha=0.6, solid_capstyle="butt",
    )  # fmt: skip
    _marks(axes, axis.positions, at, rows)


def _marks(axes: "Axes", xs: Sequence[float], ys: Sequence[float], rows: Sequence[FrameRow]) -> None:
    """Dot, open diamond or cross; what lies off the scale becomes an arrow head at the edge."""
    low, high = sorted(axes.get_ylim())
    size = 5.0 if len(rows) <= 80 else 4.0 if len(rows) <= 200 else 3.2
    looks = {"keep": ("o", 1.0, True), "doubtful": ("D", 1.0, False), "reject": ("x", 1.25, False)}
    for grade, (shape, scale, filled) in looks.items():
        colour = _COLOURS[grade]
        mine = [(x, y) for x, y, row in zip(xs, ys, rows, strict=True) if (row.grade or "keep") == grade]
        for marker, chosen in (
            (shape, [(x, y) for x, y in mine if low <= y <= high]),
            ("^", [(x, high - 0.04 * (high - low)) for x, y in mine if y > high]),
            ("v", [(x, low + 0.04 * (high - low)) for x, y in mine if y < low]),
        ):
            axes.plot(
                [x for x, _ in chosen], [y for _, y in chosen], linestyle="none", marker=marker,
                markersize=size * (scale if marker == shape else 1.3), clip_on=False,
                markerfacecolor=colour if filled or marker != shape else "none",
                markeredgecolor=colour, markeredgewidth=0 if filled else 1.5,
            )  # fmt: skip
