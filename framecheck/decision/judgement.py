"""What a night comes to: grades, causes and advice, as night.json and the page tell them."""

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

from framecheck.causes.result import Evidence as Evidence
from framecheck.causes.result import Finding as Finding
from framecheck.causes.result import Rival as Rival
from framecheck.causes.result import Undecided as Undecided
from framecheck.decision.apertures import ApertureFigures, apertures
from framecheck.decision.choice import Choice, choice_of
from framecheck.decision.field_cells import FieldCells, field_cells
from framecheck.decision.first_look import morning_of
from framecheck.decision.frame_row import FrameRow, frame_rows
from framecheck.decision.grades import Aim as Aim
from framecheck.decision.grades import Grade
from framecheck.decision.group_figures import GroupFigures, group_figures
from framecheck.decision.morning import Morning
from framecheck.decision.records import BudgetName as BudgetName
from framecheck.decision.records import BudgetTerm as BudgetTerm
from framecheck.decision.records import FieldPattern as FieldPattern
from framecheck.decision.records import FieldStretch as FieldStretch
from framecheck.decision.records import FieldStretches as FieldStretches
from framecheck.decision.records import GroupSummary as GroupSummary
from framecheck.decision.records import MountAnswer as MountAnswer
from framecheck.decision.records import MountDecision as MountDecision
from framecheck.decision.records import Range as Range
from framecheck.decision.records import Sampled as Sampled
from framecheck.decision.records import Sampling as Sampling
from framecheck.decision.records import TrackingFigures as TrackingFigures
from framecheck.decision.records import WhatIf as WhatIf
from framecheck.decision.records import WhatIfCase as WhatIfCase
from framecheck.model.explain import ShareExplained
from framecheck.motion.night import Night
from framecheck.motion.standing import StandingCamera, standing_camera
from framecheck.night.ground import GroundInView, ground_in_view
from framecheck.notebook import small_table

if TYPE_CHECKING:
    from astropy.table import Table


@dataclass(frozen=True, kw_only=True)
class Judgement:
    """A night with all that is said about it; figures that several renderers tell are made once."""

    night: Night
    grades: tuple[Grade, ...]
    """One for each of `night.frames`, in the same order."""
    groups: tuple[GroupSummary, ...]
    aim: Aim
    tracking: TrackingFigures = field(default_factory=TrackingFigures)
    sampling: Sampling = field(default_factory=Sampling)
    field_pattern: FieldPattern = field(default_factory=FieldPattern)
    explained: ShareExplained = field(default_factory=ShareExplained)
    budget: tuple[BudgetTerm, ...] = ()
    findings: tuple[Finding, ...] = ()
    """Strongest first."""
    undecided: tuple[Undecided, ...] = ()
    mount_decision: MountDecision = field(default_factory=MountDecision)
    what_if: tuple[WhatIf, ...] = ()
    """The night as it was first, then as it would have been."""
    field_stretches: FieldStretches | None = None
    """The pattern again in each stretch of the night: how far it stays the same."""

    def __post_init__(self) -> None:
        if len(self.grades) != len(self.night.frames):
            raise ValueError(f"{len(self.grades)} grades for {len(self.night.frames)} frames")

    @cached_property
    def rows(self) -> tuple[FrameRow, ...]:
        """All frames, measured or failed, in order of start time."""
        return frame_rows(self.night, self.grades, self.findings)

    @cached_property
    def morning(self) -> Morning:
        """The answer in one look."""
        return morning_of(self)

    @cached_property
    def choice(self) -> Choice:
        """Frames from depth to sharpness."""
        return choice_of(self.night, self.grades)

    @cached_property
    def ground(self) -> GroundInView | None:
        """Ground in view; None without any."""
        return ground_in_view(self.night.frames, self.night.groups)

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
        told = self.morning
        rows = [(figure.name, figure.line) for figure in told.figures]
        rows += [("Do first", told.action.sentence), ("Mind", told.action.caution or "")]
        rows += [("Mount", told.mount.removeprefix("Mount: "))]
        rows += [("Doubtful", "" if told.doubtful is None else told.doubtful.sentence)]
        return small_table(told.verdict, rows)

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
