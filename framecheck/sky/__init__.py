"""Sky: level, noise and gradient over the image."""

from framecheck.sky.measure import measure_sky
from framecheck.sky.model import Sky, SkySummary

__all__ = ["Sky", "SkySummary", "measure_sky"]
