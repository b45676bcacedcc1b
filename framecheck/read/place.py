"""Place and time: where in the sky a target stands for an observer on Earth.

Right ascension and declination of J2000 are used as they are. Leaving precession out errs by up to 50.3 arcsec a
year: 0.36 deg in 2026, which is far less than a diagnosis of tracking needs and more than an almanac would allow.
Refraction (0.03 deg at 30 deg of altitude) is left out as well.
"""

from datetime import UTC, datetime
from math import asin, atan2, cos, degrees, hypot, nan, radians, sin, sqrt, tan
from typing import Final

_J2000: Final = datetime(2000, 1, 1, 12, tzinfo=UTC)
_EARTH_RADIUS_M: Final = 6378137.0
"""[m] WGS 84, semi-major axis."""
_EARTH_FLATTENING: Final = 1 / 298.257223563
"""[dimensionless] WGS 84."""


def days_since_2000(utc: datetime) -> float:
    """Days since the epoch J2000. [d]"""
    return (utc - _J2000).total_seconds() / 86400


def greenwich_sidereal_deg(utc: datetime) -> float:
    """Mean sidereal time at Greenwich, 0 <= angle < 360. [deg]

    UTC stands in for UT1: less than 0.9 s, 0.004 deg.

    References
    ----------
    .. [1] J. Meeus, "Astronomical Algorithms", 2nd ed. (1998), eq. 12.4 (IAU 1982).
    """
    days = days_since_2000(utc)
    t = days / 36525
    return (280.46061837 + 360.98564736629 * days + t * t * (0.000387933 - t / 38710000.0)) % 360


def hour_angle_deg(utc: datetime, *, ra_deg: float, longitude_deg: float) -> float:
    """Hour angle of a target, west of the meridian positive, -180 <= angle < 180; longitude east positive. [deg]"""
    return signed_deg(greenwich_sidereal_deg(utc) + longitude_deg - ra_deg)


def altitude_azimuth_deg(hour_angle_deg: float, *, dec_deg: float, latitude_deg: float) -> tuple[float, float]:
    """Altitude above the horizon, without refraction, and azimuth from north over east. [deg]

    References
    ----------
    .. [1] J. Meeus, "Astronomical Algorithms", 2nd ed. (1998), eqs. 13.5 and 13.6 (azimuth there from the south).
    """
    h, dec, lat = radians(hour_angle_deg), radians(dec_deg), radians(latitude_deg)
    up = sin(lat) * sin(dec) + cos(lat) * cos(dec) * cos(h)
    west = cos(dec) * sin(h)
    north = cos(lat) * sin(dec) - sin(lat) * cos(dec) * cos(h)
    return degrees(atan2(up, hypot(west, north))), degrees(atan2(-west, north)) % 360


def airmass(altitude_deg: float) -> float:
    """Air in the line of sight against that overhead, at a true altitude; NaN below the horizon. [dimensionless]

    References
    ----------
    .. [1] F. Kasten and A. T. Young, "Revised optical air mass tables and approximation formula", Applied Optics 28,
       4735 (1989); within 0.5 % down to the horizon.
    """
    if not 0 <= altitude_deg <= 90:
        return nan
    air = sin(radians(altitude_deg)) + 0.50572 * (altitude_deg + 6.07995) ** -1.6364
    return float(1 / air)


def parallactic_angle_deg(hour_angle_deg: float, *, dec_deg: float, latitude_deg: float) -> float:
    """Direction to the zenith at the target, from north over east; negative before the meridian. [deg]

    References
    ----------
    .. [1] J. Meeus, "Astronomical Algorithms", 2nd ed. (1998), eq. 14.1.
    """
    h, dec, lat = radians(hour_angle_deg), radians(dec_deg), radians(latitude_deg)
    return degrees(atan2(sin(h), tan(lat) * cos(dec) - sin(dec) * cos(h)))


def latitude_longitude_deg(x_m: float, y_m: float, z_m: float) -> tuple[float, float]:
    """Geodetic latitude and east longitude of a place given in geocentric coordinates. [deg]

    References
    ----------
    .. [1] B. R. Bowring, "Transformation from spatial to geographical coordinates", Survey Review 23, 323 (1976);
       one step, good to a few thousandths of an arcsecond near the ground.
    """
    e2 = _EARTH_FLATTENING * (2 - _EARTH_FLATTENING)
    polar_m = _EARTH_RADIUS_M * (1 - _EARTH_FLATTENING)
    axis_m = hypot(x_m, y_m)
    theta = atan2(z_m * _EARTH_RADIUS_M, axis_m * polar_m)
    north = z_m + e2 / (1 - e2) * polar_m * sin(theta) ** 3
    latitude = atan2(north, axis_m - e2 * _EARTH_RADIUS_M * cos(theta) ** 3)
    return degrees(latitude), degrees(atan2(y_m, x_m))


def separation_deg(ra1_deg: float, dec1_deg: float, ra2_deg: float, dec2_deg: float) -> float:
    """Angle on the sky between two places (haversine formula). [deg]"""
    half_ra, half_dec = radians(ra2_deg - ra1_deg) / 2, radians(dec2_deg - dec1_deg) / 2
    square = sin(half_dec) ** 2 + cos(radians(dec1_deg)) * cos(radians(dec2_deg)) * sin(half_ra) ** 2
    return degrees(2 * asin(min(1.0, sqrt(square))))


def signed_deg(angle_deg: float) -> float:
    """The same direction as an angle with -180 <= angle < 180. [deg]"""
    return (angle_deg + 180) % 360 - 180
