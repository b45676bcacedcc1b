"""Where in the sky each frame was taken: altitude, air mass and hour angle, gaps filled from frames of one target."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import median
from typing import Final

import numpy as np

from framecheck.read import place
from framecheck.read.exposure import Exposure
from framecheck.read.rig import Rig

NEAR_MINUTES: Final = 30.0
"""[min] Chosen: the sky turns by 7.5 degrees, over which altitude is a straight line to 0.3 degrees."""


@dataclass(frozen=True, kw_only=True, slots=True)
class InTheSky:
    """Where the target stood at the middle of an exposure; unknown is None."""

    altitude_deg: float | None
    airmass: float | None
    hour_angle_deg: float | None
    """Positive to the west."""


def in_the_sky(exposures: Sequence[Exposure], rig: Rig) -> list[InTheSky]:
    """Altitude, air mass and hour angle of the frames of one target.

    What an exposure does not say is computed from time, place and the target's pointing, or lies between the values of
    frames up to half an hour before and after.
    """
    pointing = _common_pointing(exposures)
    found = [_of_one(exposure, pointing, rig) for exposure in exposures]
    times = [exposure.middle_by_clock for exposure in exposures]
    altitudes = _between(times, [one.altitude_deg for one in found])
    hour_angles = _between(times, [one.hour_angle_deg for one in found])
    return [
        InTheSky(
            altitude_deg=altitude,
            airmass=one.airmass if one.airmass is not None else airmass_of(altitude),
            hour_angle_deg=hour_angle,
        )
        for one, altitude, hour_angle in zip(found, altitudes, hour_angles, strict=True)
    ]


def airmass_of(altitude_deg: float | None) -> float | None:
    """Air mass at a true altitude; None if it is unknown or below the horizon."""
    if altitude_deg is None or not 0 <= altitude_deg <= 90:
        return None
    return place.airmass(altitude_deg)


def _common_pointing(exposures: Sequence[Exposure]) -> tuple[float, float] | None:
    """Right ascension and declination that the target's frames name, in the middle. [deg]"""
    named = [(e.ra_deg, e.dec_deg) for e in exposures if e.ra_deg is not None and e.dec_deg is not None]
    if not named:
        return None
    first = named[0][0]
    turn = median(place.signed_deg(ra - first) for ra, _ in named)
    return (first + turn) % 360, median(dec for _, dec in named)


def _of_one(exposure: Exposure, pointing: tuple[float, float] | None, rig: Rig) -> InTheSky:
    """What one exposure says or lets compute."""
    altitude, hour_angle = exposure.altitude_deg, exposure.hour_angle_deg
    latitude = exposure.site_latitude_deg if exposure.site_latitude_deg is not None else rig.site_latitude_deg
    longitude = exposure.site_longitude_deg if exposure.site_longitude_deg is not None else rig.site_longitude_deg
    if exposure.ra_deg is not None and exposure.dec_deg is not None:
        pointing = exposure.ra_deg, exposure.dec_deg
    time = exposure.middle_utc
    if hour_angle is None and None not in (pointing, longitude, time):
        assert pointing is not None
        assert longitude is not None
        assert time is not None
        hour_angle = place.hour_angle_deg(time, ra_deg=pointing[0], longitude_deg=longitude)
    if altitude is None and hour_angle is not None and latitude is not None and pointing is not None:
        altitude, _ = place.altitude_azimuth_deg(hour_angle, dec_deg=pointing[1], latitude_deg=latitude)
    return InTheSky(altitude_deg=altitude, airmass=exposure.airmass, hour_angle_deg=hour_angle)


def _between(times: Sequence[datetime | None], values: list[float | None]) -> list[float | None]:
    """Unknown values laid on the straight line between their nearest neighbours in time."""
    known = sorted(
        (time.timestamp() / 60, value)
        for time, value in zip(times, values, strict=True)
        if time is not None and value is not None
    )
    if not known or len(known) == len(values):
        return values
    at, have = np.array(known).T
    out = []
    for time, value in zip(times, values, strict=True):
        if value is None and time is not None:
            now = time.timestamp() / 60
            after = int(np.searchsorted(at, now))
            # hour angles jump by 360 degrees where the sky turns through lower culmination
            inside = 0 < after < len(at) and abs(have[after] - have[after - 1]) < 90
            if inside and now - at[after - 1] <= NEAR_MINUTES and at[after] - now <= NEAR_MINUTES:
                value = float(np.interp(now, at[after - 1 : after + 1], have[after - 1 : after + 1]))
        out.append(value)
    return out
