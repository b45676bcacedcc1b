"""Months of nights as one picture: sharpness, steadiness, hours and causes along the same dates."""

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING, Final

from framecheck.causes.catalogue import CAUSES
from framecheck.decision.history import NightSum, RigHistory
from framecheck.report.drawing import (
    DOUBTFUL,
    INK,
    KEEP,
    LINE,
    QUIET,
    along,
    inline_svg,
    new_figure,
    place,
    write,
)
from framecheck.report.history_words import cause_words, summary, trend_words
from framecheck.words import SHORT_UNITS, plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH_PX: Final = 860
_LEFT_PX: Final = 190
_RIGHT_PX: Final = 16
_STRIP_PX: Final = 92
_GAP_PX: Final = 14
_CAUSE_PX: Final = 20
_DATES_PX: Final = 30
MOST_CAUSES: Final = 8
"""Chosen: more are in the list."""
_MARKS: Final = {"mount": "s", "optics": "o", "camera": "D", "sky": "^"}
"""Each family of causes has a shape."""


def history_picture(history: RigHistory, name: str = "history") -> str:
    """Draw the nights of one rig as an SVG element.

    Parameters
    ----------
    history : RigHistory
    name : str
        Unique on its page.
    """
    strips: list[tuple[str, str, Callable[[Axes, RigHistory], None]]] = []
    if any(night.fwhm is not None for night in history.nights):
        strips.append(("FWHM", f"{_unit(history)}; bar: half of\nthe frames, ring: at\nthe zenith", _widths))
    if any(night.smear is not None for night in history.nights):
        strips.append(("Motion inside\nan exposure", f"\n{_unit(history)} rms", _smears))
    strips.append(("Hours", "outline: shot,\nfilled: worth", _hours))
    causes = history.causes[:MOST_CAUSES]
    tall = len(strips) * (_STRIP_PX + _GAP_PX) + len(causes) * _CAUSE_PX + _DATES_PX + 10
    picture = new_figure(WIDTH_PX, tall)
    wide = WIDTH_PX - _LEFT_PX - _RIGHT_PX
    for k, (title, note, draw) in enumerate(strips):
        top = k * (_STRIP_PX + _GAP_PX) + 6
        axes = place(picture, _LEFT_PX, top, wide, _STRIP_PX)
        _along(axes, history, labels=k == len(strips) - 1 and not causes)
        axes.grid(axis="y", color=LINE, linewidth=0.7)
        draw(axes, history)
        axes.locator_params(axis="y", nbins=4, steps=[1, 2, 5, 10])
        axes.tick_params(axis="y", length=0)
        write(picture, 0, top + 10, title, INK)
        write(picture, 0, top + 27, note, QUIET)
    if causes:
        top = len(strips) * (_STRIP_PX + _GAP_PX) + 6
        axes = place(picture, _LEFT_PX, top, wide, _CAUSE_PX * len(causes))
        _along(axes, history, labels=True)
        _cause_grid(axes, history)
        for k, one in enumerate(causes):
            title = CAUSES[one.cause].title if one.cause in CAUSES else plain(one.cause)
            write(picture, 0, top + _CAUSE_PX * (k + 0.5), title, INK)
    return inline_svg(picture, name, "The nights of a rig", picture_words(history))


def picture_words(history: RigHistory) -> str:
    """What the picture shows, for those who do not see it."""
    told = [summary(history), *(trend_words(one) for one in history.trends), *(cause_words(c) for c in history.causes)]
    return " ".join(told)


def _unit(history: RigHistory) -> str:
    return SHORT_UNITS[history.unit].strip()


def _day(moment: datetime) -> float:
    return moment.timestamp() / 86400


def _along(axes: "Axes", history: RigHistory, *, labels: bool) -> None:
    """The dates, alike in all strips."""
    first, last = _day(history.nights[0].start_utc), _day(history.nights[-1].start_utc)
    margin = max(0.04 * (last - first), 1.0)
    along(axes, first - margin, last + margin, _date_marks(history), labels=labels)


def _date_marks(history: RigHistory) -> list[tuple[float, str]]:
    """Nights to name under the picture, not nearer to each other than their names are wide."""
    first, last = history.nights[0].start_utc, history.nights[-1].start_utc
    room = (_day(last) - _day(first)) / 8
    marks: list[tuple[float, str]] = []
    for night in history.nights:
        at = _day(night.start_utc)
        if not marks or at - marks[-1][0] > room:
            marks.append((at, f"{night.start_utc.day} {night.start_utc:%b %Y}"))
    return marks


def _widths(axes: "Axes", history: RigHistory) -> None:
    for night in history.nights:
        if night.fwhm_quartiles is not None:
            at = _day(night.start_utc)
            axes.plot([at, at], night.fwhm_quartiles, color=KEEP, linewidth=4, alpha=0.45, solid_capstyle="butt")
    _dots(axes, history, lambda night: night.fwhm, filled=True)
    _dots(axes, history, lambda night: night.fwhm_at_zenith, filled=False)
    low, high = axes.get_ylim()
    axes.set_ylim(low - 0.2 * (high - low), high + 0.2 * (high - low))


def _smears(axes: "Axes", history: RigHistory) -> None:
    _dots(axes, history, lambda night: night.smear, filled=True)
    axes.set_ylim(0, 1.1 * axes.get_ylim()[1])


def _dots(axes: "Axes", history: RigHistory, of: Callable[[NightSum], float | None], *, filled: bool) -> None:
    known = [(_day(night.start_utc), value) for night in history.nights if (value := of(night)) is not None]
    axes.plot(
        [x for x, _ in known], [y for _, y in known], linestyle="none", marker="o", markersize=5 if filled else 7,
        markerfacecolor=KEEP if filled else "none", markeredgecolor=KEEP if filled else INK,
        markeredgewidth=0 if filled else 1.2,
    )  # fmt: skip


def _hours(axes: "Axes", history: RigHistory) -> None:
    at = [_day(night.start_utc) for night in history.nights]
    low, high = axes.get_xlim()
    width = max((high - low) / 90, 0.15)
    axes.bar(at, [night.taken_s / 3600 for night in history.nights], width, color="none", edgecolor=QUIET, linewidth=1)
    axes.bar(at, [(night.kept_effective_s or 0.0) / 3600 for night in history.nights], width, color=KEEP, linewidth=0)
    axes.set_xlim(low, high)
    axes.set_ylim(0, 1.1 * axes.get_ylim()[1])


def _cause_grid(axes: "Axes", history: RigHistory) -> None:
    """A mark where a night claims the cause; its shape tells the family."""
    causes = [one.cause for one in history.causes[:MOST_CAUSES]]
    axes.set_ylim(len(causes) - 0.5, -0.5)
    axes.set_yticks([])
    for k, cause in enumerate(causes):
        axes.axhline(k, color=LINE, linewidth=0.8)
        at = [_day(night.start_utc) for night in history.nights if cause in night.causes]
        marker = _MARKS[CAUSES[cause].family] if cause in CAUSES else "o"
        axes.plot(at, [k] * len(at), linestyle="none", marker=marker, markersize=6.5, color=DOUBTFUL, markeredgewidth=0)
