"""A comparison as one picture: each figure on a scale of its own, the nights one under the other."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from framecheck.decision.compare import Comparison, Row, Verdict
from framecheck.decision.estimate import Estimate
from framecheck.report.comparison_words import change_words, figure, night_labels, said
from framecheck.report.drawing import (
    INK,
    KEEP,
    LINE,
    QUIET,
    REJECT,
    inline_svg,
    new_figure,
    place,
    quiet_frame,
    write,
)
from framecheck.words import SHORT_UNITS, counted

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_PX: Final = 890
_NAME_PX: Final = 250
_WORDS_PX: Final = 280
_LANE_PX: Final = (17, 34)
"""A night's: two lines of words stand beside two lanes, or beside each lane where there are more."""
_SCALE_PX: Final = 26
_HEAD_LINE_PX: Final = 19
_LONGEST_HEAD: Final = 120
"""[signs] Chosen: what fits the picture; a longer name is cut there, and whole in its description."""
_LEAST: Final = 0.1
"""Chosen: a scale of hundredths of an arcsecond or a pixel would show noise large."""
_LOOKS: Final[dict[Verdict, tuple[str, str, str]]] = {
    "better": ("o", KEEP, KEEP),
    "worse": ("X", REJECT, REJECT),
    "no change shown": ("d", "none", QUIET),
    "not comparable": ("|", QUIET, QUIET),
    "not known": ("|", QUIET, QUIET),
}
"""Marker, filling, edge: what is said of a night has a shape as well as a colour."""


def comparison_picture(comparisons: Sequence[Comparison]) -> str:
    """All figures that at least one comparison compares, as an SVG element; empty if there are none.

    The first night is the hollow ring with its interval; each other night lies under it, joined by a line, with the
    mark of what is said of it.
    """
    keys = [
        row.quantity.key
        for k, row in enumerate(comparisons[0].rows)
        if any(one.rows[k].change is not None for one in comparisons)
    ]
    rows = [[next(row for row in one.rows if row.quantity.key == key) for one in comparisons] for key in keys]
    if not rows:
        return ""
    n_lanes = len(comparisons) + 1
    lane_px = _LANE_PX[len(comparisons) > 1]
    tall = lane_px * n_lanes + _SCALE_PX + 12
    heads = _heads(comparisons)
    head_px = _HEAD_LINE_PX * len(heads) + 15
    figure_ = new_figure(WIDTH_PX, head_px + tall * len(rows))
    for k, text in enumerate(heads):
        write(figure_, 0, 12 + _HEAD_LINE_PX * k, text, colour=QUIET)
    for k, of_nights in enumerate(rows):
        top = head_px + tall * k
        axes = place(figure_, _NAME_PX, top, WIDTH_PX - _NAME_PX - _WORDS_PX, lane_px * n_lanes)
        _lanes(axes, of_nights)
        _words(figure_, of_nights, top, lane_px)
    return inline_svg(figure_, "comparison", "The nights beside each other", picture_words(comparisons))


def picture_words(comparisons: Sequence[Comparison]) -> str:
    """What the picture shows, for those who do not see it."""
    labels = night_labels([comparisons[0].reference, *(one.other for one in comparisons)])
    told = [
        f"{row.quantity.name}, {label}: {figure(_value(row.reference), row.unit)} then "
        f"{figure(_value(row.other), row.unit)}, {change_words(row)}, {said(row)}"
        for label, one in zip(labels[1:], comparisons, strict=True)
        for row in one.rows
        if row.change is not None
    ]
    return f"{counted(len(told), 'figure')} with intervals. " + "; ".join(told) + "."


def _value(estimate: Estimate | None) -> float | None:
    return None if estimate is None else estimate.value


def _heads(comparisons: Sequence[Comparison]) -> list[str]:
    """Which lane is which night, a line each."""
    first, *others = night_labels([comparisons[0].reference, *(one.other for one in comparisons)])
    lines = [f"Line 1, open ring: {first}", *(f"Line {k}: {label}" for k, label in enumerate(others, 2))]
    lines = [line if len(line) <= _LONGEST_HEAD else line[: _LONGEST_HEAD - 1] + "…" for line in lines]
    return [*lines, "Bars: the 95 % interval of each night by itself."]


def _lanes(axes: "Axes", rows: Sequence[Row]) -> None:
    """The first night's value, then the others', each with its interval."""
    estimates = [rows[0].reference, *(row.other for row in rows)]
    quantity = rows[0].quantity
    bounds = [bound for one in estimates if one is not None for bound in quantity.bounds(one)]
    low, high = min([0.0, *bounds]), max([_LEAST, *bounds])
    margin = 0.04 * (high - low or 1.0)
    axes.set_xlim(low - margin, high + margin)
    axes.set_ylim(len(estimates) - 0.4, -0.6)
    quiet_frame(axes, sides=("bottom",), size_px=11)
    axes.set_yticks([])
    axes.locator_params(axis="x", nbins=5, steps=[1, 2, 5, 10])
    axes.grid(axis="x", color=LINE, linewidth=0.7)
    axes.set_axisbelow(True)
    first = estimates[0]
    for lane, estimate in enumerate(estimates):
        if estimate is None:
            continue
        verdict = None if lane == 0 else rows[lane - 1].verdict
        marker, filled, edge = ("o", "none", INK) if verdict is None else _LOOKS[verdict]
        if first is not None and lane:
            axes.plot([first.value, estimate.value], [0, lane], color=QUIET, linewidth=0.9, linestyle=(0, (2, 2)))
        axes.plot(quantity.bounds(estimate), [lane, lane], color=edge, linewidth=1.6, solid_capstyle="butt", alpha=0.75)
        axes.plot(
            [estimate.value], [lane], marker=marker, markersize=7, markerfacecolor=filled, markeredgecolor=edge,
            markeredgewidth=1.5, linestyle="none", clip_on=False,
        )  # fmt: skip


def _words(picture: "Figure", rows: Sequence[Row], top_px: float, lane_px: float) -> None:
    """The figure's name on the left, what is said of it on the right."""
    row = rows[0]
    line_px = _LANE_PX[0]
    write(picture, 0, top_px + line_px / 2, row.quantity.name, bold=row.quantity.owner == "equipment")
    owner = "" if row.quantity.owner == "equipment" else ", weather too"
    write(picture, 0, top_px + line_px * 1.5, f"in {SHORT_UNITS[row.unit].strip()}{owner}", colour=QUIET)
    for lane, one in enumerate(rows, 1):
        colour = _LOOKS[one.verdict][2] if one.change is not None else QUIET
        left = WIDTH_PX - _WORDS_PX + 14
        top = top_px + (0.5 * line_px if lane_px == line_px else lane_px * (lane + 0.35))
        if one.change is None:
            write(picture, left, top + line_px / 2, one.verdict, colour=QUIET)
            continue
        write(picture, left, top, said(one), colour=colour, bold=colour != QUIET)
        write(picture, left, top + 0.95 * line_px, change_words(one), colour=QUIET)
