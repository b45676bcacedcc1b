"""A judged night read again from its night.json, as others are set beside it; a sentence where it is none."""

from dataclasses import dataclass, replace
from datetime import datetime
from math import hypot
from pathlib import Path
from typing import Any, Final

from framecheck.decision.frame_row import FrameRow
from framecheck.decision.night_document import SCHEMA, NightDocument
from framecheck.decision.records import GroupSummary
from framecheck.document import LARGEST_FILE, NoRecord, record_of
from framecheck.errors import UnusableRequest, refused
from framecheck.read.foreign_json import json_of
from framecheck.read.paths import read_plain
from framecheck.read.rig_keys import KEYS

Fact = float | str | None

RIG_FACTS: Final = tuple(key.name for key in KEYS if key.noun)
"""Of night.json's `rig`: what makes one rig another."""
_USED: Final = ("source", "generator", "rig", "groups", "frames", "tracking", "budget", "findings", "field_stretches",
              "morning")  # fmt: skip
"""Fields that others are compared by; what else a file holds is not looked at."""
_MOST_STRETCHES: Final = 100
"""Of a night. Chosen: eight are written."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Course:
    """Pointing of the largest group between exposures, dithers and flips taken out: in arcseconds, or in pixels."""

    minutes: tuple[float, ...]
    ra_arcsec: tuple[float, ...] | None = None
    dec_arcsec: tuple[float, ...] | None = None
    x_px: tuple[float, ...] = ()
    y_px: tuple[float, ...] = ()

    @property
    def in_arcsec(self) -> bool:
        """False if in pixels: the axes are not known."""
        return self.ra_arcsec is not None

    @property
    def places(self) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Along both axes."""
        return (self.x_px, self.y_px) if self.ra_arcsec is None else (self.ra_arcsec, self.dec_arcsec or ())


@dataclass(frozen=True, kw_only=True, slots=True)
class PastNight(NightDocument):
    """A judged night: its document with the measured frames alone, in order of time."""

    name: str
    """What it is called among others."""
    course: Course | None = None

    @property
    def scale_arcsec(self) -> float | None:
        """Arcseconds a pixel."""
        return self.rig.pixel_scale_arcsec

    @property
    def main(self) -> GroupSummary | None:
        """The largest group."""
        return max(self.groups, key=lambda group: group.n_frames, default=None)

    @property
    def main_frames(self) -> tuple[FrameRow, ...]:
        """Those of the largest group."""
        main = self.main
        return tuple(frame for frame in self.frames if main is not None and frame.group == main.id)

    @property
    def start_utc(self) -> datetime | None:
        """Of the first frame that knows it."""
        return min((frame.start for frame in self.frames if frame.start is not None), default=None)

    @property
    def by_utc(self) -> bool:
        """False where the first frame's start is that of a clock which does not name its zone."""
        start = self.start_utc
        return all(frame.start_local is None for frame in self.frames if frame.start == start)

    @property
    def air_share(self) -> float | None:
        """Part of the squared FWHM that the air makes."""
        return next((term.share for term in self.budget if term.term == "atmosphere"), None)

    @property
    def sensor_arcmin(self) -> tuple[float, float] | None:
        """Field of view."""
        field = self.field_stretches
        if field is None or self.scale_arcsec is None:
            return None
        return field.width_px * self.scale_arcsec / 60, field.height_px * self.scale_arcsec / 60

    @property
    def facts(self) -> dict[str, Fact]:
        """Of the rig, by the names of `RIG_FACTS`."""
        return {name: getattr(self.rig, name) for name in RIG_FACTS}


def budget_fwhm_arcsec(night: PastNight) -> float | None:
    """Recorded width that the budget's terms make together."""
    widths = [term.fwhm_arcsec for term in night.budget]
    return None if not widths or any(width is None for width in widths) else hypot(*(width or 0.0 for width in widths))


def read_past_night(file: Path, name: str) -> PastNight:
    """Read a night.json.

    Parameters
    ----------
    file : Path
        Written by `framecheck night`, of this version or an older one.
    name : str
        What the night is called among others.

    Raises
    ------
    UnusableRequest
        If it cannot be read or is something else; the message says what to do.
    """
    try:
        text = read_plain(file, LARGEST_FILE).decode()
    except (OSError, UnicodeDecodeError) as why:
        reason = getattr(why, "strerror", None) or "it isn't text"
        said = f"{file}: cannot be read: {reason}. Give a report folder of `framecheck night`."
        raise (refused(why, said) if isinstance(why, OSError) else UnusableRequest(said)) from why
    try:
        document = json_of(text)
    except ValueError as why:
        raise UnusableRequest(
            f"{file}: this isn't a complete night.json. Run `framecheck night` again; frames known to the logbook take "
            "seconds."
        ) from why
    return past_night(document, name, str(file))


def past_night(document: Any, name: str, source: str) -> PastNight:
    """Take what a comparison needs from a night's document.

    Parameters
    ----------
    document : dict
        As `NightDocument` is written. What an older version did not write stays unknown.
    name, source : str
        What the night is called, and where it comes from, for the message.

    Raises
    ------
    UnusableRequest
        If it is something else.
    """
    try:
        return _past_night(document, name)
    except NoRecord as why:
        raise UnusableRequest(
            f"{source}: this isn't a night.json of framecheck: {why}. Give a report folder of `framecheck night`, or "
            "run it again."
        ) from why


def _past_night(document: Any, name: str) -> PastNight:
    if not isinstance(document, dict):
        raise NoRecord("the file isn't a table of fields")
    schema = document.get("schema")
    if type(schema) is not int or schema != SCHEMA:
        raise NoRecord(
            f"its schema is {str(schema)[:60]}, ours is {SCHEMA}" if schema is not None else "it has no schema"
        )
    used = {key: document[key] for key in _USED if document.get(key) is not None}
    night = record_of(PastNight, used | {"name": name})
    if night.field_stretches is not None and len(night.field_stretches.each) > _MOST_STRETCHES:
        raise NoRecord(f"field_stretches.each has {len(night.field_stretches.each)} entries")
    measured = sorted((frame for frame in night.frames if frame.status == "measured"), key=_when)
    return replace(night, frames=tuple(measured), course=_course(document.get("charts"), night.main))


def _when(frame: FrameRow) -> tuple[bool, float]:
    """In order of time, those without one last."""
    start = frame.start
    return start is None, 0.0 if start is None else start.timestamp()


@dataclass(frozen=True, kw_only=True, slots=True)
class _GroupCharts:
    group: str | None = None
    course: Course | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class _Charts:
    groups: tuple[_GroupCharts, ...] = ()
    course: Course | None = None
    """Older versions drew the largest group alone."""


def _course(charts: Any, main: GroupSummary | None) -> Course | None:
    """The course behind the pictures of the largest group."""
    if charts is None:
        return None
    drawn = record_of(_Charts, charts)
    mine = (one.course for one in drawn.groups if main is not None and one.group == main.id)
    course = next(mine, drawn.course)
    if course is not None and len({len(course.minutes), *map(len, course.places)}) != 1:
        raise NoRecord("the columns of charts.course differ in length")
    return course
