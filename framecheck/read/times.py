"""When the exposure began, in UTC: the dialects of dates, and the traps of local time and of midpoints."""

import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta, timezone
from typing import Final

from framecheck.read import keywords
from framecheck.read.cards import Header, Said

_ISO = re.compile(r"(\d{4})[-/](\d{1,2})[-/](\d{1,2})(?:[T ]+(\S.*))?\Z")
_OLD = re.compile(r"(\d{1,2})/(\d{1,2})/(\d{2,4})\Z")
_CLOCK = re.compile(
    r"(\d{1,2})[: ](\d{1,2})(?:[: ](\d{1,2}(?:\.\d*)?))?\s*(?:(Z|UTC?)|([+-])(\d{2}):?(\d{2}))?\Z", re.IGNORECASE
)

_JD_OF_MJD: Final = 2400000.5
_MJD_EPOCH: Final = datetime(1858, 11, 17, tzinfo=UTC)
_FIRST_SENSOR_YEAR: Final = 1970
"""[year] Chosen: an older date of a digital frame is a two-digit year read wrongly, or no date at all."""
_AHEAD_OF_UTC_S: Final = {"TAI": 37.0, "GPS": 18.0, "TT": 69.184, "TDT": 69.184, "ET": 69.184, "TDB": 69.184}
"""[s] Since 2017, IERS Bulletin C; a few seconds less for older frames, which nothing here depends on."""
_UTC_NAMES: Final = {"UTC", "UT", "UT1", "GMT", "Z"}
_SAME_S: Final = 1.0
"""[s] Chosen: stamps closer than this are the same moment written twice."""
_ZONE_STEP_S: Final = 900.0
"""[s] Time zones are whole quarters of an hour."""
_ZONE_MOST_S: Final = 14.5 * 3600
"""[s] The largest zone offset in use is 14 h; half an hour for rounding."""
_COARSE_S: Final = 150.0
"""[s] Chosen: a modified Julian date written with three decimals is good to 86 s."""


_NO_CLOCK: Final = "has no time of day"


class _NoMomentError(ValueError):
    """The text is no date that can be trusted; the message says why."""


def read_start(header: Header, exposure_s: float | None) -> Said[datetime]:
    """Start of the exposure in UTC; `exposure_s` is needed where the header gives the middle or the end only.

    The FITS year-2000 agreement (1997) gives the forms of a date: YYYY-MM-DDThh:mm:ss, or DD/MM/YY for 1900 to 1999; no
    zone letter. The standard leaves open whether DATE-OBS is start, middle or end: it is taken as the start unless its
    comment, DATE-AVG or DATE-END show otherwise.
    """
    conflicts: list[str] = []
    for keyword, moment in _moments(header, conflicts):
        utc, source = _put_right_if_local(header, keyword, moment, conflicts)
        if utc is None:
            continue
        utc = _to_utc(header, utc, conflicts)
        part = _part_of_exposure(header, keyword, moment, exposure_s, conflicts)
        if part and exposure_s is None:
            conflicts.append(f"{keyword} is not the start of the exposure, and no exposure time tells the start.")
            continue
        try:
            utc -= timedelta(seconds=part * (exposure_s or 0.0))
        except OverflowError:
            continue
        return Said(value=utc, source=source + _clock_source(header, keyword), conflicts=tuple(conflicts))
    return Said(conflicts=tuple(conflicts))


def span_s(header: Header) -> float | None:
    """Time from the start to the end of the exposure, where the header gives both. [s]"""
    start, end = header.first(keywords.START), header.first(keywords.END)
    if start is None or end is None:
        return None
    try:
        return _gap_s(header, end, _moment(header, start, header.text(start) or "", []))
    except _NoMomentError:
        return None


def _clock_source(header: Header, keyword: str) -> str:
    """The card of the clock, where the date stands alone in its own."""
    text = header.text(keyword) or ""
    iso = _ISO.match(text)
    day_alone = iso[4] is None if iso else _OLD.match(text) is not None
    clock = header.first(keywords.CLOCK)
    return f" and {clock}" if day_alone and clock else ""


def _moments(header: Header, conflicts: list[str]) -> Iterator[tuple[str, datetime]]:
    """Every moment that the header states, the one to trust most first; those without a zone taken as UTC."""
    julian = (*keywords.MJD_START, *keywords.JD_START, *keywords.MJD_MIDDLE, *keywords.JD_MIDDLE)
    for keyword in (*keywords.START, *keywords.MIDDLE, *keywords.END):
        text = header.text(keyword)
        if text is None:
            continue
        try:
            yield keyword, _moment(header, keyword, text, conflicts)
        except _NoMomentError as why:
            if str(why) != _NO_CLOCK or not any(_julian(header, name) for name in julian):
                conflicts.append(f"{keyword} = '{text}' {why}.")
    for keyword in julian:
        utc = _julian(header, keyword)
        if utc is not None:
            yield keyword, utc


def _moment(header: Header, keyword: str, text: str, conflicts: list[str]) -> datetime:
    day, clock = _date(keyword, text, conflicts)
    if clock is None:
        where = header.first(keywords.CLOCK)
        if where is None:
            raise _NoMomentError(_NO_CLOCK)
        stamp = header.text(where) or ""
        iso = _ISO.match(stamp)
        clock = iso[4] if iso else stamp
    return _at(day, clock or "")


def _date(keyword: str, text: str, conflicts: list[str]) -> tuple[date, str | None]:
    """Day, and the clock's part of the text if it has one."""
    try:
        if iso := _ISO.match(text):
            year, month, day = (int(part) for part in iso.groups()[:3])
            return date(year, month, day), iso.group(4)
        if old := _OLD.match(text):
            day, month, year = (int(part) for part in old.groups())
            if len(old.group(3)) == 4:
                return _day_or_month_first(day, month, year), None
            year += 1900  # the standard's meaning of two digits; three are a year that went on counting past 99
            if year < _FIRST_SENSOR_YEAR:
                year += 100
                conflicts.append(f"{keyword} = '{text}' means {year - 100} by the standard; we used {year}.")
            return date(year, month, day), None
    except ValueError as why:
        if isinstance(why, _NoMomentError):
            raise
        raise _NoMomentError("isn't a day of the calendar") from None
    raise _NoMomentError("is not written as a date (YYYY-MM-DDThh:mm:ss)")


def _day_or_month_first(first: int, second: int, year: int) -> date:
    if first <= 12 and second <= 12 and first != second:
        raise _NoMomentError("may have day or month first")
    return date(year, second, first) if second <= 12 else date(year, first, second)


def _at(day: date, clock: str) -> datetime:
    match = _CLOCK.match(clock.strip())
    if match is None:
        raise _NoMomentError("has no time of day that can be read")
    hours, minutes, seconds = int(match.group(1)), int(match.group(2)), float(match.group(3) or 0)
    if hours > 23 or minutes > 59 or seconds >= 61:  # a 60th second is a leap second
        raise _NoMomentError("has no time of day that can be read")
    zone: timezone = UTC
    if match.group(5):
        ahead = timedelta(hours=int(match.group(6)), minutes=int(match.group(7)))
        if ahead >= timedelta(hours=24):
            raise _NoMomentError("has no time zone that can be read")
        zone = timezone(ahead if match.group(5) == "+" else -ahead)
    midnight = datetime(day.year, day.month, day.day, tzinfo=zone)
    try:
        return (midnight + timedelta(hours=hours, minutes=minutes, seconds=seconds)).astimezone(UTC)
    except OverflowError:
        raise _NoMomentError("isn't a day of the calendar") from None


def _julian(header: Header, keyword: str) -> datetime | None:
    days = header.number(keyword)
    if days is None:
        return None
    if keyword in (*keywords.JD_START, *keywords.JD_MIDDLE):
        days -= _JD_OF_MJD
    try:
        utc = _MJD_EPOCH + timedelta(days=days)
    except OverflowError:
        return None
    return utc if utc.year >= _FIRST_SENSOR_YEAR else None


def _put_right_if_local(
    header: Header, keyword: str, moment: datetime, conflicts: list[str]
) -> tuple[datetime | None, str]:
    """The moment in UTC. Whole zone steps away from what the header gives as UT, it was local time.

    None if it is local time by its own comment and nothing tells the zone.
    """
    if keyword not in keywords.START:
        return moment, keyword
    apart_s = max(_COARSE_S, 2 * (header.number("EXPTIME") or 0.0))
    for other, utc in _second_opinions(header, moment):
        off_s = (moment - utc).total_seconds()
        steps = round(off_s / _ZONE_STEP_S)
        in_zone_range = max(apart_s, 2 * _ZONE_STEP_S - _COARSE_S) < abs(off_s) <= _ZONE_MOST_S
        if in_zone_range and abs(off_s - steps * _ZONE_STEP_S) <= _COARSE_S:
            hours = steps * _ZONE_STEP_S / 3600
            conflicts.append(f"{keyword} is {hours:+g} h from {other}: read as local time, {other} as UTC.")
            return moment - timedelta(seconds=steps * _ZONE_STEP_S), f"{keyword} and {other}"
        if abs(off_s) <= apart_s:
            return moment, keyword
        conflicts.append(f"{keyword} and {other} are {abs(off_s):.0f} s apart; we used {keyword}.")
    if _says_local(header.comment(keyword)) and not _has_zone(header.text(keyword) or ""):
        conflicts.append(f"{keyword} is local time by its comment, and nothing in the header gives UTC.")
        return None, keyword
    local = header.first(keywords.LOCAL)
    if local is not None and _same(header, local, moment):
        conflicts.append(f"{keyword} and {local} are the same: either UTC is local time there or one is wrong.")
    return moment, keyword


def _second_opinions(header: Header, moment: datetime) -> Iterator[tuple[str, datetime]]:
    for keyword in keywords.UT_CLOCK:
        text = header.text(keyword)
        if text is None:
            continue
        try:
            if iso := _ISO.match(text):
                yield keyword, _at(date(int(iso[1]), int(iso[2]), int(iso[3])), iso[4] or "")
                continue
            utc = _at(moment.date(), text)
        except ValueError:
            continue
        days = round((moment - utc).total_seconds() / 86400)
        yield keyword, utc + timedelta(days=days)
    for keyword in (*keywords.MJD_START, *keywords.JD_START):
        julian = _julian(header, keyword)
        if julian is not None:
            yield keyword, julian


def _to_utc(header: Header, moment: datetime, conflicts: list[str]) -> datetime:
    scale = (header.text("TIMESYS") or "UTC").upper()
    scale = re.split(r"[^A-Z0-9]", scale)[0]
    if scale in _UTC_NAMES:
        return moment
    ahead_s = _AHEAD_OF_UTC_S.get(scale)
    if ahead_s is None:
        conflicts.append(f"TIMESYS = '{scale}' isn't a time scale we know; we read the times as UTC.")
        return moment
    return moment - timedelta(seconds=ahead_s)


def _part_of_exposure(
    header: Header, keyword: str, moment: datetime, exposure_s: float | None, conflicts: list[str]
) -> float:
    """How much of the exposure had passed at the moment: 0 at its start, 0.5 in its middle, 1 at its end."""
    comment = header.comment(keyword)
    if keyword in (*keywords.MIDDLE, *keywords.MJD_MIDDLE, *keywords.JD_MIDDLE):
        return 0.5
    if keyword in keywords.END:
        return 1.0
    if re.search(r"\bmid(dle|point)?\b|\bmid-?(exp|time|obs)", comment):
        return 0.5
    if re.search(r"\bend of\b|\bat end\b|\bshutter clos", comment) and "start" not in comment:
        return 1.0
    if exposure_s is None or exposure_s <= 2 * _SAME_S:
        return 0.0
    near_s = max(_SAME_S, 0.05 * exposure_s)
    middle = header.first(keywords.MIDDLE)
    if middle is not None and _gap_s(header, middle, moment) is not None and _same(header, middle, moment):
        conflicts.append(f"{keyword} equals {middle}: it is the middle of the exposure, not its start.")
        return 0.5
    end = header.first(keywords.END)
    gap_s = None if end is None else _gap_s(header, end, moment)
    if gap_s is None:
        return 0.0
    for part in (0.5, 1.0):
        if abs(gap_s - (1 - part) * exposure_s) <= near_s:
            where = "middle" if part == 0.5 else "end"
            conflicts.append(f"{end} shows that {keyword} is the {where} of the exposure, not its start.")
            return part
    return 0.0


def _gap_s(header: Header, keyword: str, moment: datetime) -> float | None:
    try:
        return (_moment(header, keyword, header.text(keyword) or "", []) - moment).total_seconds()
    except _NoMomentError:
        return None


def _same(header: Header, keyword: str, moment: datetime) -> bool:
    gap_s = _gap_s(header, keyword, moment)
    return gap_s is not None and abs(gap_s) <= _SAME_S


def _has_zone(text: str) -> bool:
    return re.search(r"(Z|[+-]\d{2}:?\d{2})\Z", text) is not None and ":" in text


def _says_local(comment: str) -> bool:
    return re.search(r"\blocal\b|\blt\b", comment) is not None and re.search(r"\but[c1]?\b", comment) is None
