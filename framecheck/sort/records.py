"""A sort before it is done: each frame, where it lies and where it shall lie."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

Way = Literal["copy", "move", "link"]
Progress = Callable[[int, int], None]
"""Called with steps done and steps in all."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Placing:
    """One frame, where it lies and where it shall lie."""

    name: str
    """Relative to the folder of frames, as the file of choices has it."""
    folder: str
    """One of `FOLDERS`."""
    source: Path
    target: Path
    n_bytes: int
    mtime_ns: int
    already_there: bool = False
    beside: bool = False
    """Whether it is no frame, but a file that belongs to one."""


@dataclass(frozen=True, kw_only=True, slots=True)
class SortPlan:
    """All that a sort will do, and what it will leave alone."""

    way: Way
    frames: Path
    into: Path
    placings: tuple[Placing, ...]
    problems: tuple[tuple[str, str], ...]
    """Frames that cannot be placed, each with a sentence."""
    n_ungraded: int
    n_bytes_written: int
    n_bytes_free: int

    @property
    def to_do(self) -> tuple[Placing, ...]:
        """Frames that are not in place yet."""
        return tuple(placing for placing in self.placings if not placing.already_there)
