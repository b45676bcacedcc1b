"""Which of the stars found are measured: bright, alone, and spread over the field."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.stars.find import Found
from framecheck.stars.pilot import OVERLAP_FWHM, Pilot

MOST_MEASURED: Final = 1000
"""Stars measured in a frame at the most. Chosen: the frame's averages are then known to better than 0.1 %."""

FEW: Final = 40
"""With fewer stars alone than this, those with neighbours are measured too, flagged. Chosen."""

REGIONS: Final = (8, 12)
"""Rows and columns of the grid over which the stars measured are spread. Chosen."""

BESIDE_FLUX: Final = 0.08
"""A neighbour in the stamp with this share of a star's flux bends its fit. Chosen: a neighbour at the stamp's edge then
changes the FWHM by less than 1 %."""

OVERLAP_FLUX: Final = 0.02
"""The same for neighbours within OVERLAP_FWHM. Chosen."""


@dataclass(frozen=True, slots=True)
class ChosenStars:
    """Indices into the stars found."""

    index: NDArray[np.intp]
    blended: NDArray[np.bool_]
    """Which of them have a neighbour that bends the fit."""


def choose_stars(found: Found, shape: tuple[int, int], pilot: Pilot, most: int = MOST_MEASURED) -> ChosenStars:
    """Choose the stars to measure, no more than `most`, of a frame of some height and width."""
    blended = _has_neighbour(found, pilot)
    usable = ~found.saturated
    alone = np.flatnonzero(usable & ~blended)
    pool = alone if len(alone) >= FEW else np.flatnonzero(usable)
    chosen = pool[_spread(found.x[pool], found.y[pool], shape, most)]
    return ChosenStars(chosen, blended[chosen])


def _spread(x: NDArray[np.floating], y: NDArray[np.floating], shape: tuple[int, int], most: int) -> NDArray[np.intp]:
    """The brightest of each region, region by region in turn, until there are enough; input is brightest first."""
    if len(x) <= most:
        return np.arange(len(x))
    row = np.clip((y * REGIONS[0] / shape[0]).astype(int), 0, REGIONS[0] - 1)
    column = np.clip((x * REGIONS[1] / shape[1]).astype(int), 0, REGIONS[1] - 1)
    region = row * REGIONS[1] + column
    order = np.argsort(region, kind="stable")
    first = np.searchsorted(region[order], np.arange(REGIONS[0] * REGIONS[1]))
    rank = np.empty(len(x), dtype=np.intp)
    rank[order] = np.arange(len(x)) - first[region[order]]
    return np.sort(np.argsort(rank, kind="stable")[:most])


def _has_neighbour(found: Found, pilot: Pilot) -> NDArray[np.bool_]:
    """Which stars have another in their stamp, bright enough to bend the fit."""
    blended = np.zeros(len(found), bool)
    one, other = found.beside.T
    near = np.hypot(found.x[one] - found.x[other], found.y[one] - found.y[other]) < OVERLAP_FWHM * pilot.fwhm_px
    for star, beside in ((one, other), (other, one)):
        share = found.flux_adu[beside] / np.maximum(found.flux_adu[star], 1e-9)
        blended[star[(share > BESIDE_FLUX) | (near & (share > OVERLAP_FLUX)) | found.saturated[beside]]] = True
    return blended
