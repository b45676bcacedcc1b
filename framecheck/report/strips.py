"""The night in curves: one narrow chart a quantity, all along the same hours."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import median
from typing import TYPE_CHECKING, Final

from framecheck.report.drawing import DOUBTFUL, INK, KEEP, LINE, QUIET, REJECT, inline_svg, new_figure, place
from framecheck.report.drawing import quiet_frame as quiet
from framecheck.report.frame_row import FrameRow
from framecheck.report.time_axis import TimeAxis, time_axis
from framecheck.report.verdict import LOOKS_ROUND
from framecheck.report.words import counted, fixed, number, plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Value = Callable[[FrameRow], float | None]

WIDE_PX: Final = 800
NARROW_PX: Final = 358
_HEIGHT_PX: Final = 92
_LEFT_PX: Final = 46
_RIGHT_PX: Final = 10
_LANE_PX: Final = 20
_MOST_LANES: Final = 10
GRADES: Final = ("keep", "doubtful", "reject")
"""Each grade has a shape as well as a colour."""
_COLOURS: Final = {"keep": KEEP, "doubtful": DOUBTFUL, "reject": REJECT}


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


@dataclass(frozen=True, kw_only=True, slots=True)
class Quantity:
    """What a strip shows and how."""

    name: str
    title: str
    unit: str
    good: str
    value: Value
    error: Value = lambda row: None
    decimals: int | None = None
    """Decimals of the figures shown; None for three significant digits."""
    floor: float | None = None
    """Where the scale begins, if the data do not decide."""
    least_top: float | None = None
    mark: float | None = None
    """A level worth a line of its own."""

    def shown(self, value: float | None) -> str:
        """The value as text, without unit."""
        return number(value) if self.decimals is None else fixed(value, self.decimals)


def strips(rows: Sequence[FrameRow]) -> tuple[Strip, ...]:
    """The grades, then every quantity that at least one frame knows."""
    measured = [row for row in rows if row.status == "measured"]
    if not measured:
        return ()
    axis = time_axis(measured)
    known = [quantity for quantity in _quantities(measured) if any(quantity.value(row) is not None for row in measured)]
    curves = [_strip(quantity, measured, axis, is_last=quantity is known[-1]) for quantity in known]
    return (_grade_strip(measured, axis), *curves)


def _quantities(rows: Sequence[FrameRow]) -> tuple[Quantity, ...]:
    in_arcsec = any(row.fwhm_arcsec is not None for row in rows)
    in_electrons = any(row.sky_e_per_s is not None for row in rows)
    return (
        Quantity(
            name="fwhm", title="FWHM", unit="arcsec" if in_arcsec else "px", decimals=2,
            good="smaller is sharper",
            value=(lambda row: row.fwhm_arcsec) if in_arcsec else (lambda row: row.fwhm_px),
            error=_fwhm_error_arcsec if in_arcsec else (lambda row: row.fwhm_px_error),
        ),
        Quantity(
            name="elongation", title="Elongation", unit="", decimals=2, good="1 is round, up to 1.2 is hardly seen",
            value=lambda row: row.elongation, error=lambda row: row.elongation_error,
            floor=1.0, least_top=1.25, mark=LOOKS_ROUND,
        ),
        Quantity(
            name="sky", title="Sky", unit="e⁻ s⁻¹ px⁻¹" if in_electrons else "ADU", good="lower is darker",
            value=(lambda row: row.sky_e_per_s) if in_electrons else (lambda row: row.sky_adu),
        ),
        Quantity(
            name="stars", title="Stars found", unit="", decimals=0, good="more, and steady",
            value=lambda row: None if row.n_stars is None else float(row.n_stars), floor=0.0,
        ),
        Quantity(
            name="transparency", title="Transparency", unit="", decimals=2, good="1 is the clearest frame of its group",
            value=lambda row: row.transparency, floor=0.0, least_top=1.05, mark=1.0,
        ),
        Quantity(
            name="effective", title="Effective exposure", unit="s", good="as long as the exposure itself",
            value=lambda row: row.effective_exposure_s, floor=0.0, mark=_one_exposure(rows),
        ),
    )  # fmt: skip


def _fwhm_error_arcsec(row: FrameRow) -> float | None:
    if row.fwhm_px_error is None or row.fwhm_arcsec is None or not row.fwhm_px:
        return None
    return row.fwhm_px_error * row.fwhm_arcsec / row.fwhm_px


def _one_exposure(rows: Sequence[FrameRow]) -> float | None:
    """The exposure that all frames share."""
    exposures = {row.exposure_s for row in rows}
    return exposures.pop() if len(exposures) == 1 else None


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
    values = [quantity.value(row) for row in rows]
    known = [value for value in values if value is not None]
    unit = f"\u202f{quantity.unit}" if quantity.unit else ""
    typical = f"{quantity.shown(median(known))}{unit}"
    text = (
        f"{quantity.title} of {counted(len(known), 'frame')} along the night: from {quantity.shown(min(known))} to "
        f"{quantity.shown(max(known))}{unit}, median {typical}; {quantity.good}."
    )

    def draw(width: int) -> str:
        under = 34 if is_last else 8
        figure = new_figure(width, _HEIGHT_PX + under)
        axes = place(figure, _LEFT_PX, 8, width - _LEFT_PX - _RIGHT_PX, _HEIGHT_PX - 8)
        low, high = _limits(quantity, rows)
        axes.set_ylim(low, high)
        _along(axes, axis, width, labels=is_last)
        if is_last:
            axes.set_xlabel(axis.caption, color=QUIET, fontsize=11.5, labelpad=3)
        _scale(axes, quantity)
        _course(axes, axis, values, rows, quantity)
        return inline_svg(figure, f"{quantity.name}-{width}", f"{quantity.title} along the night", text)

    return Strip(
        name=quantity.name, title=quantity.title, unit=quantity.unit, good=quantity.good, typical=typical,
        wide=draw(WIDE_PX), narrow=draw(NARROW_PX),
    )  # fmt: skip


def _limits(quantity: Quantity, rows: Sequence[FrameRow]) -> tuple[float, float]:
    """A scale on which the frames worth stacking can be told apart; far-off ones are drawn at its edge."""
    values = [value for row in rows if (value := quantity.value(row)) is not None]
    core = [value for row in rows if row.grade != "reject" and (value := quantity.value(row)) is not None]
    core = core if len(core) >= 3 else values
    span = max(max(core) - min(core), 0.08 * abs(median(core)), 1e-6)
    low = max(min(values), min(core) - span) - 0.12 * span
    high = min(max(values), max(core) + span) + 0.15 * span
    if quantity.floor is not None:
        low = quantity.floor
    if quantity.mark is not None and quantity.floor == 0:
        high = max(high, quantity.mark * 1.06)
    return low, max(high, quantity.least_top or high)


def _along(axes: "Axes", axis: TimeAxis, width: int, *, labels: bool) -> None:
    """The hours: fine lines across every strip, figures under the first and the last."""
    quiet(axes, size_px=11.5)
    axes.set_xlim(axis.start, axis.end)
    marks = axis.marks(at_most=10 if width == WIDE_PX else 5)
    axes.set_xticks([at for at, _ in marks], [label for _, label in marks] if labels else [""] * len(marks))
    axes.grid(axis="x", color=LINE, linewidth=0.7, linestyle=(0, (1, 3)))
    axes.set_axisbelow(True)


def _scale(axes: "Axes", quantity: Quantity) -> None:
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    axes.yaxis.set_major_locator(MaxNLocator(nbins=3, integer=quantity.decimals == 0))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.6g}".replace(",", "\u202f")))
    axes.grid(axis="y", color=LINE, linewidth=0.7)
    axes.tick_params(axis="y", length=0)
    if quantity.mark is not None:
        axes.axhline(quantity.mark, color=QUIET, linewidth=1, linestyle=(0, (4, 3)))


def _course(
    axes: "Axes", axis: TimeAxis, values: Sequence[float | None], rows: Sequence[FrameRow], quantity: Quantity
) -> None:
    """A pale line through the frames of each group, error bars, and a mark a frame."""
    nan = math.nan
    at = [nan if value is None else value for value in values]
    for group in dict.fromkeys(row.group for row in rows):
        line = [
            (x, y) for x, y, row in zip(axis.positions, at, rows, strict=True)
            if row.group == group and row.grade != "reject" and not math.isnan(y)
        ]  # fmt: skip
        axes.plot([x for x, _ in line], [y for _, y in line], color=QUIET, linewidth=0.8, alpha=0.55)
    errors = [quantity.error(row) for row in rows]
    bars = [(x, y, e) for x, y, e in zip(axis.positions, at, errors, strict=True) if e is not None]
    axes.plot(
        [x for x, _, _ in bars for x in (x, x, nan)],
        [end for _, y, e in bars for end in (y - e, y + e, nan)],
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
