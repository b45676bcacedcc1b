"""Place and time against published values and astropy."""

from datetime import UTC, datetime

import astropy.units as u
import pytest
from astropy.coordinates import AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from astropy.utils import iers

from framecheck.constants import SIDEREAL_RATE_ARCSEC_PER_S
from framecheck.read import place


@pytest.fixture(autouse=True)
def _no_download() -> None:
    iers.conf.auto_download = False


def test_sidereal_time_of_the_textbook() -> None:
    # Meeus, Astronomical Algorithms, 2nd ed. (1998), examples 12.a and 12.b
    at_midnight = place.greenwich_sidereal_deg(datetime(1987, 4, 10, tzinfo=UTC))
    assert at_midnight / 15 * 3600 == pytest.approx(13 * 3600 + 10 * 60 + 46.3668, abs=1e-3)
    in_the_evening = place.greenwich_sidereal_deg(datetime(1987, 4, 10, 19, 21, tzinfo=UTC))
    assert in_the_evening == pytest.approx(128.7378734, abs=1e-6)


def test_sidereal_time_against_astropy() -> None:
    # astropy 8.0.2, Time.sidereal_time("mean", "greenwich"), and pyerfa gmst82 with UT1 = UTC
    assert place.greenwich_sidereal_deg(datetime(2024, 3, 1, 21, tzinfo=UTC)) / 15 == pytest.approx(7.6769256, abs=1e-5)


@pytest.mark.parametrize(("altitude", "expected"), [(60, 1.15399), (30, 1.99429), (10, 5.58604)])
def test_air_mass(altitude: float, expected: float) -> None:
    # Kasten & Young 1989, from memory; sec z (astropy AltAz.secz) is 1.1547, 2 and 5.75877
    assert place.airmass(altitude) == pytest.approx(expected, rel=2e-5)


def test_air_mass_at_the_ends() -> None:
    # Kasten & Young 1989: 1 overhead, 38 at the horizon (from memory)
    assert place.airmass(90) == pytest.approx(1, abs=3e-4)
    assert place.airmass(0) == pytest.approx(38, rel=0.01)
    assert place.airmass(-1) != place.airmass(-1)  # NaN: no air mass below the horizon


def test_parallactic_angle() -> None:
    # Meeus, eq. 14.1, as quoted by B. J. Gray 2003; astropy's position angle to the zenith gives the same
    assert place.parallactic_angle_deg(-40, dec_deg=20, latitude_deg=45) == pytest.approx(-43.485931, abs=1e-5)


def test_altitude_of_the_textbook() -> None:
    # Meeus, example 13.b: Venus from Washington, H = 64.352133 deg; azimuth there counts from the south
    altitude, azimuth = place.altitude_azimuth_deg(64.352133, dec_deg=-6.719892, latitude_deg=38.921389)
    assert altitude == pytest.approx(15.1249, abs=1e-4)
    assert azimuth == pytest.approx(68.0337 + 180, abs=1e-4)


@pytest.mark.parametrize(
    ("ra", "dec", "latitude", "longitude", "utc"),
    [
        (83.82, -5.39, 48.2, 16.4, datetime(2024, 1, 15, 20, 0, tzinfo=UTC)),
        (210.8, 54.35, 31.7, -110.9, datetime(2018, 5, 3, 7, 30, tzinfo=UTC)),
        (201.4, -47.48, -33.9, 18.4, datetime(2021, 4, 2, 22, 15, tzinfo=UTC)),
        (37.95, 89.26, 52.0, 5.0, datetime(2023, 11, 11, 1, 0, tzinfo=UTC)),
    ],
)
def test_altitude_against_astropy(ra: float, dec: float, latitude: float, longitude: float, utc: datetime) -> None:
    # independent route: astropy's full transformation, without refraction; we leave precession out (0.36 deg in 2026)
    where = EarthLocation(lat=latitude * u.deg, lon=longitude * u.deg, height=100 * u.m)
    theirs = SkyCoord(ra * u.deg, dec * u.deg).transform_to(AltAz(obstime=Time(utc), location=where))
    h = place.hour_angle_deg(utc, ra_deg=ra, longitude_deg=longitude)
    altitude, azimuth = place.altitude_azimuth_deg(h, dec_deg=dec, latitude_deg=latitude)
    assert place.separation_deg(azimuth, altitude, theirs.az.deg, theirs.alt.deg) < 0.36


@pytest.mark.parametrize(("latitude", "longitude"), [(48.2, 16.4), (-31.16, 149.13), (0.0, -80.0), (89.0, 12.0)])
def test_geocentric_coordinates(latitude: float, longitude: float) -> None:
    # independent route: astropy.coordinates.EarthLocation (WGS 84)
    where = EarthLocation(lat=latitude * u.deg, lon=longitude * u.deg, height=1160 * u.m)
    ours = place.latitude_longitude_deg(where.x.value, where.y.value, where.z.value)
    assert ours == pytest.approx((latitude, longitude), abs=1e-7)


def test_separation_of_the_textbook() -> None:
    # Meeus, example 17.a: Arcturus and Spica are 32.7930 deg apart
    assert place.separation_deg(213.9154, 19.1825, 201.2983, -11.1614) == pytest.approx(32.7930, abs=1e-4)


def test_hour_angle_of_the_start_and_in_local_time() -> None:
    # closed form: the sky turns 15.041 deg an hour; half of 300 s makes 0.6267 deg, one hour of zone 15.0411 deg
    assert pytest.approx(0.62671119, rel=1e-5) == SIDEREAL_RATE_ARCSEC_PER_S * 300 / 2 / 3600
    utc, an_hour_later = datetime(2024, 3, 1, 21, tzinfo=UTC), datetime(2024, 3, 1, 22, tzinfo=UTC)
    one = place.hour_angle_deg(utc, ra_deg=100, longitude_deg=10)
    other = place.hour_angle_deg(an_hour_later, ra_deg=100, longitude_deg=10)
    assert other - one == pytest.approx(15.041069, abs=1e-5)
