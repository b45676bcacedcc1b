"""Start of the exposure in UTC, out of every dialect of dates."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest
from astropy.time import Time
from hypothesis import given
from hypothesis import strategies as st

from framecheck.read.cards import Card, Header
from framecheck.read.times import read_start

EVENING = datetime(2024, 3, 1, 21, 0, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


@pytest.mark.parametrize(
    ("lines", "exposure_s", "start"),
    [
        # FITS year-2000 agreement (1997): the forms of DATE-OBS
        (["DATE-OBS= '2024-03-01T21:00:00'"], 60, EVENING),
        (["DATE-OBS= '2024-03-01T21:00:00.250'"], 60, EVENING + timedelta(milliseconds=250)),
        (["DATE-OBS= '31/12/98'", "TIME-OBS= '21:00:00'"], 60, datetime(1998, 12, 31, 21, tzinfo=UTC)),
        # common practice: date and clock in cards of their own
        (["DATE-OBS= '2024-03-01'", "TIME-OBS= '21:00:00.0'"], 60, EVENING),
        (["DATE-OBS= '2024-03-01'", "UT = '21 00 00'"], 60, EVENING),
        (["DATE-OBS= '2024-03-01'", "UTSTART = '21:00'"], 60, EVENING),
        # common practice: a blank for the T, a Z that the standard does not allow
        (["DATE-OBS= '2024-03-01 21:00:00'"], 60, EVENING),
        (["DATE-OBS= '2024-03-01T21:00:00Z'"], 60, EVENING),
        # met in a school telescope's files: local time with its zone, UT in another card
        (
            ["DATE-OBS= '2024-03-01T14:00:00-0700' / LT", "UT-OBS = '2024-03-01T21:00:00-0000'"],
            60,
            EVENING,
        ),
        # met in a survey's files: years that went on counting past 99, JD 2452482.31709 beside it
        (["DATE-OBS= '26/07/102'", "TIME-OBS= '19:36:37'"], 60, datetime(2002, 7, 26, 19, 36, 37, tzinfo=UTC)),
        # Rots et al. 2015, A&A 574, A36: DATE-BEG, DATE-AVG, DATE-END
        (["DATE-BEG= '2024-03-01T21:00:00'", "DATE-OBS= '2024-03-01T21:05:00'"], 600, EVENING),
        (["DATE-AVG= '2024-03-01T21:05:00'"], 600, EVENING),
        (["DATE-END= '2024-03-01T21:10:00'"], 600, EVENING),
        # common practice: DATE-OBS in the middle, by its comment, by DATE-AVG, by DATE-END
        (["DATE-OBS= '2024-03-01T21:05:00' / mid-exposure"], 600, EVENING),
        (["DATE-OBS= '2024-03-01T21:05:00'", "DATE-AVG= '2024-03-01T21:05:00'"], 600, EVENING),
        (["DATE-OBS= '2024-03-01T21:05:00'", "DATE-END= '2024-03-01T21:10:00'"], 600, EVENING),
        # common practice: Julian dates alone
        (["JD = 2460371.375"], 60, EVENING),
        (["MJD-OBS = 60370.875"], 60, EVENING),
        (["MJD-AVG = 60370.875"], 600, EVENING - 5 * MINUTE),
        (["JD = 2460371.375", "DATE-OBS= '2024-03-01'"], 60, EVENING),
        # the 60th second (leap seconds: from memory)
        (["DATE-OBS= '2016-12-31T23:59:60.5'"], 60, datetime(2017, 1, 1, 0, 0, 0, 500000, tzinfo=UTC)),
        # TT is 69.184 s ahead of UTC since 2017 (IERS Bulletin C)
        (["DATE-OBS= '2024-03-01T21:01:09.184'", "TIMESYS = 'TT'"], 60, EVENING),
        # a date of 1924 is a digital frame of 2024 (chosen)
        (["DATE-OBS= '01/03/24'", "TIME-OBS= '21:00:00'"], 60, EVENING),
    ],
)
def test_dialects(cards: Callable[..., Header], lines: list[str], exposure_s: float | None, start: datetime) -> None:
    said = read_start(cards(*lines), exposure_s)
    assert said.value is not None
    assert abs(said.value - start) < timedelta(milliseconds=1)
    assert said.value.tzinfo is UTC
    assert said.source.split(" ")[0] == lines[0].split("=")[0].strip()


@pytest.mark.parametrize(
    ("lines", "complaint"),
    [
        (["DATE-OBS= '2024-03-01'"], "no time of day"),
        (["DATE-OBS= '2024-02-30T21:00:00'"], "isn't a day of the calendar"),
        (["DATE-OBS= '03/04/2024'", "TIME-OBS= '21:00:00'"], "day or month first"),
        (["DATE-OBS= 'last night'"], "not written as a date"),
        (["DATE-OBS= '2024-03-01T25:00:00'"], "no time of day"),
        (["DATE-OBS= '2024-03-01T21:00:61'"], "no time of day"),
        (["DATE-OBS= '2024-03-01T21:00:00' / local time"], "local time"),
    ],
)
def test_what_is_not_certain_is_unknown(cards: Callable[..., Header], lines: list[str], complaint: str) -> None:
    said = read_start(cards(*lines), 60)
    assert said.value is None
    assert any(complaint in sentence for sentence in said.conflicts)


@pytest.mark.parametrize("other", ["UT = '21:00:00'", "MJD-OBS = 60370.875", "JD = 2460371.375"])
def test_local_time_under_the_name_of_utc(cards: Callable[..., Header], other: str) -> None:
    # an hour of zone would turn the hour angle by 15 deg
    said = read_start(cards("DATE-OBS= '2024-03-01T22:00:00'", other), 60)
    assert said.value == EVENING
    assert "local time" in said.conflicts[0]


def test_the_card_of_the_clock_is_named(cards: Callable[..., Header]) -> None:
    assert read_start(cards("DATE-OBS= '2024-03-01'", "UTCSTART= '21:00:00'"), 60).source == "DATE-OBS and UTCSTART"
    assert read_start(cards("DATE-OBS= '2024-03-01T21:00:00'", "UTCSTART= '21:00:00'"), 60).source == "DATE-OBS"


def test_a_long_exposure_is_no_time_zone(cards: Callable[..., Header]) -> None:
    # MJD of the middle of an hour's exposure, half an hour after its start
    said = read_start(cards("DATE-OBS= '2024-03-01T21:00:00'", "MJD-OBS = 60370.8958", "EXPTIME = 3600"), 3600)
    assert said.value == EVENING
    assert not said.conflicts


def test_a_coarse_julian_date_agrees(cards: Callable[..., Header]) -> None:
    # three decimals of a day are 86 s
    said = read_start(cards("DATE-OBS= '2017-12-20T01:33:43.317'", "MJD-OBS = 58107.065"), 60)
    assert not said.conflicts


def test_same_local_and_universal_time(cards: Callable[..., Header]) -> None:
    said = read_start(cards("DATE-OBS= '2024-03-01T21:00:00'", "DATE-LOC= '2024-03-01T21:00:00'"), 60)
    assert said.value == EVENING
    assert "DATE-LOC" in said.conflicts[0]


def test_middle_without_exposure_time(cards: Callable[..., Header]) -> None:
    said = read_start(cards("DATE-AVG= '2024-03-01T21:05:00'"), None)
    assert said.value is None
    assert "exposure time" in said.conflicts[0]


@given(st.datetimes(min_value=datetime(1998, 1, 1), max_value=datetime(2028, 1, 1)))
def test_what_astropy_writes_is_read_back(moment: datetime) -> None:
    # independent route: astropy.time, format "fits" and "mjd"
    theirs = Time(moment, scale="utc")
    said = read_start(Header({"DATE-OBS": Card(theirs.isot)}), 0)
    assert said.value is not None
    assert abs(said.value - moment.replace(tzinfo=UTC)) < timedelta(milliseconds=2)
    # a day with a leap second is a second longer, and its Julian date runs slower
    said = read_start(Header({"MJD-OBS": Card(float(theirs.mjd))}), 0)
    assert said.value is not None
    assert abs(said.value - moment.replace(tzinfo=UTC)) < timedelta(seconds=1.01)
