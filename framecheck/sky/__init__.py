"""Sky: level, noise and gradient over the image."""

from framecheck.sky.colours import Colours, measure_colours
from framecheck.sky.cover import Cover, Ground
from framecheck.sky.ground import above_ground, sharp_bends
from framecheck.sky.measure import mask_stars, measure_cells, measure_finely, measure_sky
from framecheck.sky.model import Sky, SkySummary

__all__ = [
    "Colours",
    "Cover",
    "Ground",
    "Sky",
    "SkySummary",
    "above_ground",
    "mask_stars",
    "measure_cells",
    "measure_colours",
    "measure_finely",
    "measure_sky",
    "sharp_bends",
]
