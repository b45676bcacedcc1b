"""The full Moon in a frame: a disc of its known size, far brighter than all around it, whose craters are no stars."""

from typing import Final

import numpy as np

from framecheck.read.exposure import Frame

MOON_ARCMIN: Final = (29.3, 34.1)
"""Least and largest apparent diameter of the Moon; the Sun's (31.5 to 32.5) lies between. [arcmin] J. Meeus,
"Astronomical Algorithms", 2nd ed. (1998), chapter 55, from distances of 356,400 and 406,700 km."""
_SLACK: Final = 1.15
"""[dimensionless] Chosen: focal lengths in headers are rounded, and glare makes a disc larger."""
_SAMPLES: Final = 160
"""Samples along the longer side. Chosen: a disc that spans a twentieth of it is still round."""
_CONTRAST: Final = 30.0
"""[sigma] Chosen: how far above the dark part's scatter; nebulae and glare fall off without an edge."""
_ROUND: Final = 0.1
"""[dimensionless] Chosen: how far area and sides of the disc may be off those of a circle."""


def shows_the_moon(frame: Frame) -> bool:
    """Whether a frame shows the whole Moon, full or nearly so.

    Only where the header tells the pixel scale: a star far out of focus makes a disc too, of another size.
    """
    scale = frame.exposure.pixel_scale_arcsec
    if scale is None:
        return False
    step = max(1, max(frame.pixels.shape) // _SAMPLES)
    sample = frame.pixels[::step, ::step].astype(np.float32)
    dark, bright = np.nanpercentile(sample, (20, 99.5))
    scatter = max(1.0, float(np.nanpercentile(sample, 20) - np.nanpercentile(sample, 4)) / 0.9)
    if bright - dark < _CONTRAST * scatter:
        return False
    from scipy.ndimage import binary_closing, binary_fill_holes, find_objects, label

    light = binary_fill_holes(binary_closing(sample > dark + 0.25 * (bright - dark)))
    regions, n_regions = label(light)
    if n_regions == 0:
        return False
    areas = np.bincount(regions.ravel())[1:]
    largest = int(areas.argmax())
    if areas[largest] < 0.9 * areas.sum():
        return False
    rows, columns = find_objects(regions)[largest]
    tall, wide = rows.stop - rows.start, columns.stop - columns.start
    is_whole = rows.start > 0 and rows.stop < light.shape[0] and columns.start > 0 and columns.stop < light.shape[1]
    is_round = abs(wide / tall - 1) <= _ROUND and abs(areas[largest] / (np.pi / 4 * wide * tall) - 1) <= _ROUND
    diameter_arcmin = 2 * np.sqrt(areas[largest] / np.pi) * step * scale / 60
    return bool(is_whole and is_round and MOON_ARCMIN[0] / _SLACK <= diameter_arcmin <= MOON_ARCMIN[1] * _SLACK)
