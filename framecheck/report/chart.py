"""A chart as the page shows it, and what all charts of numbers have in common."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from framecheck.report.drawing import LINE, QUIET, TEXT_PX, inline_svg, new_figure, place, quiet_frame, with_ending

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH_PX: Final = 400
"""Chosen: half the page on a desk, nearly the whole of a phone, so that letters stay large enough on both."""
_LEFT_PX: Final = 56
_RIGHT_PX: Final = 10
_UNDER_PX: Final = 44
_ABOVE_PX: Final = 10


@dataclass(frozen=True, kw_only=True, slots=True)
class Chart:
    """One picture with its words."""

    name: str
    title: str
    caption: str
    """What it shows and what would be good."""
    drawing: str
    """An SVG element."""


def plotted(
    name: str, title: str, text: str, draw: Callable[["Axes"], None], *,
    x: str, y: str, width_px: float = WIDTH_PX, height_px: float = 230,
) -> str:  # fmt: skip
    """One plot with both axes named, as an SVG element.

    Parameters
    ----------
    name : str
        Unique on the page.
    title, text : str
        Alternative text: what the chart is, and what it shows.
    draw : callable
        Puts the data on the axes.
    x, y : str
        Names of the axes with their units.
    """
    figure = new_figure(width_px, height_px)
    wide, tall = width_px - _LEFT_PX - _RIGHT_PX, height_px - _ABOVE_PX - _UNDER_PX
    axes = place(figure, _LEFT_PX, _ABOVE_PX, wide, tall)
    quiet_frame(axes, sides=("bottom", "left"), size_px=TEXT_PX)
    axes.grid(color=LINE, linewidth=0.7)
    axes.set_axisbelow(True)
    axes.set_xlabel(x, color=QUIET, fontsize=TEXT_PX, labelpad=4, parse_math=False)
    axes.set_ylabel(y, color=QUIET, fontsize=TEXT_PX, labelpad=4, parse_math=False)
    axes.locator_params(nbins=6, steps=[1, 2, 5, 10])
    draw(axes)
    return inline_svg(figure, name, title, text)


def renamed(chart: Chart, ending: str) -> Chart:
    """The chart with that ending on all its names, so that a page can hold others of its kind."""
    return replace(chart, name=chart.name + ending, drawing=with_ending(chart.drawing, ending))
