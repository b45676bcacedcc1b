"""Which frames belong to the night that is going on."""

from collections.abc import Iterable, Mapping
from datetime import datetime
from itertools import pairwise
from pathlib import Path

from framecheck.decision.history import NIGHT_GAP
from framecheck.errors import UnusableFrame
from framecheck.pipeline import Measurements, Outcome, sorted_out
from framecheck.read import Exposure, read_exposure
from framecheck.report.time_axis import LONGEST_NIGHT


def begin_of_night(starts: Iterable[datetime | None]) -> datetime | None:
    """Start of the first frame after the last day; None if no frame knows its time."""
    known = sorted(start for start in starts if start is not None)
    if not known:
        return None
    begin = known[0]
    for earlier, later in pairwise(known):
        if later - earlier > NIGHT_GAP:
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
    all_of_it = sorted_out(outcomes.values())
    begin = begin_of_night(result.exposure.start_by_clock for result in all_of_it.results)

    def is_now(exposure: Exposure | None) -> bool:
        start = None if exposure is None else exposure.start_by_clock
        return begin is None or start is None or start >= begin

    return Measurements(
        results=tuple(one for one in all_of_it.results if is_now(one.exposure)),
        failures=tuple(one for one in all_of_it.failures if is_now(one.exposure)),
        skipped=all_of_it.skipped,
    )


def is_same_night(one: datetime | None, other: datetime | None) -> bool:
    """Whether two times that nights began at are of one and the same."""
    return one == other if one is None or other is None else abs(one - other) < LONGEST_NIGHT
