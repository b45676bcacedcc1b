"""Sky: level, noise and gradient over the image."""

from framecheck.sky.colours import Colours, measure_colours
from framecheck.sky.measure import StarMask, mask_stars, measure_cells, measure_finely, measure_sky
from framecheck.sky.model import Sky, SkySummary

__all__ = [
    "Colours",
    "Sky",
    "SkySummary",
    "StarMask",
    "mask_stars",
    "measure_cells",
    "measure_colours",
    "measure_finely",
    "measure_sky",
]
