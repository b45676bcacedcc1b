"""What a night comes to: grades, causes and advice, as night.json and the page tell them."""

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

from framecheck.causes.result import Undecided
from framecheck.decision.apertures import ApertureFigures, apertures
from framecheck.decision.field_cells import FieldCells, field_cells
from framecheck.decision.first_look import morning_of
from framecheck.decision.group_figures import GroupFigures, group_figures
from framecheck.decision.judged import Judged
from framecheck.decision.moonlight import BrightMoon, bright_moon
from framecheck.decision.morning import Morning
from framecheck.decision.records import FieldPattern, FieldStretches, GroupSummary, Sampling, WhatIf
from framecheck.model.explain import ShareExplained
from framecheck.motion.standing import StandingCamera, standing_camera
from framecheck.night.ground import GroundInView, ground_in_view
from framecheck.notebook import small_table

if TYPE_CHECKING:
    from astropy.table import Table


@dataclass(frozen=True, kw_only=True)
class Judgement(Judged):
    """A night with all that is said about it; figures that several renderers tell are made once."""

    groups: tuple[GroupSummary, ...]
    sampling: Sampling = field(default_factory=Sampling)
    field_pattern: FieldPattern = field(default_factory=FieldPattern)
    explained: ShareExplained = field(default_factory=ShareExplained)
    undecided: tuple[Undecided, ...] = ()
    what_if: tuple[WhatIf, ...] = ()
    """The night as it was first, then as it would have been."""
    field_stretches: FieldStretches | None = None
    """The pattern again in each stretch of the night: how far it stays the same."""

    @cached_property
    def morning(self) -> Morning:
        """The answer in one look."""
        return morning_of(self)

    @cached_property
    def ground(self) -> GroundInView | None:
        """Ground in view; None without any."""
        return ground_in_view(self.night.frames, self.night.groups)

    @cached_property
    def moon(self) -> BrightMoon | None:
        """A bright Moon; None if there was none above the horizon."""
        return bright_moon(self.night)

    @cached_property
    def standing(self) -> StandingCamera | None:
        """How stars run over a camera that stands still; None where the mount follows, or nothing tells."""
        return standing_camera(self.night)

    @cached_property
    def apertures(self) -> tuple[ApertureFigures, ...]:
        """The lens at each f-number; empty with fewer than two."""
        return apertures(self.night.frames)

    @cached_property
    def cells(self) -> FieldCells | None:
        """The stars' shapes over the field; None with too few stars."""
        return field_cells(self.night, self.grades)

    @cached_property
    def cells_at_rest(self) -> FieldCells | None:
        """The same with the mount's motion taken off; None where none was measured."""
        return field_cells(self.night, self.grades, still=True)

    @cached_property
    def pictured(self) -> tuple[GroupFigures, ...]:
        """The groups that have pictures, the largest first."""
        return tuple(group_figures(self.night, self.aim))

    def _repr_html_(self) -> str:
        """As a notebook shows it: the first screen of the page in a few rows."""
        return small_table(self.morning.verdict, self.morning.rows)

    def to_table(self) -> "Table":
        """Tell the night frame by frame, as `Night.to_table`, with each frame's grade, its reasons and its benefit."""
        from astropy.table import MaskedColumn

        table = self.night.to_table()
        gains = [grade.benefit for grade in self.grades]
        added = (
            ("grade", [grade.grade for grade in self.grades], "keep, doubtful or reject"),
            ("reasons", ["; ".join(grade.reasons) for grade in self.grades], "why, in words"),
        )
        for place, (name, texts, meaning) in enumerate(added, 2):
            table.add_column(MaskedColumn(texts, dtype=str, description=meaning), name=name, index=place)
        table["benefit"] = MaskedColumn(
            [gain or 0.0 for gain in gains], mask=[gain is None for gain in gains], dtype=float,
            description="for the aim chosen: 1 for a frame like the stack, 0 where rejecting it changes nothing",
        )  # fmt: skip
        return table
