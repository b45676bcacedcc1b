"""How the sky turns before a camera, by where stars lie from frame to frame, and how its lens bends straight lines."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust
from framecheck.night.records import NightFrame

F64 = NDArray[np.float64]

FEWEST_PAIRS: Final = 8
"""Stars that two frames must share. Chosen: five more than the numbers that are fitted."""

LEAST_REACH_PX: Final = 1.0
OFF_BY: Final = 0.15
"""How far a star may lie from where it is looked for: a pixel, and a part of the way gone. Chosen: a distortion of five
percent in the corner changes the scale by three times as much there (closed form, cubic)."""

ROUNDS: Final = 3
"""Of pairing and fitting. Chosen: the third changes nothing more."""

STRANGERS: Final = 5.0
"""Stars farther off than so many typical distances do not count. Chosen."""

MOST_BENT: Final = 0.15
"""[dimensionless] Chosen: wide lenses bend by up to 0.05 in the corners; a fisheye keeps to another law."""

MOST_STARS: Final = 400
"""The brightest of a frame, that are looked at. Chosen: more make a turn no surer than the lens's centre is known."""

FITS_THAT_BEND: Final = 8
"""Pairs of frames that tell how the lens bends, spread over the night. Chosen: the lens is the same in all."""

SURE_SIGMA: Final = 5.0
"""From which a lens bends at all. Chosen."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Lens:
    """How a lens lays directions on the sensor."""

    focal_px: float
    middle_px: complex
    corner_px: float
    """From the middle to a corner."""
    bend: float = 0.0
    """By what share a lens that keeps straight lines straight would put a star in the corner further out.
    [dimensionless]"""

    def straightened(self, away: F64) -> F64:
        """Where stars would lie, in focal lengths from the middle, if the lens kept straight lines straight.

        Parameters
        ----------
        away : ndarray, shape (n, 2)
            From the middle, as they were recorded. [px]
        """
        return away * (1 + self.bend * self._reach2(away))[:, None] / self.focal_px

    def recorded(self, places: F64, moves: F64, away: F64) -> F64:
        """Moves of straightened places as the sensor records them. [px]

        Parameters
        ----------
        places, moves : ndarray, shape (n, 2)
            [focal lengths]
        away : ndarray, shape (n, 2)
            Where the places were recorded. [px]
        """
        out = away / np.maximum(np.hypot(*away.T), 1e-9)[:, None]
        outward = (moves * out).sum(axis=1)[:, None] * out
        across, along = (1 + power * self.bend * self._reach2(away) for power in (1, 3))
        return self.focal_px * ((moves - outward) / across[:, None] + outward / along[:, None])

    def _reach2(self, away: F64) -> F64:
        out: F64 = (away**2).sum(axis=1) / self.corner_px**2
        return out


@dataclass(frozen=True, slots=True)
class Shared:
    """Stars that two frames share, from the middle as they were recorded, shape (n, 2) each. [px]"""

    earlier: F64
    later: F64


def lens_of(frame: NightFrame, focal_px: float) -> Lens:
    """A lens that keeps straight lines straight, before it is known better."""
    exposure = frame.result.exposure
    x, y = (exposure.width_px - 1) / 2, (exposure.height_px - 1) / 2
    return Lens(focal_px=focal_px, middle_px=complex(x, y), corner_px=float(np.hypot(x, y)))


def turns_between(pairs: Sequence[tuple[NightFrame, NightFrame]], lens: Lens) -> tuple[Lens, list[F64 | None]]:
    """Turning of the sky from the first to the second frame of each pair, and the lens with its bending.

    Parameters
    ----------
    pairs : sequence of two NightFrame
    lens : Lens

    Returns
    -------
    Lens
    list of ndarray, shape (3,), or None
        Angle times axis, along x, y and the line of sight; None where they share too few stars. [rad]

    Notes
    -----
    A turn w of the sky moves a star at (u, v), in focal lengths from the middle, by w_y (1 + u²) - w_x u v - w_z v and
    w_z u - w_x (1 + v²) + w_y u v (closed form, gnomonic projection). These three numbers are fitted to all stars of
    two frames, and to all pairs together one number of the lens: a cubic term of the radius (D. C. Brown, Photogramm.
    Eng. 32, 444 (1966), the first radial term; from memory). It counts where it stands out.
    """
    starts = [_start(*pair, lens.focal_px) for pair in pairs]
    straight = [_fit(*pair, start, lens) for pair, start in zip(pairs, starts, strict=True)]
    known = [one for one in straight if one is not None]
    bent = _bent(_spread_out(known), lens)
    if bent is None:
        return lens, [None if one is None else one[0] for one in straight]
    again = [
        None if one is None else _fit(*pair, one[0], bent) or one for pair, one in zip(pairs, straight, strict=True)
    ]
    surer = _bent(_spread_out([one for one in again if one is not None]), lens) or bent
    return surer, [None if one is None else _turn(one[1], surer) for one in again]


def _spread_out(fits: Sequence[tuple[F64, Shared]]) -> Sequence[tuple[F64, Shared]]:
    """Some of the fits, over the whole night."""
    return fits[:: max(1, ceil(len(fits) / FITS_THAT_BEND))]


def moved(turn: F64, places: F64) -> F64:
    """By how much a small turn moves stars on a plane image, shape (n, 2). [focal lengths]"""
    (u, v), (x, y, z) = places.T, turn
    return np.column_stack([y * (1 + u * u) - x * u * v - z * v, z * u - x * (1 + v * v) + y * u * v])


def _start(one: NightFrame, other: NightFrame, focal_px: float) -> F64 | None:
    """The turn by registration; None without."""
    if one.place is None or other.place is None:
        return None
    turn = other.place.turn / one.place.turn
    shift = other.place.shift - one.place.shift * turn
    return np.array([-shift.imag / focal_px, shift.real / focal_px, float(np.angle(turn))])


def _away(frame: NightFrame, lens: Lens) -> F64:
    good = frame.result.stars.good
    if len(good) > MOST_STARS:
        good = good[np.argsort(-good["flux_adu"], kind="stable")[:MOST_STARS]]
    return np.column_stack([good["x"] - lens.middle_px.real, good["y"] - lens.middle_px.imag]).astype(np.float64)


def _fit(one: NightFrame, other: NightFrame, start: F64 | None, lens: Lens) -> tuple[F64, Shared] | None:
    """The turn that carries stars from one frame to another, by least squares over pairs; None with too few. [rad]"""
    from scipy.spatial import cKDTree

    here, there = _away(one, lens), _away(other, lens)
    if start is None or len(here) < FEWEST_PAIRS or len(there) < FEWEST_PAIRS:
        return None
    turn, tree, places = start, cKDTree(there), lens.straightened(here)
    way = float(np.hypot(*start[:2])) + abs(start[2]) * lens.corner_px / lens.focal_px
    reach, shared = LEAST_REACH_PX + (0.0 if lens.bend else OFF_BY * way * lens.focal_px), None
    for _ in range(ROUNDS):
        half = places + 0.5 * moved(turn, places)
        expected = here + lens.recorded(half, moved(turn, half), here)
        away, row = tree.query(expected, distance_upper_bound=reach)
        paired = np.isfinite(away)
        if np.count_nonzero(paired) < FEWEST_PAIRS:
            return None
        near = paired & (away <= max(LEAST_REACH_PX / 2, STRANGERS * float(np.median(away[paired]))))
        shared = Shared(here[near], there[row[near]])
        turn = _turn(shared, lens)
    return None if shared is None else (turn, shared)


def _turn(shared: Shared, lens: Lens) -> F64:
    design, moves = _equations(shared, lens)
    return np.asarray(np.linalg.lstsq(design, moves, rcond=None)[0], np.float64)


def _equations(shared: Shared, lens: Lens) -> tuple[F64, F64]:
    """What a turn about each axis does to the stars, and what they did; in pixels of the middle."""
    one, other = lens.straightened(shared.earlier), lens.straightened(shared.later)
    middle, away = (one + other) / 2, (shared.earlier + shared.later) / 2
    columns = [lens.recorded(middle, moved(axis, middle), away).ravel() for axis in np.eye(3)]
    return np.column_stack(columns), lens.recorded(middle, other - one, away).ravel()


def _bent(known: Sequence[tuple[F64, Shared]], lens: Lens) -> Lens | None:
    """The lens as all pairs show it; None where nothing shows that it bends."""
    from scipy.optimize import minimize_scalar

    if not known:
        return None

    def rest(bend: float) -> F64:
        bending = replace(lens, bend=bend)
        out = []
        for _, shared in known:
            design, moves = _equations(shared, bending)
            out.append(moves - design @ np.linalg.lstsq(design, moves, rcond=None)[0])
        return np.concatenate(out)

    unit = max(robust.spread(rest(0.0)), 1e-3)

    def misfit(bend: float) -> float:
        return float(np.log1p((rest(bend) / unit) ** 2 / 4).sum())

    found = minimize_scalar(misfit, bounds=(-MOST_BENT, MOST_BENT), method="bounded", options={"xatol": 1e-4})
    bend = float(found.x)
    if 4 * (misfit(0.0) - misfit(bend)) < SURE_SIGMA**2 or abs(bend) > 0.98 * MOST_BENT:
        return None
    return replace(lens, bend=bend)
