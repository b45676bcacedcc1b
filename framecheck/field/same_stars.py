"""Which stars of many frames are the same ones: one star's repeats are one star."""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.field.similarity import Floats, Similarity

SAME_PX: Final = 3.0
"""[px] Chosen: registration, distortion and blends leave less, and two good stars of a field are seldom so close."""


def number_stars(points: Sequence[Floats], places: Sequence[Similarity | None]) -> NDArray[np.intp]:
    """Give the stars of many frames numbers, the same wherever one star comes back; shape (n_stars,).

    Those of all frames, one after the other; the stars of a frame without a place are taken for strangers.
    """
    from scipy.spatial import cKDTree

    numbers: list[NDArray[np.intp]] = [np.empty(0, np.intp)] * len(points)
    known: Floats = np.empty((0, 2))
    n_all = 0
    for i in sorted(range(len(points)), key=lambda i: -len(points[i])):
        where = places[i]
        own = np.full(len(points[i]), -1, np.intp)
        place = points[i]
        if where is not None:
            place = where.undo(points[i])
            if len(known):
                distance, nearest = cKDTree(known).query(place, distance_upper_bound=SAME_PX)
                own = np.where(np.isfinite(distance), nearest, -1)
        new = own < 0
        own[new] = n_all + np.arange(new.sum())
        n_all += int(new.sum())
        # strangers keep their numbers free of neighbours
        known = np.concatenate([known, place[new] if where is not None else np.full((int(new.sum()), 2), -1e9)])
        numbers[i] = own
    return np.concatenate(numbers) if numbers else np.empty(0, np.intp)
