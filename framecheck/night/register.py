"""Registration: every frame of a group laid on its best one, from the pattern of its stars alone."""

from bisect import bisect
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.field.result import FrameResult
from framecheck.field.similarity import Floats, Similarity, as_complex
from framecheck.night.align import Fit, align, fit_pairs, pair_up
from framecheck.night.records import Registration
from framecheck.night.sources import Sources, sources_of
from framecheck.night.star_patterns import Triangles, like_triangles, make_triangles, most_voted
from framecheck.night.witnesses import (
    MOST_SOURCES,
    MOVED_PX,
    OFTEN,
    STAYS_PX,
    fixed_places,
    has_moved,
    joint_catalogue,
    still_places,
    without,
)

BRIGHTEST: Final = (60, 200)
"""Stars whose triangles are compared, then, if no pattern was found, once more. Chosen: frames of one field share
most of their brightest stars, and few triangles are quick to compare. A reference with more than the first needs no
stars that it missed."""

FALSE_MATCH: Final = 1e-5
"""Largest probability, over all transforms tried, that unrelated stars agree as well. Chosen: one false match in
some three hundred nights of three hundred frames."""

FEWEST: Final = 4
"""Common stars without which no registration is claimed. Chosen: three fix the transform, one must confirm it."""

FLIP_TOLERANCE_DEG: Final = 20.0
"""[deg] Chosen: a pier flip turns by 180 degrees, give or take cone error and polar error near the pole."""

FRAMES_ASKED: Final = 12
"""Frames, spread over the night, that tell hot pixels from stars. Chosen: some of so many lie before and after a dither
or a flip."""

REFERENCES_TRIED: Final = 3
"""Chosen: a night in which the three best frames each show another field is not one group."""


ON_PIXELS: Final = 11.0
"""Clearness of places' common place within a pixel, n R² (Rayleigh's test, N. I. Fisher, Statistical Analysis of
Circular Data, 1993, from memory), of both axes together, from which what stayed are pixels. Chosen: places at random
have (1 + s) exp(-s), 2 in 10,000 (closed form), while six pixels come to 11.6."""


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
    """Register all frames of a group to its best one: its index, and a match, or None, for each frame.

    The best has many stars, sharp and round. If fewer than half of the frames share its stars, the next best that did
    not is tried, and the one that most frames share is taken.
    """
    sources = [sources_of(result) for result in results]
    size = results[0].exposure.width_px, results[0].exposure.height_px
    merit = np.array([_merit(result) for result in results])
    fixed = _fixed_to_the_sensor(sources, merit, size)
    return _register_to_best([without(one, fixed) for one in sources], merit, size)


def _fixed_to_the_sensor(sources: list[Sources], merit: NDArray[np.float64], size: tuple[int, int]) -> Floats:
    """Places of hot pixels, shape (n, 2): what stayed although the stars moved; told by some of the frames."""
    usable = [i for i, one in enumerate(sources) if len(one) >= FEWEST]
    none: Floats = np.empty((0, 2))
    if len(usable) < 2 or np.median([len(sources[i]) for i in usable]) > MOST_SOURCES:
        return none
    some = usable[:: -(-len(usable) // FRAMES_ASKED)]
    best = int(np.argmax(merit[some]))
    for often in OFTEN:
        still = still_places(sources, often)
        if not len(still):
            return none
        matches = _register_all([without(sources[i], still) for i in some], best, size)
        places = {i: one.registration.similarity(size) for i, one in zip(some, matches, strict=True) if one}
        moved = sum(has_moved(places[some[best]], place, size) for place in places.values())
        if moved >= min(2, len(some) - 1):
            return fixed_places([sources[i] for i in places], list(places.values()), size)
    return none


def _register_to_best(
    sources: list[Sources], merit: NDArray[np.float64], size: tuple[int, int]
) -> tuple[int, list[Match | None]]:
    best: tuple[int, list[Match | None]] | None = None
    open_ = np.ones(len(sources), bool)
    for _ in range(REFERENCES_TRIED):
        chosen = int(np.argmax(np.where(open_, merit, -np.inf)))
        matches = _register_all(sources, chosen, size)
        registered = np.array([match is not None for match in matches])
        if best is None or registered.sum() > sum(match is not None for match in best[1]):
            best = chosen, matches
        open_ &= ~registered
        if 2 * registered.sum() >= len(sources) or not open_.any():
            break
    assert best is not None
    return best


def _merit(result: FrameResult) -> float:
    """How good a reference a frame makes: stars found, over the area that one of them covers.

    Where every star is drawn twice, each was found twice, and is as long as the way from one image to the other.
    """
    shape, stars = result.shape, result.stars
    if shape is None or not shape.fwhm_px > 0:
        return -1.0 / (1 + len(stars.table))
    n, apart = (stars.n_found, 0.0) if stars.doubled_px is None else (stars.n_found / 2, np.hypot(*stars.doubled_px))
    drawn_out = 1 + apart / shape.fwhm_px
    elongation = shape.elongation * drawn_out
    merit = n / (shape.fwhm_px**2 * drawn_out * (elongation + 1 / elongation))
    return float(merit) if np.isfinite(merit) else 0.0


def _register_all(sources: list[Sources], chosen: int, size: tuple[int, int]) -> list[Match | None]:
    reference = make_reference(sources[chosen], size)
    fits = [_find(reference, one) if i != chosen else None for i, one in enumerate(sources)]
    still = Similarity(reference.centre, 1 + 0j, 0j)
    known = [i for i, fit in enumerate(fits) if fit is not None]
    fixed = fixed_places(
        [sources[i] for i in (chosen, *known)], [still, *(fit.transform for fit in fits if fit is not None)], size
    )
    if len(fixed):
        # Hot pixels show where stars moved; frames that hardly moved are fitted again without them.
        sources = [without(one, fixed) for one in sources]
        reference = make_reference(sources[chosen], size)
        for i in known:
            fit = fits[i]
            if fit is not None and not has_moved(still, fit.transform, size):
                fits[i] = _find(reference, sources[i])
    joint = _with_stars_of_others(reference, sources, fits, chosen)
    if joint is not reference:
        fits = [
            _find(joint, one) if fit is None and i != chosen else fit
            for i, (one, fit) in enumerate(zip(sources, fits, strict=True))
        ]
    _try_neighbours(joint, sources, fits, chosen)
    matches = [_match(fit) if fit is not None else None for fit in fits]
    matches[chosen] = _itself(sources[chosen])
    return matches


def _with_stars_of_others(
    reference: Reference, sources: list[Sources], fits: list[Fit | None], chosen: int
) -> Reference:
    """The reference with stars that it missed, if frames are left that found no pattern in it."""
    lost = any(fit is None and len(sources[i]) >= FEWEST for i, fit in enumerate(fits) if i != chosen)
    found = [i for i, fit in enumerate(fits) if fit is not None]
    if not lost or len(found) < 2 or len(reference.sources) > BRIGHTEST[0]:
        return reference
    transforms = [fit.transform for fit in fits if fit is not None]
    catalogue = joint_catalogue(reference.sources, [sources[i] for i in found], transforms)
    return reference if len(catalogue) == len(reference.sources) else make_reference(catalogue, reference.size)


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
        if best is not None and best.chance < FALSE_MATCH and not _are_pixels(reference, frame, best):
            fits[i] = _with_all_stars(reference, frame, best)


def register(reference: Reference, frame: Sources) -> Match | None:
    """Register one frame to another of its size; None if they have no pattern of stars in common.

    That is, if unrelated stars would agree as well with a probability above `FALSE_MATCH`.

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
    fit = _search(reference, reference, frame, frame)
    return None if fit is None or _are_pixels(reference, frame, fit) else fit


def _are_pixels(reference: Reference, frame: Sources, fit: Fit) -> bool:
    """Whether what agrees are pixels, not stars: nothing moved, and all lie alike on the grid of the sensor."""
    still = Similarity(reference.centre, 1 + 0j, 0j)
    if has_moved(still, fit.transform, reference.size):
        return False
    points = frame.points[np.isin(frame.rows, fit.frame_rows)]
    clear = np.abs(np.exp(2j * np.pi * points).sum(axis=0)) ** 2 / len(points)
    return bool(clear.sum() > ON_PIXELS)


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
    for start in most_voted(votes, points, reference.centre):
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


def _match(fit: Fit) -> Match:
    transform, covariance = fit.transform, fit.covariance
    across = np.array([-transform.turn.imag, transform.turn.real]) / abs(transform.turn) ** 2
    rotation = transform.rotation_deg
    known = fit.reference_rows >= 0  # a star that the reference missed has no row
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
        fit.reference_rows[known],
        fit.frame_rows[known],
    )


def _itself(sources: Sources) -> Match:
    registration = Registration(
        shift_x_px=0.0,
        shift_y_px=0.0,
        rotation_deg=0.0,
        scale=1.0,
        n_common=len(sources),
        rms_px=0.0,
        shift_error_px=0.0,
        rotation_error_deg=0.0,
        flipped=False,
    )
    return Match(registration, sources.rows, sources.rows)
