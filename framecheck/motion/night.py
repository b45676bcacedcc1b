"""The night: its frames set beside each other, and how the mount moved between and inside them."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from framecheck.field.result import FrameFailure
from framecheck.motion.records import Motion
from framecheck.motion.tracking import Tracking
from framecheck.night.records import Group, NightFrame, Skipped
from framecheck.notebook import small_table
from framecheck.read.rig import Rig
from framecheck.words import counted

if TYPE_CHECKING:
    from astropy.table import Table


@dataclass(frozen=True, kw_only=True, slots=True)
class Night:
    """All frames of one folder, measured and set beside each other."""

    folder: Path
    rig: Rig
    frames: tuple[NightFrame, ...]
    """In order of start time."""
    groups: tuple[Group, ...]
    motion: Mapping[str, Motion]
    """Group id -> motion between its frames."""
    failures: tuple[FrameFailure, ...]
    skipped: tuple[Skipped, ...]
    tracking: Mapping[str, Tracking] = field(default_factory=dict)
    """Group id -> how the mount moved its stars, inside exposures and between them."""
    rigs: Mapping[int, Rig] = field(default_factory=dict)
    """Session -> its rig, where they were taken with more than one; else empty."""

    def rig_of(self, session: int) -> Rig:
        """The rig that took a session's frames."""
        return self.rigs.get(session, self.rig)

    def to_table(self) -> "Table":
        """Tell the night frame by frame: one row each, columns with unit and description, unknown values masked."""
        from framecheck.night.night_table import night_table

        return night_table(self.folder, self.frames, len(self.failures))

    def _repr_html_(self) -> str:
        """As a notebook shows it."""
        rows = [(group.id, counted(len(group.members), "frame")) for group in self.groups]
        counts = [counted(len(self.frames), "frame")]
        if self.failures:
            counts.append(f"{len(self.failures)} unreadable")
        if self.skipped:
            counts.append(f"{counted(len(self.skipped), 'file')} skipped")
        return small_table(self.folder.name or "One night", rows, about=", ".join(counts))
