"""A bright Moon above a night's horizon, and how far from the target it stood."""

from dataclasses import dataclass
from datetime import datetime
from statistics import median
from typing import Final

from framecheck.motion.night import Night
from framecheck.read.moonlight import moon_at
from framecheck.read.place import altitude_azimuth_deg, hour_angle_deg, separation_deg

_BRIGHT: Final = 0.85
"""Share of the disc that is lit, from which the Moon is worth a sentence. Chosen."""


@dataclass(frozen=True, kw_only=True, slots=True)
class BrightMoon:
    """A Moon that lit the sky."""

    lit: float
    """Share of the disc in the middle of the night."""
    from_target_deg: float | None
    """Median over the frames; None where these do not say where they look."""


def bright_moon(night: Night) -> BrightMoon | None:
    """The Moon of a night; None if it was not bright, or below the horizon all night."""
    exposures = [frame.result.exposure for frame in night.frames]
    starts = sorted(one.start_utc for one in exposures if one.start_utc is not None)
    if not starts:
        return None
    middle = starts[len(starts) // 2]
    moon = moon_at(middle)
    ups = [_is_up(night, start) for start in (starts[0], middle, starts[-1])]
    if moon.lit < _BRIGHT or (True not in ups and None not in ups):
        return None
    away = [
        separation_deg(moon.ra_deg, moon.dec_deg, one.ra_deg, one.dec_deg)
        for one in exposures
        if one.ra_deg is not None and one.dec_deg is not None
    ]
    return BrightMoon(lit=moon.lit, from_target_deg=median(away) if away else None)


def _is_up(night: Night, utc: datetime) -> bool | None:
    """Whether the Moon was above the horizon; None without a place."""
    latitude, longitude = night.rig.site_latitude_deg, night.rig.site_longitude_deg
    if latitude is None or longitude is None:
        return None
    moon = moon_at(utc)
    hour_angle = hour_angle_deg(utc, ra_deg=moon.ra_deg, longitude_deg=longitude)
    return altitude_azimuth_deg(hour_angle, dec_deg=moon.dec_deg, latitude_deg=latitude)[0] > 0
