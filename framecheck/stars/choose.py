"""Which of the stars found are measured: bright, alone, and spread over the field."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.stars.find import Found

MOST_MEASURED: Final = 1000
"""Stars measured in a frame at the most. Chosen: the frame's averages are then known to better than 0.1 %."""

FEW: Final = 40
"""With fewer stars alone than this, those with neighbours are measured too, flagged. Chosen."""

REGIONS: Final = (8, 12)
"""Rows and columns of the grid over which the stars measured are spread. Chosen."""

BESIDE_FLUX: Final = 0.08
"""A neighbour in the stamp with this share of a star's flux bends its fit. Chosen: a neighbour at the stamp's edge then
changes the FWHM by less than 1 %."""

OVERLAP_FWHM: Final = 1.6
OVERLAP_FLUX: Final = 0.02
"""The same for neighbours within so many FWHM. Chosen."""


@dataclass(frozen=True, slots=True)
class Choice:
    """Indices into the stars found."""

    index: NDArray[np.intp]
    blended: NDArray[np.bool_]
    """Which of them have a neighbour that bends the fit."""


def choose_stars(found: Found, shape: tuple[int, int], half: int, fwhm_px: float) -> Choice:
    """Choose the stars to measure.

    Parameters
    ----------
    found : Found
        All stars of the frame.
    shape : tuple of int
        Height and width of the image. [px]
    half : int
        Half side of the stamp that each will be fitted in. [px]
    fwhm_px : float
        Width of the typical star.
    """
    blended = _has_neighbour(found, half, fwhm_px)
    usable = ~found.saturated
    alone = np.flatnonzero(usable & ~blended)
    pool = alone if len(alone) >= FEW else np.flatnonzero(usable)
    chosen = pool[_spread(found.x[pool], found.y[pool], shape)]
    return Choice(chosen, blended[chosen])


def _spread(x: NDArray[np.floating], y: NDArray[np.floating], shape: tuple[int, int]) -> NDArray[np.intp]:
    """The brightest of each region, region by region in turn, until there are enough; input is brightest first."""
    if len(x) <= MOST_MEASURED:
        return np.arange(len(x))
    row = np.clip((y * REGIONS[0] / shape[0]).astype(int), 0, REGIONS[0] - 1)
    column = np.clip((x * REGIONS[1] / shape[1]).astype(int), 0, REGIONS[1] - 1)
    region = row * REGIONS[1] + column
    order = np.argsort(region, kind="stable")
    first = np.searchsorted(region[order], np.arange(REGIONS[0] * REGIONS[1]))
    rank = np.empty(len(x), dtype=np.intp)
    rank[order] = np.arange(len(x)) - first[region[order]]
    return np.sort(np.argsort(rank, kind="stable")[:MOST_MEASURED])


def _has_neighbour(found: Found, half: int, fwhm_px: float) -> NDArray[np.bool_]:
    """Which stars have another in their stamp, bright enough to bend the fit."""
    from scipy.spatial import cKDTree

    blended = np.zeros(len(found), bool)
    if len(found) < 2:
        return blended
    tree = cKDTree(np.column_stack([found.x, found.y]), balanced_tree=False, compact_nodes=False)
    reach = max(1.2 * half, OVERLAP_FWHM * fwhm_px)
    pairs = tree.query_pairs(reach, output_type="ndarray")
    if not len(pairs):
        return blended
    for one, other in (pairs.T, pairs.T[::-1]):
        share = found.flux_adu[other] / np.maximum(found.flux_adu[one], 1e-9)
        near = np.hypot(found.x[one] - found.x[other], found.y[one] - found.y[other]) < OVERLAP_FWHM * fwhm_px
        blended[one[(share > BESIDE_FLUX) | (near & (share > OVERLAP_FLUX)) | found.saturated[other]]] = True
    return blended
