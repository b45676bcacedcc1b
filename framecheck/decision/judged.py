"""A night with its grades, causes and decisions: what the first look at it is made from."""

from dataclasses import dataclass, field
from functools import cached_property

from framecheck.causes.result import Finding
from framecheck.decision.choice import Choice, choice_of
from framecheck.decision.frame_row import FrameRow, frame_rows
from framecheck.decision.grades import Aim, Grade
from framecheck.decision.records import BudgetTerm, MountDecision, TrackingFigures
from framecheck.motion.night import Night


@dataclass(frozen=True, kw_only=True)
class Judged:
    """Frames with what was decided on them."""

    night: Night
    grades: tuple[Grade, ...]
    """One for each of `night.frames`, in the same order."""
    aim: Aim
    """What the stack is for."""
    tracking: TrackingFigures = field(default_factory=TrackingFigures)
    budget: tuple[BudgetTerm, ...] = ()
    findings: tuple[Finding, ...] = ()
    """Strongest first."""
    mount_decision: MountDecision = field(default_factory=MountDecision)

    def __post_init__(self) -> None:
        if len(self.grades) != len(self.night.frames):
            raise ValueError(f"{len(self.grades)} grades for {len(self.night.frames)} frames")

    @cached_property
    def rows(self) -> tuple[FrameRow, ...]:
        """All frames, measured or failed, in order of start time."""
        return frame_rows(self.night, self.grades, self.findings)

    @cached_property
    def choice(self) -> Choice:
        """Frames from depth to sharpness."""
        return choice_of(self.night, self.grades)
