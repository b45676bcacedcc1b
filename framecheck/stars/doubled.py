"""Frames whose every star is drawn twice: the mount was knocked in the exposure and came to rest elsewhere."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.robust import spread
from framecheck.stars.find import Found
from framecheck.stars.pilot import Pilot

FARTHEST_PX: Final = 40.0
"""Companions are looked for so far from a star. [px] Chosen: the reach of a trail's search too."""

NEAREST_FWHM: Final = 1.2
"""And no nearer than this. [FWHM] Chosen: below it two parts are one elongated star to the finder."""

BRIGHTEST_SHARE: Final = 1 / 3
MOST_ASKED: Final = 300
FEWEST_ASKED: Final = 12
"""Stars asked for a companion: the brightest third, no more and no fewer than so many. Chosen: where the fainter part
holds a fifth of the light and the numbers of stars follow a usual law, the companions of that third are found too.
Clipped stars are asked last: close to them nothing fainter is believed."""

MOST_STARS: Final = 6000
"""Stars that may be companions, brightest first. Chosen: denser fields are told by their brightest."""

SHARE_WITH_COMPANION: Final = 0.2
FEWEST_PAIRS: Final = 5
"""A frame is doubled if this share of the stars asked, and so many, have their companion at one offset. Chosen: a
doubled frame has nearly all, less those whose fainter part is lost in the light of the brighter, within some 3 FWHM;
a random field of 20,000 stars on 26 megapixels has a fiftieth."""

FALSE_ALARM: Final = 1e-9
"""Highest probability that scattered stars make such a number of pairs anywhere. Chosen: no archive is as large."""

SAME_OFFSET_FWHM: Final = 0.35
"""How well the offsets of a frame agree. [FWHM] Chosen: rough centres are a tenth of it off."""

SAME_RATIO: Final = 0.4
"""Largest spread of the natural logarithm of the two parts' ratio of light. [1] Chosen: noise makes 0.1 to 0.2,
chance over 1."""

ONLY_ONE: Final = 0.5
"""A second offset with more than this share of the first's pairs: not two parts, but a ring or a row. Chosen."""

DRAWN_OUT: Final = 1.5
ALONG_DEG: Final = 25.0
"""Stars so elongated [1], with the offset so near to their long axis [deg], are trails in pieces. Chosen."""


@dataclass(frozen=True, slots=True)
class Doubled:
    """Where the second image of every star lies."""

    dx_px: float
    dy_px: float
    """From the brighter part to the fainter."""
    share: float
    """Share of the light that is in the fainter part."""


def common_companion(found: Found, shape: tuple[int, int], pilot: Pilot) -> Doubled | None:
    """Find the offset at which most stars have a companion of the same relative brightness; None if there is none.

    Offsets of scattered stars fill the plane evenly; the number in a disc is Poisson's, and the largest of many discs
    is held against the number of discs that fit into the area looked at (Bonferroni's bound). Offsets d and -d are the
    same, since noise may turn the order of two equal parts.
    """
    nearest = NEAREST_FWHM * pilot.long_px
    order = np.argsort(found.saturated, kind="stable")[:MOST_STARS]
    places = np.column_stack([found.x, found.y])[order].astype(float)
    flux = np.maximum(found.flux_adu[order], 1e-9)
    asked = min(_n_asked(found), len(found))
    star, other = _pairs(places, asked, nearest)
    if len(star) < FEWEST_PAIRS:
        return None
    offset = places[other] - places[star]
    radius = max(SAME_OFFSET_FWHM * pilot.long_px, 1.0)
    best, second = _densest(offset, radius)
    turn = np.where(offset @ best < 0, -1.0, 1.0)
    own = np.hypot(*(turn[:, None] * offset - best).T) < radius
    n_pairs = int(own.sum())
    members = np.union1d(star[own], other[own])
    if n_pairs < FEWEST_PAIRS or (members < asked).sum() < SHARE_WITH_COMPANION * asked or second > ONLY_ONE * n_pairs:
        return None
    if _false_alarm(n_pairs, asked, len(found), shape, nearest, radius) > FALSE_ALARM:
        return None
    ratio = turn[own] * np.log(flux[other] / flux[star])[own]
    middle = float(np.median(ratio))
    if spread(ratio - middle) > SAME_RATIO:
        return None
    x, y = (-1 if middle > 0 else 1) * np.median(turn[own, None] * offset[own], axis=0)
    off_axis = abs((np.degrees(np.arctan2(y, x)) - pilot.pa_deg + 90) % 180 - 90)
    if pilot.long_px > DRAWN_OUT * pilot.short_px and off_axis < ALONG_DEG:
        return None
    return Doubled(float(x), float(y), 1 / (1 + float(np.exp(abs(middle)))))


def _n_asked(found: Found) -> int:
    return int(np.clip(len(found) * BRIGHTEST_SHARE, FEWEST_ASKED, MOST_ASKED))


def _pairs(places: NDArray[np.float64], asked: int, nearest_px: float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """The first stars, so many, and their neighbours, each pair once; indices into the places."""
    from scipy.spatial import cKDTree

    if len(places) < FEWEST_PAIRS:
        return np.zeros(0, np.intp), np.zeros(0, np.intp)
    near = cKDTree(places[:asked]).sparse_distance_matrix(cKDTree(places), FARTHEST_PX, output_type="ndarray")
    once = (near["v"] >= nearest_px) & (near["i"] < near["j"])
    return near["i"][once], near["j"][once]


def _densest(offset: NDArray[np.float64], radius: float) -> tuple[NDArray[np.float64], int]:
    """The offset with most others, or their opposites, around it; and how many the fullest disc apart from it holds."""
    from scipy.spatial import cKDTree

    both_ways = cKDTree(np.concatenate([offset, -offset]))
    count = both_ways.query_ball_point(offset, radius, return_length=True)
    best = offset[int(np.argmax(count))]
    apart = count[np.minimum(np.hypot(*(offset - best).T), np.hypot(*(offset + best).T)) > 2 * radius]
    return best, int(apart.max()) if len(apart) else 0


def _false_alarm(
    n_pairs: int, asked: int, n_stars: int, shape: tuple[int, int], nearest: float, radius: float
) -> float:
    """Bound of the probability that a disc somewhere holds so many offsets of stars strewn at random."""
    from scipy.special import pdtrc

    density = min(n_stars, MOST_STARS) / (shape[0] * shape[1])
    disc = np.pi * radius**2
    expected = asked * density * 2 * disc  # at d and at -d
    discs = np.pi * (FARTHEST_PX**2 - nearest**2) / 2 / disc
    # The disc is centred where it is fullest: four times as many independent places as discs side by side. Chosen.
    return float(4 * discs * pdtrc(n_pairs - 1, expected))
