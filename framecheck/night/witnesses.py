"""Still witnesses: places of the sensor that shine whatever the stars do, and stars that several frames know."""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.field.similarity import Floats, Similarity, as_complex
from framecheck.night.sources import Sources

STAYS_PX: Final = 0.35
"""[px] Chosen: what lies this close to the same place of the sensor in two frames may be a hot pixel."""

MOVED_PX: Final = 3.0
"""[px] Chosen: where stars moved by more, what stayed is no star."""

OFTEN: Final = (0.3, 0.6)
"""Shares of the frames in which a hot pixel shines. Chosen: the first finds also those near the limit, but takes stars
for them where the pointing rested for a third of the frames; the second does not before and after a flip."""

MOST_FRAMES: Final = 30
MOST_SOURCES: Final = 400
"""Frames, and sources of each, that are asked. Chosen for speed; of more sources, stars outvote the hot pixels."""

SAME_STAR_PX: Final = 2.0
"""[px] Chosen: one star's places in several frames, laid on each other, lie closer."""


def still_places(sources: Sequence[Sources], often: float) -> Floats:
    """Places of the sensor, shape (n, 2), at which that share of the frames show something. [px]

    Hot pixels; also stars, if the pointing rested.
    """
    step = max(1, -(-len(sources) // MOST_FRAMES))
    frames = [one.brightest(MOST_SOURCES) for one in sources[::step] if len(one)]
    return _seen_in(frames, max(2, int(np.ceil(often * len(frames)))))


def fixed_places(sources: Sequence[Sources], transforms: Sequence[Similarity], size: tuple[int, int]) -> Floats:
    """Places that shine in two frames between which the stars moved, shape (n, 2). [px]"""
    from scipy.spatial import cKDTree

    some = range(0, len(sources), max(1, -(-len(sources) // MOST_FRAMES)))
    moved = _moved_between([transforms[i] for i in some], size)
    if not moved.any():
        return np.empty((0, 2))
    points = [sources[i].brightest(MOST_SOURCES).points for i in some]
    of = np.repeat(np.arange(len(points)), [len(one) for one in points])
    all_points = np.concatenate(points)
    near = cKDTree(all_points).query_pairs(STAYS_PX, output_type="ndarray")
    near = near[moved[of[near[:, 0]], of[near[:, 1]]]]
    return all_points[np.unique(near)]


def has_moved(one: Similarity, other: Similarity, size: tuple[int, int]) -> bool:
    """Whether the stars moved by several pixels over most of the sensor between two frames."""
    return bool(_moved_between([one, other], size)[0, 1])


def _moved_between(transforms: Sequence[Similarity], size: tuple[int, int]) -> NDArray[np.bool_]:
    """The same of each two frames, shape (n, n)."""
    places = np.array([[x * size[0], y * size[1]] for x in (0.25, 0.75) for y in (0.25, 0.75)])
    at = np.array([as_complex(one.apply(places)) for one in transforms])
    return np.asarray(np.median(np.abs(at[:, None] - at), axis=2) > MOVED_PX)


def without(sources: Sources, places: Floats) -> Sources:
    """What lies at none of the places, shape (n, 2). [px]"""
    from scipy.spatial import cKDTree

    if not len(places):
        return sources
    distance, _ = cKDTree(places).query(sources.points, distance_upper_bound=2 * STAYS_PX)
    return sources.part(~np.isfinite(distance))


def joint_catalogue(reference: Sources, frames: Sequence[Sources], transforms: Sequence[Similarity]) -> Sources:
    """The reference's stars, and those that it missed but two other frames or more show.

    In the reference's coordinates, brightest first within each of the two parts; `rows` is -1 for stars that are not in
    the reference's table.
    """
    laid = [
        Sources(transform.undo(one.points), one.variance, np.full(len(one), -1))
        for one, transform in zip(frames, transforms, strict=True)
    ]
    missed = without_near(laid, reference.points)
    places = _seen_in(missed, 2, SAME_STAR_PX)
    if not len(places):
        return reference
    variance = np.full_like(places, float(np.median(reference.variance)))
    return Sources(
        np.concatenate([reference.points, places]),
        np.concatenate([reference.variance, variance]),
        np.concatenate([reference.rows, np.full(len(places), -1)]),
    )


def without_near(frames: Sequence[Sources], places: Floats) -> list[Sources]:
    """What of each frame lies farther from all places, shape (n, 2), than one star's detections. [px]"""
    from scipy.spatial import cKDTree

    tree = cKDTree(places)
    return [one.part(~np.isfinite(tree.query(one.points, distance_upper_bound=SAME_STAR_PX)[0])) for one in frames]


def _seen_in(frames: Sequence[Sources], least: int, near_px: float = STAYS_PX) -> Floats:
    """Mean places at which at least so many frames have a source, shape (n, 2)."""
    from scipy.spatial import cKDTree

    if len(frames) < 2 or least < 2:
        return np.empty((0, 2))
    points = np.concatenate([one.points for one in frames])
    if not len(points):
        return np.empty((0, 2))
    tree = cKDTree(points)
    count = tree.query_ball_point(points, near_px, return_length=True)
    open_ = count >= least
    out = []
    for i in np.argsort(-count, kind="stable"):
        if open_[i]:
            near = tree.query_ball_point(points[i], near_px)
            open_[near] = False
            out.append(np.median(points[near], axis=0))
    return np.array(out).reshape(-1, 2)
