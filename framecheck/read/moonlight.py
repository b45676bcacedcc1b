"""Where the Moon stands and how much of it is lit, to a third of a degree: enough to say what lights the sky."""

from dataclasses import dataclass
from datetime import datetime
from math import asin, atan2, cos, degrees, radians, sin
from typing import Final

from framecheck.read.place import days_since_2000

_OBLIQUITY_DEG: Final = 23.44


@dataclass(frozen=True, kw_only=True, slots=True)
class Moon:
    """The Moon as seen from the middle of the Earth; the ground is up to a degree off."""

    ra_deg: float
    dec_deg: float
    lit: float
    """Share of the disc that is lit."""


def moon_at(utc: datetime) -> Moon:
    """The Moon at an instant.

    References
    ----------
    .. [1] "The Astronomical Almanac", section D, "Low-precision formulae for geocentric coordinates of the Moon": 0.3
       deg in longitude, 0.2 in latitude. The Sun: section C, 0.01 deg.
    """
    days = days_since_2000(utc)
    t = days / 36525

    def wave(size: float, at: float, speed: float) -> float:
        return size * sin(radians(at + speed * t))

    longitude = (
        218.32
        + 481267.881 * t
        + wave(6.29, 135.0, 477198.87)
        - wave(1.27, 259.3, -413335.36)
        + wave(0.66, 235.7, 890534.22)
        + wave(0.21, 269.9, 954397.74)
        - wave(0.19, 357.5, 35999.05)
        - wave(0.11, 186.5, 966404.03)
    )
    latitude = (
        wave(5.13, 93.3, 483202.02)
        + wave(0.28, 228.2, 960400.89)
        - wave(0.28, 318.3, 6003.15)
        - wave(0.17, 217.6, -407332.21)
    )
    anomaly = radians(357.528 + 0.9856003 * days)
    sun = 280.460 + 0.9856474 * days + 1.915 * sin(anomaly) + 0.020 * sin(2 * anomaly)
    away = cos(radians(latitude)) * cos(radians(longitude - sun))
    ra, dec = _equatorial_deg(longitude, latitude)
    return Moon(ra_deg=ra, dec_deg=dec, lit=(1 - away) / 2)


def _equatorial_deg(longitude_deg: float, latitude_deg: float) -> tuple[float, float]:
    """Right ascension and declination of a place on the ecliptic."""
    lon, lat, tilt = radians(longitude_deg), radians(latitude_deg), radians(_OBLIQUITY_DEG)
    x, y, z = cos(lat) * cos(lon), cos(lat) * sin(lon), sin(lat)
    north = y * sin(tilt) + z * cos(tilt)
    return degrees(atan2(y * cos(tilt) - z * sin(tilt), x)) % 360, degrees(asin(max(-1.0, min(1.0, north))))
