"""Registration: every frame of a group laid on its best one, from the pattern of its stars alone."""

from bisect import bisect
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.field.result import FrameResult
from framecheck.night.align import Fit, align, fit_pairs, pair_up
from framecheck.night.patterns import Triangles, like_triangles, make_triangles, most_voted
from framecheck.night.records import Registration
from framecheck.night.sources import Sources, sources_of
from framecheck.night.transform import Similarity, as_complex

BRIGHTEST: Final = (60, 200)
"""Stars whose triangles are compared, then, if no pattern was found, once more. Chosen: frames of one field share
most of their brightest stars, and few triangles are quick to compare."""

STAYS_PX: Final = 0.35
"""[px] Chosen: what lies this close to the same place of the sensor in both frames may be a hot pixel."""

MOVED_PX: Final = 3.0
"""[px] Chosen: where stars moved by more, what stayed is no star."""

FALSE_MATCH: Final = 1e-5
"""Largest probability, over all transforms tried, that unrelated stars agree as well. Chosen: one false match in
some three hundred nights of three hundred frames."""

FEWEST: Final = 4
"""Common stars without which no registration is claimed. Chosen: three fix the transform, one must confirm it."""

FLIP_TOLERANCE_DEG: Final = 20.0
"""[deg] Chosen: a pier flip turns by 180 degrees, give or take cone error and polar error near the pole."""

REFERENCES_TRIED: Final = 3
"""Chosen: a night in which the three best frames each show another field is not one group."""


@dataclass(frozen=True, slots=True)
class Reference:
    """The frame that others are registered to, with its patterns, made once."""

    sources: Sources
    tree: Any
    """k-d tree over the places of all sources."""
    triangles: tuple[Triangles | None, ...]
    """Of the brightest stars, for each number in `BRIGHTEST`."""
    size: tuple[int, int]
    """Width and height of the image. [px]"""

    @property
    def centre(self) -> complex:
        """Middle of the image, the first pixel's centre being 0. [px]"""
        return complex((self.size[0] - 1) / 2, (self.size[1] - 1) / 2)


@dataclass(frozen=True, slots=True)
class Match:
    """A registered frame, and which stars it shares with the reference."""

    registration: Registration
    reference_rows: NDArray[np.intp]
    """Rows in the reference's star table."""
    frame_rows: NDArray[np.intp]
    """Rows of the same stars in this frame's table."""


def make_reference(sources: Sources, size: tuple[int, int]) -> Reference:
    """Prepare a frame for others to be registered to."""
    from scipy.spatial import cKDTree

    triangles = tuple(make_triangles(sources.brightest(n).points) for n in BRIGHTEST)
    return Reference(sources, cKDTree(sources.points), triangles, size)


def register_group(results: Sequence[FrameResult]) -> tuple[int, list[Match | None]]:
    """Register all frames of a group to its best one.

    Parameters
    ----------
    results : sequence of FrameResult
        Frames of one image size.

    Returns
    -------
    reference : int
        Index of the frame that the others are registered to: many stars, sharp and round. If fewer than half of the
        frames share its stars, the next best that did not is tried, and the one that most frames share is taken.
    matches : list of Match or None
        One a frame; None if it shares no pattern of stars with the reference.
    """
    sources = [sources_of(result) for result in results]
    size = results[0].exposure.width_px, results[0].exposure.height_px
    merit = np.array([_merit(result) for result in results])
    best: tuple[int, list[Match | None]] | None = None
    open_ = np.ones(len(results), bool)
    for _ in range(REFERENCES_TRIED):
        chosen = int(np.argmax(np.where(open_, merit, -np.inf)))
        matches = _register_all(sources, chosen, size)
        registered = np.array([match is not None for match in matches])
        if best is None or registered.sum() > sum(match is not None for match in best[1]):
            best = chosen, matches
        open_ &= ~registered
        if 2 * registered.sum() >= len(results) or not open_.any():
            break
    assert best is not None
    return best


def _merit(result: FrameResult) -> float:
    """How good a reference a frame makes: stars found, over the area that one of them covers."""
    shape = result.shape
    if shape is None or not shape.fwhm_px > 0:
        return -1.0 / (1 + len(result.stars.table))
    return result.stars.n_found / (shape.fwhm_px**2 * (shape.elongation + 1 / shape.elongation))


def _register_all(sources: list[Sources], chosen: int, size: tuple[int, int]) -> list[Match | None]:
    reference = make_reference(sources[chosen], size)
    fits = [_find(reference, one) if i != chosen else None for i, one in enumerate(sources)]
    fixed = _fixed_to_the_sensor(reference, sources, fits)
    if fixed is not None:
        # Hot pixels show where stars moved; frames that hardly moved are fitted again without them.
        moving = make_reference(_without(sources[chosen], fixed), size)
        for i, fit in enumerate(fits):
            if fit is not None and not _moved(fit.transform, size):
                fits[i] = _find(moving, _without(sources[i], fixed))
        reference = moving
        sources = [_without(one, fixed) for one in sources]
    _try_neighbours(reference, sources, fits, chosen)
    matches = [_match(fit) if fit is not None else None for fit in fits]
    matches[chosen] = _itself(sources[chosen])
    return matches


def _try_neighbours(reference: Reference, sources: list[Sources], fits: list[Fit | None], chosen: int) -> None:
    """Try frames whose few stars make no pattern of their own as the frames before and after them lie."""
    still = Similarity(reference.centre, 1 + 0j, 0j)
    known = {i: still if fit is None else fit.transform for i, fit in enumerate(fits) if fit is not None or i == chosen}
    places = sorted(known)
    for i, frame in enumerate(sources):
        if i in known or len(frame) < FEWEST:
            continue
        after = bisect(places, i)
        tries = [
            align(reference.sources, frame, known[j], reference.size, tried=2, given=2)
            for j in places[max(after - 1, 0) : after + 1]
        ]
        best = min((fit for fit in tries if fit is not None), key=lambda fit: fit.chance, default=None)
        if best is not None and best.chance < FALSE_MATCH:
            fits[i] = _with_all_stars(reference, frame, best)


def register(reference: Reference, frame: Sources) -> Match | None:
    """Register one frame.

    Parameters
    ----------
    reference : Reference
    frame : Sources
        Stars of a frame of the same size.

    Returns
    -------
    Match or None
        None if no pattern of stars is common: if unrelated stars would agree as well with a probability above
        `FALSE_MATCH`.

    Notes
    -----
    Triangles of bright stars that are alike in both frames vote for a turn and a shift; the transforms with most votes
    are refined by iterated nearest neighbours. Hot pixels stay where they are and vote for no motion at all. So
    everything that stayed is left aside first: if what is left agrees on a motion, that is the motion of the stars.
    Only if it does not, all of it is asked. Groth, AJ 91, 1244 (1986), is the classical paper on triangles (from
    memory; there by ratios, with votes for pairs of stars).
    """
    fit = _find(reference, frame)
    return None if fit is None else _match(fit)


def _find(reference: Reference, frame: Sources) -> Fit | None:
    if min(len(reference.sources), len(frame)) < FEWEST:
        return None
    stays_there, stays_here = _stationary(reference, frame)
    if not stays_here.any():
        return _search(reference, reference, frame, frame)
    moving = frame.part(~stays_here)
    if len(moving) >= FEWEST:
        # with few that stay, the reference's own patterns do; with many, stars have other neighbours without them
        few = stays_there[: BRIGHTEST[0]].mean() < 0.2
        patterns = reference if few else make_reference(reference.sources.part(~stays_there), reference.size)
        fit = _search(reference, patterns, frame, moving)
        if fit is not None:
            return fit
    return _search(reference, reference, frame, frame)


def _search(reference: Reference, patterns: Reference, frame: Sources, moving: Sources) -> Fit | None:
    """The transform that the patterns of `moving` share with those of `patterns`, fitted to all stars."""
    for stage, n in enumerate(BRIGHTEST):
        if stage and min(len(patterns.sources), len(moving)) <= BRIGHTEST[stage - 1]:
            return None
        fit = _search_brightest(reference, patterns, frame, moving, stage, n)
        if fit is not None:
            return fit
    return None


def _search_brightest(
    reference: Reference, patterns: Reference, frame: Sources, moving: Sources, stage: int, n: int
) -> Fit | None:
    there, here = patterns.triangles[stage], make_triangles(moving.brightest(n).points)
    if there is None or here is None:
        return None
    points = patterns.sources.points, moving.points
    votes = like_triangles(there, here, points, reference.centre)
    if votes is None:
        return None
    best: Fit | None = None
    for start, _ in most_voted(votes, points, reference.centre):
        fit = align(patterns.sources, moving, start, reference.size, tried=votes.tried)
        if fit is not None and (best is None or fit.chance < best.chance):
            best = fit
        if best is not None and best.chance < FALSE_MATCH**3:
            break
    if best is None or best.chance > FALSE_MATCH:
        return None
    return _with_all_stars(reference, frame, best)


def _with_all_stars(reference: Reference, frame: Sources, found: Fit) -> Fit:
    """Fit once more with all stars of both frames, but for hot pixels."""
    sources = frame.part(~_left_behind(reference, frame, found))
    pairs = pair_up(reference.sources, reference.tree, sources, found.transform, found.radius_px)
    return fit_pairs(reference.sources, sources, pairs, found) or found


def _left_behind(reference: Reference, frame: Sources, found: Fit) -> NDArray[np.bool_]:
    """What stayed on the sensor although the stars moved on; nothing if no more stayed than scatter explains."""
    _, stays = _stationary(reference, frame)
    moved = np.abs(as_complex(frame.points - found.transform.undo(frame.points)))
    clear = moved > STAYS_PX
    by_scatter = np.exp(-((moved - STAYS_PX) ** 2) / (2 * found.rms_px**2 + 1e-9))[clear].sum()
    left: NDArray[np.bool_] = stays & clear
    if left.sum() <= 2 * by_scatter + 0.02 * len(frame):
        left &= moved > MOVED_PX
    return left


def _stationary(reference: Reference, frame: Sources) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """What lies at the same place of the sensor in both frames: masks for the reference and for the frame."""
    distance, nearest = reference.tree.query(frame.points, distance_upper_bound=STAYS_PX)
    here = np.isfinite(distance)
    there = np.zeros(len(reference.sources), bool)
    there[nearest[here]] = True
    return there, here


def _moved(transform: Similarity, size: tuple[int, int]) -> bool:
    """Whether the stars moved by several pixels over most of the sensor."""
    places = np.array([[x * size[0], y * size[1]] for x in (0.25, 0.75) for y in (0.25, 0.75)])
    return bool(np.median(np.abs(as_complex(transform.apply(places) - places))) > MOVED_PX)


def _fixed_to_the_sensor(
    reference: Reference, sources: list[Sources], fits: list[Fit | None]
) -> NDArray[np.float64] | None:
    """Places, shape (n, 2), of what stayed on the sensor in at least two frames whose stars moved; None if nothing."""
    seen = np.zeros(len(reference.sources), int)
    for frame, fit in zip(sources, fits, strict=True):
        if fit is not None and _moved(fit.transform, reference.size):
            seen += _stationary(reference, frame)[0]
    fixed = reference.sources.points[seen >= 2]
    return fixed if len(fixed) else None


def _without(sources: Sources, places: NDArray[np.float64]) -> Sources:
    from scipy.spatial import cKDTree

    distance, _ = cKDTree(places).query(sources.points, distance_upper_bound=2 * STAYS_PX)
    return sources.part(~np.isfinite(distance))


def _match(fit: Fit) -> Match:
    transform, covariance = fit.transform, fit.covariance
    across = np.array([-transform.turn.imag, transform.turn.real]) / abs(transform.turn) ** 2
    rotation = transform.rotation_deg
    return Match(
        Registration(
            shift_x_px=float(transform.shift.real),
            shift_y_px=float(transform.shift.imag),
            rotation_deg=rotation,
            scale=transform.scale,
            n_common=len(fit.reference_rows),
            rms_px=fit.rms_px,
            shift_error_px=float(np.sqrt((covariance[2, 2] + covariance[3, 3]) / 2)),
            rotation_error_deg=float(np.degrees(np.sqrt(across @ covariance[:2, :2] @ across))),
            flipped=180 - abs(rotation) < FLIP_TOLERANCE_DEG,
            false_match_probability=fit.chance,
        ),
        fit.reference_rows,
        fit.frame_rows,
    )


def _itself(sources: Sources) -> Match:
    registration = Registration(
        shift_x_px=0.0, shift_y_px=0.0, rotation_deg=0.0, scale=1.0, n_common=len(sources), rms_px=0.0,
        shift_error_px=0.0, rotation_error_deg=0.0, flipped=False,
    )  # fmt: skip
    return Match(registration, sources.rows, sources.rows)
