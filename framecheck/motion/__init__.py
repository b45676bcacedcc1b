"""Motion: how the mount moved the stars between exposures and inside them: axes, drift, period, polar error, smears."""

from framecheck.motion.build import build_night
from framecheck.motion.night import Night
from framecheck.motion.records import Motion

__all__ = ["Motion", "Night", "build_night"]
