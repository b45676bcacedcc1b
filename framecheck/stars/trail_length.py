"""How long the typical line of a frame is whose stars moved, wherever each of them went."""

from typing import Final

import numpy as np

from framecheck.robust import huber_fit, weighted_median
from framecheck.shear import direction
from framecheck.stars.profile import F64

CUBIC: Final = tuple((i, j) for i in range(4) for j in range(4 - i))
"""Powers of x and y. Chosen: under a turn of the sky squared lines are a square of x and y (closed form), and what a
wide lens adds is a cube."""

FEWEST_A_TERM: Final = 6
"""Stars for each term of it; with fewer all lines have one direction. Chosen: they hold the direction of the many
surer than each its own."""


DIFFERENT: Final = 0.1
"""By which lines of a frame differ, over their length. [1] Chosen: what a lens bends and the sky turns; the brightest
stars say no more than those known to this."""


def typical_length(x: F64, y: F64, moved: F64, light_error: F64 | None = None, squared_error: float = 0.0) -> float:
    """Median length of the lines that stars drew, each counted by how well it is known. [px]

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Where the stars lie. [px]
    moved : ndarray, shape (n, 2)
        How far each moved along x and y, to either end. [px]
    light_error : ndarray, shape (n,), or None
        Relative error of each star's light; None where all are known alike.
    squared_error : float
        Error of the squared length of a star whose light is known to 1. [px²]

    Notes
    -----
    Near the point about which the sky turns before a camera lines lie in all directions, so that their mean vanishes;
    and the length of each by itself is too long, since noise lengthens a short line whichever way it turns it. The
    square of a line as a complex number has neither fault: noise adds nothing to it on the average, and both ends give
    the same. Its part along what its neighbours show is taken. The noise of faint stars on every second pixel is far
    from normal, and lowers the median of many by some per cent: they say less. How much less is told by their light:
    the fit's own error of a line is the smaller the longer, or the shorter, noise made it.
    """
    squared = (moved[:, 0] + 1j * moved[:, 1]) ** 2
    unit = max(float(np.ptp(x)), float(np.ptp(y)), 1.0)
    place_x, place_y = (x - x.mean()) / unit, (y - y.mean()) / unit
    powers = CUBIC if len(x) >= FEWEST_A_TERM * len(CUBIC) else CUBIC[:1]
    terms = np.stack([place_x**i * place_y**j for i, j in powers])
    error = np.ones(len(x))
    if light_error is not None:
        usual = float(np.median(moved[:, 0] ** 2 + moved[:, 1] ** 2))
        error = np.hypot(squared_error * light_error, max(2 * DIFFERENT * usual, 1e-9))
    across, other = (huber_fit(terms, part, error)[0] @ terms for part in (squared.real, squared.imag))
    along = (squared * direction(across - 1j * other)).real
    return float(np.sqrt(max(weighted_median(along, error**-2), 0.0)))
