"""What is drawn of a group of frames: its pointing, its rhythm, its stack as frames are left out."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from framecheck.decision.course import FEWEST, PointingCourse, Wave, course_of, wave_of
from framecheck.decision.grades import Aim, StackCurve, stack_curve
from framecheck.decision.mean_stars import MeanStarShown, mean_stars
from framecheck.motion.night import Night
from framecheck.night.records import Group

MOST_GROUPS: Final = 8
"""Chosen: two targets through four filters; the page stays small and is drawn in seconds."""


@dataclass(frozen=True, kw_only=True, slots=True)
class GroupFigures:
    """Of one group; None where there is nothing to show."""

    group: Group
    course: PointingCourse | None
    wave: Wave | None
    stack: StackCurve
    mean_stars: tuple[MeanStarShown, ...]


def group_figures(night: Night, aim: Aim) -> Iterator[GroupFigures]:
    """The groups that have pictures, the largest first."""
    scale_arcsec = night.rig.pixel_scale_arcsec
    groups = sorted(night.groups, key=lambda group: -len(group.members))
    for group in [group for group in groups[:MOST_GROUPS] if len(group.members) >= FEWEST] or groups[:1]:
        motion, tracking = night.motion.get(group.id), night.tracking.get(group.id)
        yield GroupFigures(
            group=group,
            course=None if motion is None else course_of(motion, tracking),
            wave=None if motion is None or tracking is None else wave_of(motion, tracking, scale_arcsec),
            stack=stack_curve(night, group, aim),
            mean_stars=mean_stars(night, group),
        )
