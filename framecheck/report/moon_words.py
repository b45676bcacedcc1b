"""A bright Moon, in a sentence: what it is that lights such a night."""

from datetime import datetime
from statistics import median
from typing import Final

from framecheck.decision.judgement import Judgement
from framecheck.read.moonlight import Moon, moon_at
from framecheck.read.place import altitude_azimuth_deg, hour_angle_deg, separation_deg

_FULL: Final = 0.97
_BRIGHT: Final = 0.85
"""Share of the disc that is lit, from which the Moon is called full, and is worth a sentence. Chosen."""


def moon_note(judgement: Judgement) -> str | None:
    """How full the Moon was and how far from the target; None if it was not bright, or below the horizon all night."""
    starts = sorted(
        result.exposure.start_utc
        for result in (frame.result for frame in judgement.night.frames)
        if result.exposure.start_utc is not None
    )
    if not starts:
        return None
    middle = starts[len(starts) // 2]
    moon = moon_at(middle)
    ups = [_is_up(judgement, start) for start in (starts[0], middle, starts[-1])]
    if moon.lit < _BRIGHT or (True not in ups and None not in ups):
        return None
    called = "full" if moon.lit >= _FULL else "nearly full"
    return (
        f"The Moon was {called} ({100 * moon.lit:.0f} % lit){_from_target(judgement, moon)}: a bright sky is its light."
    )


def _is_up(judgement: Judgement, utc: datetime) -> bool | None:
    """Whether the Moon was above the horizon; None without a place."""
    latitude, longitude = judgement.night.rig.site_latitude_deg, judgement.night.rig.site_longitude_deg
    if latitude is None or longitude is None:
        return None
    moon = moon_at(utc)
    hour_angle = hour_angle_deg(utc, ra_deg=moon.ra_deg, longitude_deg=longitude)
    return altitude_azimuth_deg(hour_angle, dec_deg=moon.dec_deg, latitude_deg=latitude)[0] > 0


def _from_target(judgement: Judgement, moon: Moon) -> str:
    away = [
        separation_deg(moon.ra_deg, moon.dec_deg, exposure.ra_deg, exposure.dec_deg)
        for exposure in (frame.result.exposure for frame in judgement.night.frames)
        if exposure.ra_deg is not None and exposure.dec_deg is not None
    ]
    return f", {median(away):.0f}° from the target" if away else ""
