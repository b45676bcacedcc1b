"""What a clock at the place showed: by the camera's own clock where its offset is given, else by the longitude.

A longitude gives no time zone, and none is made up: it gives local mean time, which is the mean sun's.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta

from framecheck.read.place import signed_deg
from framecheck.read.rig import Rig

DEG_PER_HOUR = 15.0
"""[deg/h] The mean sun moves by 360 degrees in 24 hours: definition of mean solar time."""


@dataclass(frozen=True, kw_only=True, slots=True)
class LocalTime:
    """A clock beside UTC."""

    ahead: timedelta
    name: str
    """What it is, in words."""

    def clock(self, utc: datetime) -> str:
        """Hours and minutes."""
        return f"{utc + self.ahead:%H:%M}"


def local_time(rig: Rig) -> LocalTime | None:
    """The clock of a night's place; None if neither the camera's offset nor the longitude is known."""
    if rig.clock_ahead_h is not None:
        return LocalTime(ahead=timedelta(hours=rig.clock_ahead_h), name="camera's clock")
    if rig.site_longitude_deg is None:
        return None
    minutes = round(60 * signed_deg(rig.site_longitude_deg) / DEG_PER_HOUR)
    return LocalTime(ahead=timedelta(minutes=minutes), name="local mean time")
