"""Night: frames set beside each other: sessions, groups, registration, light and worth, and what they stack to."""

from framecheck.night.records import Group, NightFrame, Registration, Skipped

__all__ = ["Group", "NightFrame", "Registration", "Skipped"]
