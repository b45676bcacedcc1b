"""Lines across the frame, of satellites and aeroplanes: many detections in a row, none of them a star."""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

MOST_POINTS: Final = 6000
"""Detections among which lines are sought. Chosen: in denser fields a line of faint beads drowns anyway."""

FEWEST_IN_LINE: Final = 12
"""Detections that make a line. Chosen: chance makes rows of four or five."""

BEAD_FWHM: Final = 6.0
"""Detections of a line lie closer together than this. [FWHM] Chosen: a line bright enough to be detected at all is
detected every few FWHM."""

EXCESS_SIGMA: Final = 8.0
"""How far a row must stand above what scattered stars put into it. [sigma] Chosen: some million rows are looked at."""

ANGLES: Final = 16
"""Directions whose rows are counted together. Chosen by timing."""

MOST_LINES: Final = 4
"""Lines taken out of one frame at the most. Chosen: a train of satellites is longer, but its frame is lost."""


def in_crossing_lines(
    x: NDArray[Any], y: NDArray[Any], shape: tuple[int, int], width_px: float
) -> tuple[NDArray[np.bool_], int]:
    """Mark detections that lie in straight rows across the frame.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Detections. [px]
    shape : tuple of int
        Height and width of the image. [px]
    width_px : float
        FWHM of a star; a row is as wide.

    Returns
    -------
    marked : ndarray of bool, shape (n,)
    n_lines : int

    Notes
    -----
    A Hough transform of the points (R. O. Duda and P. E. Hart, Comm. ACM 15, 11 (1972), from memory), with directions
    as fine as the rows are long. Stars at random put Poisson numbers into rows; a row counts if it stands far above,
    and if its detections follow each other without wide gaps over more than a tenth of the frame.
    """
    marked = np.zeros(len(x), bool)
    n_lines = 0
    if not FEWEST_IN_LINE <= len(x) <= MOST_POINTS:
        return marked, 0
    beads = _close_together(np.asarray(x), np.asarray(y), BEAD_FWHM * width_px)
    for _ in range(MOST_LINES):
        free = beads[~marked[beads]]
        if len(free) < FEWEST_IN_LINE:
            break
        row = _densest_row(np.asarray(x)[free], np.asarray(y)[free], shape, width_px)
        if row is None:
            break
        marked[free[row]] = True
        n_lines += 1
    return marked, n_lines


def _close_together(x: NDArray[Any], y: NDArray[Any], reach_px: float) -> NDArray[np.intp]:
    """Indices of points with another nearby: the beads of a line are, most stars are not."""
    from scipy.spatial import cKDTree

    tree = cKDTree(np.column_stack([x, y]), balanced_tree=False, compact_nodes=False)
    return np.unique(tree.query_pairs(reach_px, output_type="ndarray")).astype(np.intp)


def _densest_row(x: NDArray[Any], y: NDArray[Any], shape: tuple[int, int], width_px: float) -> NDArray[np.intp] | None:
    """Indices of the points in the row that stands out most; None if none does."""
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
) -> NDArray[np.intp] | None:
    """The longest part of a row, its line fitted again, whose points follow each other closely."""
    near = np.flatnonzero(np.abs(np.cos(angle) * x + np.sin(angle) * y - distance) < bin_px)
    for _ in range(3):
        middle = np.array([np.median(x[near]), np.median(y[near])])
        offsets = np.stack([x[near] - middle[0], y[near] - middle[1]])
        direction = np.linalg.eigh(offsets @ offsets.T)[1][:, 1]
        across = direction[0] * (y - middle[1]) - direction[1] * (x - middle[0])
        near = np.flatnonzero(np.abs(across) < bin_px / 2)
        if len(near) < FEWEST_IN_LINE:
            return None
    along = direction[0] * (x[near] - middle[0]) + direction[1] * (y[near] - middle[1])
    order = np.argsort(along)
    gaps = np.diff(along[order])
    breaks = np.flatnonzero(gaps > max(0.06 * diagonal, 6 * float(np.median(gaps))))
    parts = np.split(order, breaks + 1)
    longest = max(parts, key=len)
    length = np.ptp(along[longest])
    if len(longest) < FEWEST_IN_LINE or length < 0.1 * diagonal:
        return None
    return near[longest]
