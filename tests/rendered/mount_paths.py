"""How mounts lead a telescope astray: paths of the pointing from spherical trigonometry and closed forms.

A path is a function of the night's geometry and of times in seconds after the first exposure began. It gives the
offset of the pointing from the target, north + i east in arcseconds on the sky, and the turn of the sensor's +y
against north, in degrees.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

SIDEREAL_ARCSEC_PER_S = 1296000 / 86164.0905
ARCSEC = np.degrees(3600.0)  # in a radian
REFRACTION_ARCSEC = (58.02, -0.066)  # tan z, tan^3 z at 1010 hPa and 10 C: reproduces the almanac's values to 0.1 %

Times = NDArray[np.float64]
Path = tuple[NDArray[np.complex128], NDArray[np.float64]]
Error = Callable[["Geometry", Times], Path]


@dataclass(frozen=True, kw_only=True)
class Geometry:
    """Site and target."""

    latitude_deg: float = 48.0
    longitude_deg: float = 11.0
    declination_deg: float = 30.0
    hour_angle_deg: float = -30.0  # at the start of the first exposure, positive to the west

    def hour_angle(self, t: Times) -> NDArray[np.float64]:
        """Of the target. [radian]"""
        return np.radians(self.hour_angle_deg + SIDEREAL_ARCSEC_PER_S * t / 3600)

    def altitude(self, t: Times) -> NDArray[np.float64]:
        """Of the target, no refraction. [radian]"""
        up, _, _ = _horizontal(self, self.hour_angle(t))
        return np.arcsin(up)

    def right_ascension_deg(self, start: datetime) -> float:
        """From mean sidereal time at Greenwich (linear formula of the almanac)."""
        days = (start - datetime(2000, 1, 1, 12, tzinfo=UTC)).total_seconds() / 86400
        sidereal = 280.46061837 + 360.98564736629 * days + self.longitude_deg
        return float((sidereal - self.hour_angle_deg) % 360)


def _horizontal(site: Geometry, hour_angle: NDArray[np.float64]) -> NDArray[np.float64]:
    """Unit vector up, north, west of the target."""
    lat, dec = np.radians(site.latitude_deg), np.radians(site.declination_deg)
    return np.array([
        np.sin(lat) * np.sin(dec) + np.cos(lat) * np.cos(dec) * np.cos(hour_angle),
        np.cos(lat) * np.sin(dec) - np.sin(lat) * np.cos(dec) * np.cos(hour_angle),
        np.cos(dec) * np.sin(hour_angle),
    ])  # fmt: skip


def _equatorial(site: Geometry, horizontal: NDArray[np.float64]) -> NDArray[np.float64]:
    """The same vector along meridian and equator, west point, and pole."""
    lat = np.radians(site.latitude_deg)
    up, north, west = horizontal
    return np.array([np.cos(lat) * up - np.sin(lat) * north, west, np.sin(lat) * up + np.cos(lat) * north])


def _refracted(horizontal: NDArray[np.float64]) -> NDArray[np.float64]:
    """Lifted towards the zenith."""
    up, north, west = horizontal
    level = np.hypot(north, west)
    a, b = REFRACTION_ARCSEC
    altitude = np.arctan2(up, level) + (a * (level / up) + b * (level / up) ** 3) / ARCSEC
    return np.array([np.sin(altitude), np.cos(altitude) * north / level, np.cos(altitude) * west / level])


def equatorial(
    azimuth_arcmin: float = 0.0, altitude_arcmin: float = 0.0, *, guide_arcsec: complex | None = None,
    refraction: bool = True,
) -> Error:  # fmt: skip
    """A mount that turns evenly about an axis, which points east of and above the pole by so much.

    Unguided, the target walks off as the axis and refraction have it. Guided on a star at `guide_arcsec` from the
    target, that star stays where it is and the field turns about it.
    """

    def error(site: Geometry, t: Times) -> Path:
        def at(times: Times) -> tuple[NDArray[np.float64], ...]:
            return _seen_from(site, times, azimuth_arcmin, altitude_arcmin, refraction)

        (hour, dec, turn), (hour0, dec0, turn0) = at(t), at(np.zeros(1))
        ran = np.radians(SIDEREAL_ARCSEC_PER_S * t / 3600)
        west = np.angle(np.exp(1j * (hour - hour0 - ran)))
        turned = np.angle(np.exp(1j * (turn - turn0)))
        if guide_arcsec is not None:
            return guide_arcsec * (1 - np.exp(1j * turned)), np.degrees(turned)
        star = (dec - dec0) - 1j * west * np.cos(dec)
        # the sensor keeps to where it points, and meridians there are not parallel to the target's
        return -star * ARCSEC, np.degrees(turned - west * np.sin(dec))

    return error


def _seen_from(
    site: Geometry, t: Times, azimuth_arcmin: float, altitude_arcmin: float, refraction: bool
) -> tuple[NDArray[np.float64], ...]:
    """Hour angle and declination of the target about the mount's own axis, and position angle of that axis. [radian]"""
    lat = np.radians(site.latitude_deg)
    east, height = np.radians(azimuth_arcmin / 60), lat + np.radians(altitude_arcmin / 60)
    axis = _equatorial(site, np.array([np.sin(height), np.cos(height) * np.cos(east), -np.cos(height) * np.sin(east)]))
    star = _horizontal(site, site.hour_angle(t))
    star = _equatorial(site, _refracted(star) if refraction else star)
    first = np.array([1.0, 0, 0]) - axis[0] * axis
    first /= np.linalg.norm(first)
    second = np.array([0, 1.0, 0]) - axis[1] * axis
    second -= (second @ first) * first
    second /= np.linalg.norm(second)
    hour, dec = np.arctan2(second @ star, first @ star), np.arcsin(axis @ star)
    true_hour, true_dec = np.arctan2(star[1], star[0]), np.arcsin(star[2])
    axis_hour, axis_dec = np.arctan2(axis[1], axis[0]), np.arcsin(axis[2])
    to_east = np.cos(axis_dec) * np.sin(true_hour - axis_hour)
    to_north = np.sin(axis_dec) * np.cos(true_dec) - np.cos(axis_dec) * np.sin(true_dec) * np.cos(true_hour - axis_hour)
    return hour, dec, np.arctan2(to_east, to_north)


def alt_azimuth() -> Error:
    """A mount of altitude and azimuth: the sensor keeps the zenith up, and turns by the parallactic angle."""

    def angle(site: Geometry, t: Times) -> NDArray[np.float64]:
        hour, lat, dec = site.hour_angle(t), np.radians(site.latitude_deg), np.radians(site.declination_deg)
        return np.arctan2(np.sin(hour), np.tan(lat) * np.cos(dec) - np.sin(dec) * np.cos(hour))

    def error(site: Geometry, t: Times) -> Path:
        turned = angle(site, t) - angle(site, np.zeros(1))
        return np.zeros(t.shape, complex), np.degrees(np.angle(np.exp(1j * turned)))

    return error


def untracked(share: float = 1.0) -> Error:
    """A mount that stands still (1) or misses a share of the sidereal rate: the pointing falls back to the east."""

    def error(site: Geometry, t: Times) -> Path:
        rate, dec = share * SIDEREAL_ARCSEC_PER_S, np.radians(site.declination_deg)
        return 1j * rate * np.cos(dec) * t, -np.degrees(rate * t / ARCSEC * np.sin(dec))

    return error


def periodic(peak_to_peak_arcsec: float, period_s: float, phase_deg: float = 0.0) -> Error:
    """To and fro along right ascension; the size is that on the sky."""

    def error(site: Geometry, t: Times) -> Path:
        swing = peak_to_peak_arcsec / 2 * np.sin(2 * np.pi * t / period_s + np.radians(phase_deg))
        return 1j * swing, np.zeros(t.shape)

    return error


def jitter(
    north_arcsec: float, east_arcsec: float, seed: int = 0, periods_s: tuple[float, float] = (6.0, 45.0)
) -> Error:
    """Random motion of so much rms by axis, made of many swings of all periods between two."""
    rng = np.random.default_rng([seed, 11])
    n = 400  # closer in frequency than a night can tell apart
    periods = np.exp(rng.uniform(*np.log(periods_s), (2, n)))
    phases, heights = rng.uniform(0, 2 * np.pi, (2, n)), rng.rayleigh(1, (2, n))
    heights *= np.sqrt(2 / (heights**2).sum(1, keepdims=True))

    def error(site: Geometry, t: Times) -> Path:
        swings = [(h[:, None] * np.sin(2 * np.pi * t / p[:, None] + f[:, None])).sum(0)
                  for h, p, f in zip(heights, periods, phases, strict=True)]  # fmt: skip
        return north_arcsec * swings[0] + 1j * east_arcsec * swings[1], np.zeros(t.shape)

    return error


def flexure(rate_arcsec_per_min: float, direction_deg: float, turning_deg_per_hour: float = 20.0) -> Error:
    """A drift that the guide camera does not see; its direction, a position angle, turns with the pointing."""

    def error(site: Geometry, t: Times) -> Path:
        turn = np.radians(turning_deg_per_hour) / 3600
        ran = (np.exp(1j * turn * t) - 1) / (1j * turn)
        return rate_arcsec_per_min / 60 * ran * np.exp(1j * np.radians(direction_deg)), np.zeros(t.shape)

    return error


def backlash(size_arcsec: float, from_s: float, to_s: float, period_s: float = 95.0) -> Error:
    """Declination only, for a part of the night: the axis creeps off until the slack is taken up, then jumps back."""

    def error(site: Geometry, t: Times) -> Path:
        creep = size_arcsec * (((t - from_s) / period_s) % 1 - 0.5) * ((t >= from_s) & (t < to_s))
        return creep.astype(complex), np.zeros(t.shape)

    return error


def knocks(*blows: tuple[float, float, complex]) -> Error:
    """Blows, each with its time, how long the telescope stays displaced, and where to."""

    def error(site: Geometry, t: Times) -> Path:
        off: Sequence[NDArray[np.complex128]] = [
            to * ((t >= at) & (t < at + lasts)) * (1 + 0.5 * np.exp(-(t - at) / 4) * np.cos((t - at) * 2.1))
            for at, lasts, to in blows
        ]
        return sum(off, np.zeros(t.shape, complex)), np.zeros(t.shape)

    return error
