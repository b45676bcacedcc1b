"""Coordinates in all spellings, altitude, site, and their traps."""

from collections.abc import Callable
from datetime import UTC, datetime

import astropy.units as u
import pytest
from astropy.coordinates import Angle as AstropyAngle
from hypothesis import given
from hypothesis import strategies as st

from framecheck.read.cards import Header
from framecheck.read.pointing import Pointing, parse_angle, read_pointing

EVENING = datetime(2024, 1, 15, 20, 0, tzinfo=UTC)
SITE = ("SITELAT = '+48 12 00'", "SITELONG= '+16 24 00'")
ORION = ("OBJCTRA = '05 35 17'", "OBJCTDEC= '-05 23 28'")


def point(header: Header, utc: datetime | None = EVENING) -> Pointing:
    return read_pointing(header, middle_utc=utc, exposure_s=300.0, solved_deg=None)


@pytest.mark.parametrize(
    ("lines", "ra", "dec"),
    [
        # OBJCTRA in hours: 05 35 17 is 83.820833 deg (common practice of capture programs, arithmetic)
        (["OBJCTRA = '05 35 17'", "OBJCTDEC= '-05 23 28'"], 83.820833, -5.391111),
        (["OBJCTRA = '05:35:17.0'", "OBJCTDEC= '-05:23:28.0'"], 83.820833, -5.391111),
        # RA in decimal degrees (common practice of capture programs)
        (["RA = 83.820833", "DEC = -5.391111"], 83.820833, -5.391111),
        (["RA = 5.5", "DEC = 10.0"], 5.5, 10.0),
        # RA in sexagesimal hours (observatories)
        (["RA = '05:35:17.0'", "DEC = '-05:23:28.0'"], 83.820833, -5.391111),
        (["RA = '05h35m17s'", "DEC = '-05d23m28s'"], 83.820833, -5.391111),
        # RA in decimal hours, shown by the comment, or by OBJCTRA
        (["RA = 5.588056 / [h] right ascension", "DEC = -5.391111"], 83.820833, -5.391111),
        (["RA = 5.588056 / Right ascension in hours", "DEC = -5.391111"], 83.820833, -5.391111),
        # sexagesimal degrees: more than 24 can be no hours
        (["RA = '83:49:15'", "DEC = '-05:23:28'"], 83.820833, -5.391111),
        # the sign of a declination between 0 and -1
        (["OBJCTRA = '05 35 17'", "OBJCTDEC= '-00 30 00'"], 83.820833, -0.5),
        # the mount's words where there are no others
        (["RA-MNT = 301.56439 / Degrees", "DEC-MNT = 44.456875 / Degrees"], 301.56439, 44.456875),
    ],
)
def test_coordinates(cards: Callable[..., Header], lines: list[str], ra: float, dec: float) -> None:
    said = point(cards(*lines))
    assert said.ra_deg.value == pytest.approx(ra, abs=1e-5)
    assert said.dec_deg.value == pytest.approx(dec, abs=1e-5)
    assert said.ra_deg.source == lines[0].split("=")[0].strip()
    assert not said.ra_deg.conflicts


@pytest.mark.parametrize(
    "lines",
    [
        ["RA = 0.0", "DEC = 0.0"],
        ["OBJCTRA = ''", "OBJCTDEC= ''"],
        ["RA = 'N/A'", "DEC = 'N/A'"],
        ["RA = 400.0", "DEC = 10.0"],
        ["RA = 83.8", "DEC = -95.0"],
        ["OBJCTRA = '05 75 17'", "OBJCTDEC= '-05 23 28'"],
        ["RA = 83.8"],
    ],
)
def test_no_coordinates(cards: Callable[..., Header], lines: list[str]) -> None:
    said = point(cards(*lines))
    assert (said.ra_deg.value, said.dec_deg.value) == (None, None)


def test_two_spellings_that_differ(cards: Callable[..., Header]) -> None:
    said = point(cards(*ORION, "RA = 90.0", "DEC = -5.0"))
    assert said.ra_deg.source == "OBJCTRA"
    assert "6.2 deg apart" in said.ra_deg.conflicts[0]


def test_the_plate_solution_wins(cards: Callable[..., Header]) -> None:
    said = read_pointing(cards(*ORION), middle_utc=None, exposure_s=None, solved_deg=(200.0, 50.0))
    assert (said.ra_deg.value, said.ra_deg.source) == (200.0, "CRVAL1")
    assert "deg away" in said.ra_deg.conflicts[0]


@pytest.mark.parametrize(
    ("lines", "altitude"),
    [
        (["OBJCTALT= 41.5"], 41.5),
        (["CENTALT = '41.5'"], 41.5),
        (["OBJCTALT= '41 30 00'"], 41.5),
        (["TELALT = +41.5"], 41.5),
        (["ALTITUDE= 41.5 / [deg] Altitude axis position"], 41.5),
        (["ELEVATIO= '41:30:00' / Degrees above horizon"], 41.5),
        (["ZD = 48.5"], 41.5),
        # the height of the site above the sea is no altitude
        (["ALTITUDE= 2332"], None),
        (["ALTITUDE= 41.5 / altitude in meters"], None),
        (["ALTITUDE= 41.5 / [m] above sea level"], None),
        (["ALTITUDE= 41.5"], None),
    ],
)
def test_altitude_of_the_header(cards: Callable[..., Header], lines: list[str], altitude: float | None) -> None:
    assert point(cards(*lines)).altitude_deg.value == (None if altitude is None else pytest.approx(altitude))


def test_altitude_is_computed_where_the_header_has_none(cards: Callable[..., Header]) -> None:
    # astropy 8.0.2, AltAz without refraction; we leave precession out
    said = point(cards(*ORION, *SITE))
    assert said.altitude_deg.value == pytest.approx(35.2315, abs=0.36)
    assert said.azimuth_deg.value == pytest.approx(164.1504, abs=0.5)
    assert said.airmass.value == pytest.approx(1.727, abs=0.02)  # Kasten & Young 1989
    assert said.altitude_deg.source.startswith("computed")


def test_altitude_without_unit_is_one_if_it_fits(cards: Callable[..., Header]) -> None:
    said = point(cards(*ORION, *SITE, "ALTITUDE= 36.0"))
    assert (said.altitude_deg.value, said.altitude_deg.source) == (36.0, "ALTITUDE")
    said = point(cards(*ORION, *SITE, "ALTITUDE= 80.0"))
    assert said.altitude_deg.source.startswith("computed")


def test_altitude_that_contradicts_place_and_time(cards: Callable[..., Header]) -> None:
    said = point(cards(*ORION, *SITE, "OBJCTALT= 60.0"))
    assert said.altitude_deg.value == 60.0
    assert "60.0 deg" in said.altitude_deg.conflicts[0]


@pytest.mark.parametrize(
    ("lines", "latitude", "longitude"),
    [
        (["SITELAT = '+48 12 00'", "SITELONG= '-71 29 06'"], 48.2, -71.485),
        (["SITELAT = -33.9", "SITELONG= 288.515"], -33.9, -71.485),
        (["LAT-OBS = 48.2", "LONG-OBS= 16.4"], 48.2, 16.4),
        (["OBSGEO-B= 48.2", "OBSGEO-L= 16.4"], 48.2, 16.4),
        (["SITELAT = '48 12 00 N'", "SITELONG= '71 29 06 W'"], 48.2, -71.485),
        (["LATITUDE= '-33:54:00'", "LONGITUD= 71.485 / degrees west"], -33.9, -71.485),
        (["LATITUDE= 48.2", "LONGITUD= 16.4 / [deg East] longitude"], 48.2, 16.4),
        (["SITELAT = 0.0", "SITELONG= 0.0"], None, None),
        # astropy 8.0.2, EarthLocation.from_geodetic(16.4 deg, 48.2 deg, 200 m)
        (["OBSGEO-X= 4086004.84", "OBSGEO-Y= 1202576.62", "OBSGEO-Z= 4731876.98"], 48.2, 16.4),
    ],
)
def test_site(cards: Callable[..., Header], lines: list[str], latitude: float | None, longitude: float | None) -> None:
    said = point(cards(*lines))
    assert said.site_latitude_deg.value == (None if latitude is None else pytest.approx(latitude, abs=1e-5))
    assert said.site_longitude_deg.value == (None if longitude is None else pytest.approx(longitude, abs=1e-5))


@pytest.mark.parametrize(
    "witness",
    ["OBJCTALT= 31.226990013543", "TELEHA = '-04 31 44.94'", "LST = '+23 39 52.85'"],
)
def test_longitude_counted_to_the_west(cards: Callable[..., Header], witness: str) -> None:
    # a public frame of a Massachusetts observatory, whose header counts longitude to the west
    header = cards(
        "SITELAT = '+42 36 36'",
        "SITELONG= '+71 29 06'",
        "OBJCTRA = '04 10 30.494'",
        "OBJCTDEC= '+22 53 23.78'",
        witness,
    )
    said = point(header, datetime(2018, 10, 18, 2, 39, 40, tzinfo=UTC))
    assert said.site_longitude_deg.value == pytest.approx(-71.485)
    assert "west" in said.site_longitude_deg.conflicts[0]
    assert said.hour_angle_deg.value == pytest.approx(-67.9334, abs=0.36)  # astropy 8.0.2, HADec


def test_hour_angle_of_the_header(cards: Callable[..., Header]) -> None:
    # it is that of the start; closed form: half of 300 s adds 0.6267 deg
    assert point(cards("HA = '1:00:00'")).hour_angle_deg.value == pytest.approx(15.6267, abs=1e-3)
    assert point(cards("HA = 330.0")).hour_angle_deg.value == pytest.approx(-29.3733, abs=1e-3)
    assert point(cards("HA = 1.0")).hour_angle_deg.value is None  # hours or degrees: it does not say


def test_air_mass_of_the_header(cards: Callable[..., Header]) -> None:
    assert point(cards("AIRMASS = 1.5")).airmass.value == 1.5
    assert point(cards("AIRMASS = 0.0")).airmass.value is None
    assert point(cards("AIRMASS = -1")).airmass.value is None
    said = point(cards("AIRMASS = 1.5", "OBJCTALT= 80"))
    assert said.airmass.value == 1.5
    assert "1.02" in said.airmass.conflicts[0]


@given(
    st.floats(-89, 89).filter(lambda angle: abs(angle) > 1e-4),
    st.sampled_from([":", " ", "dms"]),
)
def test_what_astropy_writes_is_read_back(angle: float, separator: str) -> None:
    # independent route: astropy.coordinates.Angle.to_string
    text = AstropyAngle(angle * u.deg).to_string(unit="deg", sep=separator, precision=4, pad=True, alwayssign=True)
    ours = parse_angle(text)
    assert ours is not None
    assert ours.value == pytest.approx(angle, abs=1e-6)
