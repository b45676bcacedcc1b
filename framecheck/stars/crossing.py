"""Lines across the frame, of satellites and aeroplanes: sought among detections, judged by the pixels they run over."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import BY_CHANCE
from framecheck.read.exposure import Frame
from framecheck.sky import Sky
from framecheck.stars.line import Line
from framecheck.stars.line_light import F64, LineCourse
from framecheck.stars.line_looks import judged_line
from framecheck.stars.pilot import Pilot
from framecheck.stars.short_lines import short_lines

MOST_POINTS: Final = 6000
"""Detections among which lines are sought. Chosen: in denser fields a line of faint beads drowns anyway."""

FEWEST_IN_LINE: Final = 6
"""Detections that make a line. Chosen: chance makes rows of four or five."""

BEAD_FWHM: Final = 6.0
"""Detections of a line lie closer together than this. [FWHM] Chosen: on most of them noise makes a peak every few."""

WIDE_BEAD_FWHM: Final = 15.0
"""And so do the brightest detections, and peaks too faint for stars. [FWHM] Chosen: on a line far above the noise peaks
are few, aeroplanes flash at distances, and of a line 1.5 times as high as a pixel's noise one cell in twenty rises
above the limit for peaks."""

BRIGHTEST: Final = 300
"""Chosen: a line far above the noise is among so many of the brightest detections."""

MANY_PIECES: Final = 4
"""Lines that end in the frame, from which on none of them is believed to have flown. Chosen: nebulae have many, and so
have stars that a standing camera draws out."""

EDGE_FWHM: Final = 2.0
"""Detections nearer to the image's edge are left aside. [FWHM] Chosen: the edge itself may glow, and of a line there
one side only is seen."""

FINEST: Final = 400
"""Rows side by side over the frame's diagonal, at most. Chosen: directions are no finer either."""

ANGLES: Final = 32
"""Directions whose rows are counted together. Chosen by timing."""

MOST_TRAILS: Final = 12
"""Trails taken out of one frame at the most, of either kind. Chosen: a train of satellites has more, but its frame is
lost."""

MOST_OTHERS: Final = 5
"""Rows of either kind that turn out to be no trails, until no more are looked at. Chosen: nebulae and clusters have
many."""


def lines_across(
    frame: Frame,
    sky: Sky,
    x: NDArray[Any],
    y: NDArray[Any],
    starlike: NDArray[np.bool_],
    bright: NDArray[np.bool_],
    clipped: NDArray[np.bool_],
    star: Pilot,
) -> tuple[Line, ...]:
    """Find the lines of light in a frame: those that look like trails first, then others by their detections alone.

    Of a colour mosaic the sky is that of its cells. Of the peaks, brightest first, it is given which are taken for
    stars, which others lie on a bright line, and which are clipped.

    An even, bright line shows in peaks that are no stars, a blinking one in peaks that are like stars; a faint one in
    peaks here and there that are too faint for stars. So rows are sought twice.
    """
    place = np.stack([np.asarray(x, float), np.asarray(y, float)])
    width = star.long_px
    height_px, width_px = frame.pixels.shape
    beyond = EDGE_FWHM * width
    inner = (place.min(axis=0) >= beyond) & (place[0] < width_px - beyond) & (place[1] < height_px - beyond)
    clear, faint = (np.flatnonzero(which & inner) for which in (starlike | bright, ~starlike))
    beads = np.union1d(
        _close_together(place, clear, BEAD_FWHM * width),
        _close_together(place, clear[:BRIGHTEST], WIDE_BEAD_FWHM * width),
    )
    lines: list[Line] = []
    for some in (beads, _close_together(place, faint, WIDE_BEAD_FWHM * width)):
        lines += _lines_among(frame, sky, place[:, some], star, place[:, clipped], lines)
    if sum(line.open_ends > 0 for line in lines) >= MANY_PIECES:
        lines = [replace(line, look="uneven") if line.flown and line.open_ends else line for line in lines]
    else:
        lines += short_lines(frame, sky, x, y, bright, clipped, star, tuple(lines))
    return tuple(sorted(lines, key=lambda line: not line.flown))


def _lines_among(frame: Frame, sky: Sky, free: F64, star: Pilot, clipped: F64, known: Sequence[Line]) -> list[Line]:
    """Lines among points, shape (2, n), that are not known yet."""
    width = star.long_px
    for other in known:
        free = free[:, ~other.covers(free[0], free[1], width)]
    found: list[Line] = []
    n_trails = n_others = 0
    rows = _Rows.across(frame.pixels.shape, width, free.shape[1])
    while n_trails < MOST_TRAILS and n_others < MOST_OTHERS:
        row = _densest_row(free, rows)
        if row is None:
            break
        points, course = row
        line = None if course is None else judged_line(frame, sky, course, star, clipped)
        used = np.zeros(free.shape[1], bool)
        used[points] = True
        flown = line is not None and line.flown
        n_trails, n_others = n_trails + flown, n_others + (not flown)
        if line is not None:
            found.append(line)
            used |= line.covers(free[0], free[1], width)
        free = free[:, ~used]
    return found


def _close_together(place: F64, some: NDArray[np.intp], reach_px: float) -> NDArray[np.intp]:
    """Those of some points that have another nearby: the beads of a line do, most stars do not."""
    from scipy.spatial import cKDTree

    if not FEWEST_IN_LINE <= len(some) <= MOST_POINTS:
        return some[:0]
    tree = cKDTree(place[:, some].T, balanced_tree=False, compact_nodes=False)
    return some[np.unique(tree.query_pairs(reach_px, output_type="ndarray"))]


@dataclass(frozen=True, slots=True)
class _Rows:
    """Rows over a frame in all directions."""

    angles: F64
    """Of the normals. [rad]"""
    bin_px: float
    diagonal_px: float
    first: NDArray[np.intp]
    """Half rows that lie before the image, counted from a diagonal before its corner."""
    share: F64
    """What scattered points put into a row, in units of their number: area of the longest row over the image's."""
    most: NDArray[np.intp]
    """Points in the fullest row of each direction, at most."""

    @classmethod
    def across(cls, shape: tuple[int, ...], width_px: float, n_points: int) -> "_Rows":
        diagonal = float(np.hypot(shape[0], shape[1]))
        bin_px = max(2 * width_px, 4.0, diagonal / FINEST)
        n_angles = int(min(np.ceil(np.pi * diagonal / (2 * bin_px)), 720))
        angles = np.arange(n_angles) * np.pi / n_angles
        first = (2 * (diagonal + shape[1] * np.minimum(np.cos(angles), 0)) / bin_px).astype(np.intp)
        sides = np.maximum(np.abs(np.stack([np.sin(angles), np.cos(angles)])), 1e-9)
        share = bin_px * np.minimum(shape[1] / sides[0], shape[0] / sides[1]) / (shape[0] * shape[1])
        return cls(angles, bin_px, diagonal, first, share, np.full(n_angles, n_points))

    @property
    def limit(self) -> float:
        """Chance from which a row stands out, natural logarithm."""
        return float(np.log(BY_CHANCE / (len(self.angles) * (int(4 * self.diagonal_px / self.bin_px) + 2))))

    def chance(self, n_points: int) -> F64:
        """Chance of so many in a row or more, natural logarithm: Chernoff's bound for Poisson numbers."""
        expected, most = n_points * self.share, self.most
        rare = most - expected - most * np.log(np.maximum(most / expected, 1.0))
        return np.where(most >= FEWEST_IN_LINE, rare, 0.0)


def _densest_row(places: F64, rows: _Rows) -> tuple[NDArray[np.intp], LineCourse | None] | None:
    """Indices of the points in the row that stands out most, and how it runs if it is long and has no wide gaps.

    None if no row stands out. A Hough transform of the points (R. O. Duda and P. E. Hart, Comm. ACM 15, 11 (1972), from
    memory), with directions as fine as the rows are long. Stars at random put Poisson numbers into rows. Directions in
    which none stood out when there were more points are not asked again.
    """
    if places.shape[1] < FEWEST_IN_LINE:
        return None
    x, y = places
    half_px = rows.bin_px / 2  # of half the width of a row, which holds two: no line falls in between
    n_bins = int(rows.diagonal_px / half_px) + 3
    top = np.zeros(len(rows.angles), np.intp)
    points = np.stack([x, y, np.ones_like(x)]).astype(np.float32)
    asked = np.flatnonzero(rows.chance(len(x)) <= rows.limit)
    for some in (asked[i : i + ANGLES] for i in range(0, len(asked), ANGLES)):
        angles, each = rows.angles[some], np.arange(len(some))
        start = rows.diagonal_px + half_px * (n_bins * each - rows.first[some])  # each direction has its own bins
        across = np.stack([np.cos(angles), np.sin(angles), start], axis=1) / half_px
        row = (across.astype(np.float32) @ points).astype(np.intp)
        count = np.bincount(row.ravel(), minlength=n_bins * len(some)).reshape(len(some), n_bins)
        count[:, :-1] += count[:, 1:]
        fullest = count.argmax(axis=1)
        top[some], rows.most[some] = rows.first[some] + fullest, count[each, fullest]
    chance = rows.chance(len(x))
    best = int(chance.argmin())
    if chance[best] > rows.limit:
        return None
    distance = (top[best] + 1) * half_px - rows.diagonal_px
    return _without_gaps(places, float(rows.angles[best]), distance, rows.bin_px, rows.diagonal_px)


def _without_gaps(
    places: F64, angle: float, distance: float, bin_px: float, diagonal: float
) -> tuple[NDArray[np.intp], LineCourse | None]:
    """The longest part of a row, its line fitted again, whose points follow each other closely."""
    row = near = np.flatnonzero(np.abs(np.cos(angle) * places[0] + np.sin(angle) * places[1] - distance) < bin_px)
    for _ in range(3):
        course = LineCourse.through(places[:, near])
        place, across = course.along_and_across(places)
        near = np.flatnonzero(np.abs(across) < bin_px / 2)
        if len(near) < FEWEST_IN_LINE:
            return row, None
    along = place[near]
    order = np.argsort(along)
    gaps = np.diff(along[order])
    breaks = np.flatnonzero(gaps > max(0.06 * diagonal, 6 * float(np.median(gaps))))
    parts = np.split(order, breaks + 1)
    longest = max(parts, key=len)
    length = np.ptp(along[longest])
    if len(longest) < FEWEST_IN_LINE or length < 0.1 * diagonal:
        return row, None
    return near[longest], course
