"""Patterns of stars: triangles that two frames have in common, and the transforms that they vote for."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.field.similarity import Floats, Similarity, as_complex, fit_similarity

ALL_TRIANGLES: Final = 15
"""Up to so many stars all triangles are made (455), with more only those among neighbours. Chosen for speed."""

NEIGHBOURS: Final = 7
"""Neighbours of a star that its triangles are made with. Chosen: with half of the stars missing three remain."""

SIDE_TOLERANCE_PX: Final = 2.0
"""[px] Chosen: centroid errors of trails and blends, and a scale that differs by 0.3 % over a side of 600 px."""

SMALLEST_SIDE_PX: Final = 12.0
"""[px] Chosen: smaller triangles tell no turn, and two detections of one star make them."""

FLATTEST: Final = 0.03
"""[dimensionless] Least height over longest side. Chosen: a flat triangle has no sure handedness."""

MOST_VOTES: Final = 500
"""Pairs of triangles that vote, the most alike first. Chosen for speed."""


@dataclass(frozen=True, slots=True)
class Triangles:
    """Triangles of stars, described so that turning and shifting do not matter."""

    corners: NDArray[np.intp]
    """Shape (n, 3): indices of stars, by the length of the side that faces them, shortest first."""
    sides: Floats
    """Shape (n, 4): lengths of the sides, shortest first [px]; handedness as a fourth number, far apart."""
    tree: Any
    """k-d tree over `sides`."""


def make_triangles(points: Floats) -> Triangles | None:
    """Triangles among neighbouring stars, shape (n, 2); None with fewer than three stars.

    Frames of one camera share their scale to 0.1 %, so triangles are told by the lengths of all three sides, which is
    far rarer by chance than equal ratios of sides.
    """
    from scipy.spatial import cKDTree

    if len(points) < 3:
        return None
    corners = _corners(points)
    z = as_complex(points)[corners]
    facing = np.abs(z[:, [1, 2, 0]] - z[:, [2, 0, 1]])
    order = np.argsort(facing, axis=1)
    corners = np.take_along_axis(corners, order, axis=1)
    sides = np.take_along_axis(facing, order, axis=1)
    z = np.take_along_axis(z, order, axis=1)
    twice_area = (np.conj(z[:, 1] - z[:, 0]) * (z[:, 2] - z[:, 0])).imag
    usable = (sides[:, 0] > SMALLEST_SIDE_PX) & (np.abs(twice_area) > FLATTEST * sides[:, 2] ** 2)
    if not usable.any():
        return None
    handed = np.where(twice_area[usable] > 0, 1e6, -1e6)
    described = np.column_stack([sides[usable], handed])
    return Triangles(corners[usable], described, cKDTree(described))


def _corners(points: Floats) -> NDArray[np.intp]:
    """Triples of stars, shape (n, 3): all of them in a small list, else each star with two of its neighbours."""
    from scipy.spatial import cKDTree

    n = len(points)
    if n <= ALL_TRIANGLES:
        return np.array(list(combinations(range(n), 3)), dtype=np.intp)
    _, near = cKDTree(points).query(points, k=NEIGHBOURS + 1)
    pairs = np.array(list(combinations(range(NEIGHBOURS), 2)))
    others = near[:, 1:][:, pairs]
    own = np.broadcast_to(np.arange(n)[:, None, None], (*others.shape[:2], 1))
    triples = np.sort(np.concatenate([own, others], axis=2).reshape(-1, 3), axis=1)
    code = (triples[:, 0] * n + triples[:, 1]) * n + triples[:, 2]
    _, first = np.unique(code, return_index=True)
    return np.asarray(triples[first], dtype=np.intp)


@dataclass(frozen=True, slots=True)
class Votes:
    """Pairs of like triangles in two frames, and the turn and shift that each asks for."""

    reference: NDArray[np.intp]
    """Shape (n, 3): stars of the reference frame."""
    frame: NDArray[np.intp]
    """Shape (n, 3): the stars of this frame that would be the same."""
    turn: NDArray[np.complex128]
    """exp(i rotation), shape (n,)."""
    shift: NDArray[np.complex128]
    """Shift of the image centre, shape (n,). [px]"""
    tried: int
    """Pairs of like triangles found, before the most alike were chosen."""


def like_triangles(
    reference: Triangles, frame: Triangles, points: tuple[Floats, Floats], centre: complex
) -> Votes | None:
    """Pair triangles of two frames whose sides agree; None if there are none."""
    distance, found = reference.tree.query(
        frame.sides, k=4, p=np.inf, distance_upper_bound=SIDE_TOLERANCE_PX, workers=1
    )
    row, column = np.nonzero(np.isfinite(distance))
    if not len(row):
        return None
    tried = len(row)
    best = np.argsort(distance[row, column], kind="stable")[:MOST_VOTES]
    row, column = row[best], column[best]
    there, here = reference.corners[found[row, column]], frame.corners[row]
    p, q = as_complex(points[0])[there] - centre, as_complex(points[1])[here] - centre
    p_mean, q_mean = p.mean(axis=1), q.mean(axis=1)
    turn = (np.conj(p - p_mean[:, None]) * (q - q_mean[:, None])).sum(axis=1)
    turn /= np.abs(turn)
    return Votes(there, here, turn, q_mean - turn * p_mean, tried)


def most_voted(votes: Votes, points: tuple[Floats, Floats], centre: complex) -> Iterator[Similarity]:
    """Transforms that many pairs of triangles ask for, six at most, most votes first.

    Two votes are for the same transform if they put the image centre, and a point half way to the corner, within a
    distance that grows with the frame: a small triangle tells the turn only roughly.
    """
    from scipy.spatial import cKDTree

    half_way = abs(centre) / 2
    near = max(4.0, 0.005 * abs(centre))
    place = np.column_stack(
        [votes.shift.real, votes.shift.imag, half_way * votes.turn.real, half_way * votes.turn.imag]
    )
    tree = cKDTree(place)
    count = tree.query_ball_point(place, near, return_length=True)
    open_ = np.ones(len(place), bool)
    for _ in range(6):
        if not open_.any():
            return
        top = int(np.argmax(np.where(open_, count, 0)))
        group = np.array(tree.query_ball_point(place[top], near))
        open_[tree.query_ball_point(place[top], 2 * near)] = False
        transform = _from_corners(votes.reference[group].ravel(), votes.frame[group].ravel(), points, centre)
        if transform is not None:
            yield transform


def _from_corners(
    there: NDArray[np.intp], here: NDArray[np.intp], points: tuple[Floats, Floats], centre: complex
) -> Similarity | None:
    """The transform that the corners of one transform's triangles ask for together."""
    code, times = np.unique(there * len(points[1]) + here, return_counts=True)
    order = np.argsort(-times, kind="stable")
    i, j = np.divmod(code[order], len(points[1]))
    # a star has one counterpart: the one that most triangles name
    keep = np.zeros(len(i), bool)
    keep[np.unique(i, return_index=True)[1]] = True
    other = np.zeros(len(i), bool)
    other[np.unique(j, return_index=True)[1]] = True
    keep &= other
    if keep.sum() < 3:
        return None
    p, q = points[0][i[keep]], points[1][j[keep]]
    weight = times[order][keep].astype(float)
    for _ in range(3):
        transform, _ = fit_similarity(p, q, np.ones_like(p), centre, weight)
        off = np.abs(as_complex(q - transform.apply(p)))
        weight = times[order][keep] / (1 + (off / max(1.0, float(np.median(off)))) ** 2)
    return transform
