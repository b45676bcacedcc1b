"""Which frames belong to the night that is going on."""

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Final

from framecheck.errors import UnusableFrame
from framecheck.field import FrameFailure, FrameResult
from framecheck.night.records import Skipped
from framecheck.pipeline import Measurements, Outcome
from framecheck.read import read_exposure

DAY: Final = timedelta(hours=6)
"""A pause between frames that is a day. Chosen: longer than any pause for clouds that is waited for, shorter than any
day at which there are nights; the shortest at 60 degrees of latitude has 6 h."""
_NIGHT: Final = timedelta(hours=20)
"""Longest night. Chosen."""


def begin_of_night(starts: Iterable[datetime | None]) -> datetime | None:
    """Start of the first frame after the last day; None if no frame knows its time."""
    known = sorted(start for start in starts if start is not None)
    if not known:
        return None
    begin = known[0]
    for earlier, later in pairwise(known):
        if later - earlier > DAY:
            begin = later
    return begin


def of_earlier_nights(paths: Iterable[Path]) -> list[Path]:
    """Files whose headers say that a day has passed since, before later frames came; none is read further."""
    starts: dict[Path, datetime] = {}
    for path in paths:
        try:
            start = read_exposure(path).start_by_clock
        except UnusableFrame:
            continue
        if start is not None:
            starts[path] = start
    begin = begin_of_night(starts.values())
    return [] if begin is None else [path for path, start in starts.items() if start < begin]


def latest_night(outcomes: Mapping[Path, Outcome]) -> Measurements:
    """What was measured of the latest night; files without a time are of any."""
    results = [one for one in outcomes.values() if isinstance(one, FrameResult)]
    failures = [one for one in outcomes.values() if isinstance(one, FrameFailure)]
    begin = begin_of_night(result.exposure.start_by_clock for result in results)

    def is_now(start: datetime | None) -> bool:
        return begin is None or start is None or start >= begin

    return Measurements(
        results=tuple(one for one in results if is_now(one.exposure.start_by_clock)),
        failures=tuple(
            one for one in failures if is_now(None if one.exposure is None else one.exposure.start_by_clock)
        ),
        skipped=tuple(one for one in outcomes.values() if isinstance(one, Skipped)),
    )


def is_same_night(one: datetime | None, other: datetime | None) -> bool:
    """Whether two times that nights began at are of one and the same."""
    return one == other if one is None or other is None else abs(one - other) < _NIGHT
