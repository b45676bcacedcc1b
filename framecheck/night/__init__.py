"""Night: frames set beside each other: groups, registration, transparency, worth, motion, and what they stack to."""

from framecheck.night.build import build_night
from framecheck.night.motion import SkyDrift, drift_on_sky
from framecheck.night.records import Group, Motion, Night, NightFrame, Registration, Skipped

__all__ = [
    "Group",
    "Motion",
    "Night",
    "NightFrame",
    "Registration",
    "Skipped",
    "SkyDrift",
    "build_night",
    "drift_on_sky",
]
