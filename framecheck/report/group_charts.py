"""The pictures that show one group of frames at a time, for each group that is large enough."""

from dataclasses import dataclass, replace

from framecheck.decision.group_figures import GroupFigures
from framecheck.decision.judgement import Judgement
from framecheck.report.chart import Chart
from framecheck.report.drawing import with_ending
from framecheck.report.motion_chart import motion_charts
from framecheck.report.night_charts import stack_chart
from framecheck.report.star_picture import star_chart
from framecheck.words import counted, plain


@dataclass(frozen=True, kw_only=True, slots=True)
class GroupCharts:
    """Pictures of one group, by the section of the page that shows them."""

    number: int
    title: str
    stack: Chart | None
    stars: Chart | None
    motion: tuple[Chart, ...]


def group_charts(judgement: Judgement) -> list[GroupCharts]:
    """The pictures of every group shown; their names carry the group's number from the second on."""
    return [_charts(judgement, group, number) for number, group in enumerate(judgement.pictured)]


def _charts(judgement: Judgement, figures: GroupFigures, number: int) -> GroupCharts:
    def named(chart: Chart) -> Chart:
        ending = f"-{number + 1}"
        if number == 0:
            return chart
        return replace(chart, name=chart.name + ending, drawing=with_ending(chart.drawing, ending))

    group = figures.group
    stack, stars = stack_chart(judgement, figures), star_chart(judgement, group)
    return GroupCharts(
        number=number,
        title=f"{plain(group.id)}, {counted(len(group.members), 'frame')}",
        stack=None if stack is None else named(stack),
        stars=None if stars is None else named(stars),
        motion=tuple(named(chart) for chart in motion_charts(judgement, figures)),
    )
