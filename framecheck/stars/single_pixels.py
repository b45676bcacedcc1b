"""Pixels that stand alone in a stamp: hot ones, and those that a particle hit."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.stars.pilot import Pilot
from framecheck.stars.stamps import Stamps

SHARP_PIXEL_SIGMA: Final = 7.0
"""Pixels higher than this are asked whether their neighbours share the light. [sigma] Chosen: below it a hot pixel
reaches no signal that makes a star."""

SIDE_SHARE: Final = 0.45
"""Least light of a pixel's two neighbours, along each axis, in units of what a star would have. Chosen: half-way,
nearly, between a star's 1 and a hot pixel's 0."""

MOSAIC_SIDE_SHARE: Final = 0.15
"""The same in a colour mosaic, where the neighbours see another colour: a third of the light, or less. Chosen."""


def fill_sharp_pixels(stamps: Stamps, shape: Pilot, side_share: float) -> None:
    """Mark the pixels that stand alone as unusable, since a star may lie under hot ones, and fill them in, in place.

    `side_share` is light beside the brightest pixel over that in it, of the typical star. [dimensionless]
    """
    side = 2 * stamps.half + 1
    inner = np.pad(np.ones((side - 2, side - 2), bool), 1).ravel()
    flat = stamps.values.reshape(-1)
    at = np.flatnonzero((stamps.values > SHARP_PIXEL_SIGMA * stamps.noise[:, None]) & inner)
    noise, share = stamps.noise[at // side**2], _share_beside(shape, side_share)
    beside_x = (flat[at - 1] + flat[at + 1]) / 2
    beside_y = (flat[at - side] + flat[at + side]) / 2
    least = np.minimum(beside_x, beside_y)
    sharp = share * flat[at] - least > 2 * noise * np.float32(np.sqrt(0.5 + share**2))
    flat[at[sharp]] = least[sharp]
    stamps.usable.reshape(-1)[at[sharp]] = 0


def _share_beside(shape: Pilot, side_share: float) -> float:
    """Light that a pixel's two neighbours must have at least, over its own."""
    return float(side_share * np.exp(-4 * np.log(2) / (shape.short_px**2 + 0.5)))


def stands_alone(stamps: Stamps, shape: Pilot, side_share: float) -> NDArray[np.bool_]:
    """Whether the neighbours of each stamp's brightest pixel lack light for a star, by two standard errors.

    Asked along each axis; not where that pixel is too faint to tell, or a neighbour is unknown.
    """
    side, half = 2 * stamps.half + 1, stamps.half
    image = stamps.pictures
    core = image[:, half - 2 : half + 3, half - 2 : half + 3].reshape(len(image), 25)
    star = np.flatnonzero(core.max(axis=1) >= SHARP_PIXEL_SIGMA * stamps.noise)
    row, column = np.divmod(core[star].argmax(axis=1), 5)
    at = (star * side + row + half - 2) * side + column + half - 2
    flat, usable, share = image.ravel(), stamps.usable.ravel(), _share_beside(shape, side_share)
    least = share * flat[at] - 2 * stamps.noise[star] * np.float32(np.sqrt(0.5 + share**2))
    alone = np.zeros(len(star), bool)
    for beside in (1, side):
        known = (usable[at - beside] > 0) & (usable[at + beside] > 0)
        alone |= known & ((flat[at - beside] + flat[at + beside]) / 2 <= least)
    out = np.zeros(len(image), bool)
    out[star] = alone
    return out
