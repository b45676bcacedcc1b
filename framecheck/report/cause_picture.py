"""The one picture that shows a cause best: measured beside modelled, or frames with the cause beside those without."""

from collections.abc import Callable, Mapping
from pathlib import Path
from statistics import median
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, get_args

from framecheck.causes.catalogue import CAUSES
from framecheck.causes.cause import Picture
from framecheck.causes.result import Finding
from framecheck.decision.course import FEWEST
from framecheck.decision.frame_row import FrameRow
from framecheck.decision.judgement import Judgement
from framecheck.quantity import BY_NAME, Curve, shown_as
from framecheck.report.budget_chart import budget_chart
from framecheck.report.cause_photo import CROSSED, cause_photo
from framecheck.report.chart import Chart, plotted, renamed
from framecheck.report.crops import FramePictures
from framecheck.report.drawing import KEEP, QUIET, REJECT
from framecheck.report.field_map import field_chart
from framecheck.report.motion_chart import motion_charts
from framecheck.report.night_charts import sharpness_charts
from framecheck.report.star_picture import star_chart
from framecheck.report.time_axis import time_axis
from framecheck.words import counted, path_in

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Draw = Callable[[Judgement], Chart | None]


def cause_picture(judgement: Judgement, finding: Finding, pictures: Mapping[Path, FramePictures]) -> Chart | None:
    """Its own picture; else, along the night, the frames that it touched beside the others."""
    drawn = (_PICTURES[name](judgement) for name in CAUSES[finding.cause].pictures)
    chart = next((one for one in drawn if one is not None), None) or cause_photo(judgement, finding, pictures)
    chart = chart or _touched(judgement, finding)
    return None if chart is None else renamed(chart, f"-{finding.cause}")


def _motion(name: str) -> Draw:
    """One of the pictures of the largest group's motion, if there is such a one."""

    def draw(judgement: Judgement) -> Chart | None:
        charts = (one for figures in judgement.pictured[:1] for one in motion_charts(judgement, figures))
        return next((one for one in charts if one.name == name), None)

    return draw


def _against(name: str) -> Draw:
    """Star size against air mass or temperature."""
    return lambda judgement: next((one for one in sharpness_charts(judgement.rows) if one.name == name), None)


def _mean_star(judgement: Judgement) -> Chart | None:
    return star_chart(judgement, judgement.pictured[0].mean_stars) if judgement.pictured else None


_PICTURES: Final[Mapping[Picture, Draw]] = MappingProxyType({
    **{name: _motion(name) for name in get_args(Picture)[:3]},
    "field": field_chart,
    "mean star": _mean_star,
    "budget": budget_chart,
    **{name: _against(name) for name in get_args(Picture)[-2:]},
})  # fmt: skip


def _touched(judgement: Judgement, finding: Finding) -> Chart | None:
    """Frames with the cause and without it, along the night."""
    rows = [row for row in judgement.rows if row.status == "measured"]
    fwhm = next(one.name for one in shown_as("curve", rows) if one.name.startswith("fwhm"))
    quantity = BY_NAME[CAUSES[finding.cause].along or fwhm]
    curve = quantity.curve
    known = [(row, float(value)) for row in rows if (value := getattr(row, quantity.name)) is not None]
    if curve is None or len(known) < FEWEST or not finding.affected or finding.cause == CROSSED:
        return None
    names = {path_in(judgement.night.folder, judgement.night.frames[i].result.exposure.file) for i in finding.affected}
    parts = [[value for row, value in known if (row.file in names) is touched] for touched in (True, False)]
    unit = curve.unit if curve.unit in ("", "″") else f" {curve.unit}"
    told = [
        f"{counted(len(part), 'frame')} {how} it: median {quantity.text(median(part))}{unit}"
        for part, how in zip(parts, ("with", "without"), strict=True) if part
    ]  # fmt: skip
    return Chart(
        name="touched",
        title=f"{curve.title} with and without {CAUSES[finding.cause].culprit}",
        caption=f"{'; '.join(told)}. Crosses: frames it touched.",
        drawing=_drawn(known, names, curve, "; ".join(told)),
    )


def _drawn(known: list[tuple[FrameRow, float]], names: set[str], curve: Curve, text: str) -> str:
    axis = time_axis([row for row, _ in known])
    at = [(x, value, row.file in names) for x, (row, value) in zip(axis.positions, known, strict=True)]

    def draw(axes: "Axes") -> None:
        for touched, marker, colour in ((False, "o", KEEP), (True, "x", REJECT)):
            mine = [(x, value) for x, value, is_touched in at if is_touched is touched]
            axes.plot(
                [x for x, _ in mine], [value for _, value in mine], linestyle="none", marker=marker, color=colour,
                markersize=5, markeredgewidth=1.6 if touched else 0,
            )  # fmt: skip
        if axis.is_time:
            marks = axis.marks(6)
            axes.set_xticks([x for x, _ in marks], [label for _, label in marks])
        if isinstance(curve.mark, float | int):
            axes.axhline(curve.mark, color=QUIET, linewidth=1, linestyle=(0, (4, 3)))

    y = curve.title + (f", {curve.unit}" if curve.unit else "")
    return plotted("touched", f"{curve.title} along the night", f"{text}.", draw, x=axis.caption, y=y)
