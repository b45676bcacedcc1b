"""When the frames were taken, as positions along a chart."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from framecheck.decision.frame_row import FrameRow
from framecheck.decision.judgement import Judgement
from framecheck.read.local_time import local_time
from framecheck.words import listed

LONGEST_NIGHT: Final = timedelta(hours=20)
"""Chosen: longer than any night short of the polar circles; what spans more is shown frame by frame."""
_STEPS_MIN: Final = (1, 2, 5, 10, 15, 30, 60, 120, 180, 240)
"""[min] Distances between marks that a clock reader expects."""


@dataclass(frozen=True, kw_only=True, slots=True)
class TimeAxis:
    """Positions of the frames along a chart, and the marks under it."""

    positions: tuple[float, ...]
    """One a frame; hours where `is_time`, else the frame's number."""
    start: float
    end: float
    is_time: bool
    clock: str
    """What the marks show."""

    @property
    def caption(self) -> str:
        """The marks, where they have no others beside them."""
        return f"time of day, {self.clock}" if self.is_time else self.clock

    def marks(self, at_most: int) -> list[tuple[float, str]]:
        """Positions and labels of the marks, at most so many."""
        span = self.end - self.start
        if not self.is_time:
            step = next(s * 10**p for p in range(7) for s in (1, 2, 5) if span / (s * 10**p) <= at_most)
            first = max(step, -(-int(self.start) // step) * step)
            return [(float(n), str(n)) for n in range(first, int(self.end) + 1, step)]
        minutes = next((step for step in _STEPS_MIN if span * 60 / step <= at_most), _STEPS_MIN[-1])
        first = -int(-self.start * 60 // minutes) * minutes
        return [(at / 60, f"{at // 60 % 24:02d}:{at % 60:02d}") for at in range(first, int(self.end * 60) + 1, minutes)]


def time_axis(rows: Sequence[FrameRow]) -> TimeAxis:
    """Hours of the night if all frames know their start and belong to one night, else their order."""
    starts = [row.start for row in rows]
    known = [start for start in starts if start is not None]
    if len(known) == len(rows) and known and max(known) - min(known) < LONGEST_NIGHT:
        by_utc = all(row.start_local is None for row in rows)
        return _by_time(known, "UTC" if by_utc else "by the camera's clock")
    n = len(rows)
    return TimeAxis(
        positions=tuple(float(i) for i in range(1, n + 1)),
        start=0.5,
        end=n + 0.5,
        is_time=False,
        clock="frame number, in order of time",
    )


def _by_time(starts: list[datetime], clock: str) -> TimeAxis:
    first = min(starts)
    midnight = first.replace(hour=0, minute=0, second=0, microsecond=0)
    hours = [(start - midnight).total_seconds() / 3600 for start in starts]
    margin = max(0.02 * (max(hours) - min(hours)), 1 / 60)
    return TimeAxis(
        positions=tuple(hours),
        start=min(hours) - margin,
        end=max(hours) + margin,
        is_time=True,
        clock=clock,
    )


LONGEST_PAUSE_H: Final = 10.0
"""Frames further apart are of two nights. [h] Chosen: the shortest days, with dusk and dawn, are about as long."""


def dates(rows: Sequence[FrameRow]) -> str:
    """The date of the night, or the dates from evening to morning; empty if unknown."""
    starts = [row.start for row in rows if row.start is not None]
    if not starts:
        return ""
    first, last = min(starts), max(starts)
    if first.date() == last.date():
        return date_of(first)
    if first.year != last.year:
        return f"{date_of(first)} – {date_of(last)}"
    if first.month != last.month:
        return f"{first.day} {first:%B} – {date_of(last)}"
    return f"{first.day}–{date_of(last)}"


def night_hours(judgement: Judgement) -> str | None:
    """From when to when frames were taken, in UTC and by the clock of the place; None for several nights or no UTC."""
    spans = [
        (row.start, row.start + timedelta(seconds=row.exposure_s or 0))
        for row in judgement.rows
        if row.start is not None
    ]
    by_utc = all(row.start_local is None for row in judgement.rows)
    if not spans or not by_utc or max(spans)[0] - min(spans)[0] >= LONGEST_NIGHT:
        return None
    first, last = min(start for start, _ in spans), max(end for _, end in spans)
    local = local_time(judgement.night.rig)
    beside = "" if local is None else f" ({local.clock(first)} to {local.clock(last)} {local.name})"
    return f"{first:%H:%M} to {last:%H:%M} UTC{beside}"


def several_nights(rows: Sequence[FrameRow]) -> str | None:
    """A sentence, if the frames were not taken in one night: they are judged together, and that has its price."""
    starts = sorted(row.start for row in rows if row.start is not None)
    evenings = [one for before, one in zip([None, *starts], starts, strict=False) if _is_new_night(before, one)]
    if len(evenings) < 2:
        return None
    named = f" ({listed([date_of(evening) for evening in evenings])})" if len(evenings) <= 4 else ""
    return (
        f"These frames come from {len(evenings)} nights{named} and are judged as one. To see what changed, judge each "
        "night and run framecheck compare. If it was one night, the camera's clock was set in the middle of it."
    )


def _is_new_night(before: datetime | None, start: datetime) -> bool:
    return before is None or (start - before).total_seconds() > LONGEST_PAUSE_H * 3600


def date_of(moment: datetime) -> str:
    """A date as one says it: 12 September 2025."""
    return f"{moment.day} {moment:%B %Y}"
