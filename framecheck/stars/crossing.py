"""Lines across the frame, of satellites and aeroplanes: sought among detections, judged by the pixels they run over."""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.read.exposure import Frame
from framecheck.sky import Sky
from framecheck.stars.line import Line
from framecheck.stars.line_light import Course
from framecheck.stars.line_looks import judged_line
from framecheck.stars.pilot import Pilot

MOST_POINTS: Final = 6000
"""Detections among which lines are sought. Chosen: in denser fields a line of faint beads drowns anyway."""

FEWEST_IN_LINE: Final = 6
"""Detections that make a line. Chosen: chance makes rows of four or five."""

BEAD_FWHM: Final = 6.0
"""Detections of a line lie closer together than this. [FWHM] Chosen: a line bright enough to be detected at all is
detected every few FWHM."""

FAINT_BEAD_FWHM: Final = 20.0
"""And so do peaks too faint for stars. [FWHM] Chosen: of a line 1.5 times as high as a pixel's noise, one cell in
twenty rises above the limit for peaks."""

EDGE_FWHM: Final = 2.0
"""Detections nearer to the image's edge are left aside. [FWHM] Chosen: the edge itself may glow, and of a line there
one side only is seen."""

EXCESS_SIGMA: Final = 5.0
"""How far a row must stand above what scattered stars put into it. [sigma] Chosen: some million rows are looked at,
and the pixels have the last word."""

ANGLES: Final = 16
"""Directions whose rows are counted together. Chosen by timing."""

MOST_TRIED: Final = 10
"""Rows whose pixels are looked at, among either kind of detections. Chosen: a train of satellites has more, but its
frame is lost; nebulae and clusters have many that are none."""


def lines_across(
    frame: Frame, sky: Sky, x: NDArray[Any], y: NDArray[Any], starlike: NDArray[np.bool_], bright: NDArray[np.bool_],
    clipped: NDArray[np.bool_], star: Pilot,
) -> tuple[Line, ...]:  # fmt: skip
    """Find the lines of light in a frame.

    Parameters
    ----------
    frame, sky
        The frame and its sky; of a colour mosaic that of its cells.
    x, y : ndarray, shape (n,)
        Peaks. [px]
    starlike, bright, clipped : ndarray of bool, shape (n,)
        Which peaks are taken for stars, which others lie on a bright line, and which are clipped.
    star : Pilot
        The typical star.

    Returns
    -------
    tuple of Line
        Those that look like trails first, then others that are lines by their detections alone.

    Notes
    -----
    An even, bright line shows in peaks that are no stars, a blinking one in peaks that are like stars; a faint one in
    peaks here and there that are too faint for stars. So rows are sought twice.
    """
    place = np.stack([np.asarray(x, float), np.asarray(y, float)])
    width = star.long_px
    clipped_at = place[:, clipped]
    size = np.array(frame.pixels.shape[::-1])[:, None]
    inner = ((place >= EDGE_FWHM * width) & (place <= size - 1 - EDGE_FWHM * width)).all(axis=0)
    trails: list[Line] = []
    others: list[Line] = []
    for which, reach in (
        (starlike | bright, BEAD_FWHM * width),
        (~starlike, FAINT_BEAD_FWHM * width),
    ):
        free = np.flatnonzero(which & inner)
        if not FEWEST_IN_LINE <= len(free) <= MOST_POINTS:
            continue
        free = free[_close_together(*place[:, free], reach)]
        for line in (*trails, *others):
            free = free[~line.covers(*place[:, free], width)]
        tried = 0
        while len(free) >= FEWEST_IN_LINE and tried < MOST_TRIED:
            found = _densest_row(*place[:, free], frame.pixels.shape, width)
            if found is None:
                break
            row, course = found
            used = np.zeros(len(free), bool)
            used[row] = True
            tried += 1
            line = None if course is None else judged_line(frame, sky, course, star, clipped_at)
            if line is not None:
                (trails if line.flown else others).append(line)
                used |= line.covers(*place[:, free], width)
            free = free[~used]
    return (*trails, *others)


def _close_together(x: NDArray[Any], y: NDArray[Any], reach_px: float) -> NDArray[np.intp]:
    """Indices of points with another nearby: the beads of a line are, most stars are not."""
    from scipy.spatial import cKDTree

    tree = cKDTree(np.column_stack([x, y]), balanced_tree=False, compact_nodes=False)
    return np.unique(tree.query_pairs(reach_px, output_type="ndarray")).astype(np.intp)


def _densest_row(
    x: NDArray[Any], y: NDArray[Any], shape: tuple[int, ...], width_px: float
) -> tuple[NDArray[np.intp], Course | None] | None:
    """Indices of the points in the row that stands out most, and how it runs if it is long and has no wide gaps.

    None if no row stands out.

    A Hough transform of the points (R. O. Duda and P. E. Hart, Comm. ACM 15, 11 (1972), from memory), with directions
    as fine as the rows are long. Stars at random put Poisson numbers into rows; a row counts if it stands far above,
    and if its detections follow each other without wide gaps over more than a tenth of the frame.
    """
    diagonal = float(np.hypot(*shape))
    bin_px = max(2 * width_px, 4.0)
    n_angles = int(min(np.ceil(np.pi * diagonal / (2 * bin_px)), 720))
    n_bins = int(2 * diagonal / bin_px) + 2
    angles = np.arange(n_angles) * np.pi / n_angles
    top, most = np.empty(n_angles, np.intp), np.empty(n_angles, np.intp)
    points = np.stack([x, y, np.ones_like(x)]).astype(np.float32)
    for i in range(0, n_angles, ANGLES):
        here = angles[i : i + ANGLES]
        first = diagonal + bin_px * n_bins * np.arange(len(here))  # each direction has its own bins
        across = np.stack([np.cos(here), np.sin(here), first], axis=1) / bin_px
        row = (across.astype(np.float32) @ points).astype(np.intp)
        count = np.bincount(row.ravel(), minlength=n_bins * len(here)).reshape(len(here), n_bins)
        top[i : i + ANGLES] = fullest = count.argmax(axis=1)
        most[i : i + ANGLES] = count[np.arange(len(here)), fullest]
    # What scattered stars put into a row: density times the longest chord in this direction.
    sides = np.maximum(np.abs(np.stack([np.sin(angles), np.cos(angles)])), 1e-9)
    expected = len(x) * bin_px * np.minimum(shape[1] / sides[0], shape[0] / sides[1]) / (shape[0] * shape[1])
    excess = np.where(most >= FEWEST_IN_LINE, (most - expected) / np.sqrt(expected + 1), 0)
    best = int(excess.argmax())
    if excess[best] < EXCESS_SIGMA:
        return None
    return _without_gaps(x, y, float(angles[best]), (top[best] + 0.5) * bin_px - diagonal, bin_px, diagonal)


def _without_gaps(
    x: NDArray[Any], y: NDArray[Any], angle: float, distance: float, bin_px: float, diagonal: float
) -> tuple[NDArray[np.intp], Course | None]:
    """The longest part of a row, its line fitted again, whose points follow each other closely."""
    row = near = np.flatnonzero(np.abs(np.cos(angle) * x + np.sin(angle) * y - distance) < bin_px)
    for _ in range(3):
        middle = np.array([np.median(x[near]), np.median(y[near])])
        offsets = np.stack([x[near] - middle[0], y[near] - middle[1]])
        direction = np.linalg.eigh(offsets @ offsets.T)[1][:, 1]
        across = direction[0] * (y - middle[1]) - direction[1] * (x - middle[0])
        near = np.flatnonzero(np.abs(across) < bin_px / 2)
        if len(near) < FEWEST_IN_LINE:
            return row, None
    along = direction[0] * (x[near] - middle[0]) + direction[1] * (y[near] - middle[1])
    order = np.argsort(along)
    gaps = np.diff(along[order])
    breaks = np.flatnonzero(gaps > max(0.06 * diagonal, 6 * float(np.median(gaps))))
    parts = np.split(order, breaks + 1)
    longest = max(parts, key=len)
    length = np.ptp(along[longest])
    if len(longest) < FEWEST_IN_LINE or length < 0.1 * diagonal:
        return row, None
    course = Course(float(middle[0]), float(middle[1]), float(direction[0]), float(direction[1]))
    return near[longest], course
