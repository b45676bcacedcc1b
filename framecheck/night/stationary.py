"""What stays on the sensor while the sky moves on is no star: lamps, windows, hot pixels that passed for stars."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np

from framecheck.constants import BY_CHANCE
from framecheck.field.result import FrameResult
from framecheck.field.shape import averaged_again
from framecheck.field.similarity import Floats, as_complex
from framecheck.night.register import FRAMES_ASKED, Match
from framecheck.night.witnesses import MOVED_PX
from framecheck.stars.flags import StarFlag

SAME_PLACE_PX: Final = 1.0
"""[px] Chosen: a lamp flickers and the tripod bends by less."""

PIVOTS: Final = 2
"""Frames whose stars are looked for in `FRAMES_ASKED` others. Chosen: lamps are in nearly all frames of a night."""

FEWEST_TIMES: Final = 2
MOST_TIMES: Final = 0.6
"""Frames, of those under whose sky it stayed, in which a light must be seen again. Chosen: lamps may go out."""


def without_stationary_lights(results: Sequence[FrameResult], matches: Sequence[Match | None]) -> list[FrameResult]:
    """The frames of a group with lights that stay on the sensor flagged, and their stars averaged without them."""
    from scipy.spatial import cKDTree

    places = _still_places(results, matches)
    if not len(places):
        return list(results)
    tree = cKDTree(places)
    return [_flagged(result, tree) for result in results]


def _still_places(results: Sequence[FrameResult], matches: Sequence[Match | None]) -> Floats:
    """Where lights stay, shape (n, 2). [px]"""
    from scipy.spatial import cKDTree

    size = results[0].exposure.width_px, results[0].exposure.height_px
    lie = {i: match.registration.similarity(size) for i, match in enumerate(matches) if match is not None}
    known = list(lie)
    pivots, compared = (_spread(known, count) for count in (PIVOTS, FRAMES_ASKED))
    trees = {i: cKDTree(_good_places(results[i])) for i in compared}
    out = [np.zeros((0, 2))]
    for pivot in pivots:
        points = _good_places(results[pivot])
        moved, seen = np.zeros(len(points), int), np.zeros(len(points), int)
        on_sky = lie[pivot].undo(points)
        for other in compared:
            away = np.abs(as_complex(lie[other].apply(on_sky) - points)) > MOVED_PX
            if other == pivot or not away.any():
                continue
            distance, _ = trees[other].query(points[away], distance_upper_bound=SAME_PLACE_PX)
            moved[away] += 1
            seen[away] += np.isfinite(distance)
        chance = len(points) * np.pi * SAME_PLACE_PX**2 / (size[0] * size[1])
        still = (seen >= np.maximum(FEWEST_TIMES, MOST_TIMES * moved)) & (len(points) * chance**seen < BY_CHANCE)
        if 2 * still.sum() < len(points):  # else the registration errs, not the stars
            out.append(points[still])
    return np.concatenate(out)


def _spread(frames: list[int], count: int) -> list[int]:
    """So many of some frames, evenly from the first to the last."""
    return sorted({frames[k] for k in np.linspace(0, len(frames) - 1, count).round().astype(int)}) if frames else []


def _good_places(result: FrameResult) -> Floats:
    good = result.stars.good
    return np.column_stack([good["x"], good["y"]]).astype(np.float64)


def _flagged(result: FrameResult, still: Any) -> FrameResult:
    """The frame with the stars at still places flagged, if it has any."""
    distance, _ = still.query(_good_places(result), distance_upper_bound=SAME_PLACE_PX)
    there = np.flatnonzero(result.stars.table["flags"] == 0)[np.isfinite(distance)]
    if not len(there):
        return result
    table = result.stars.table.copy()
    table["flags"][there] |= np.uint16(StarFlag.STILL)
    stars = replace(result.stars, table=table, n_found=result.stars.n_found - len(there))
    shape = None if result.shape is None else averaged_again(result.shape, result.stars.good, stars.good)
    return replace(result, stars=stars, shape=shape)
