"""How long the typical line of a frame is whose stars moved, wherever each of them went."""

from typing import Final

import numpy as np

from framecheck.robust import huber_fit
from framecheck.shear import direction
from framecheck.stars.profile import F64

CUBIC: Final = tuple((i, j) for i in range(4) for j in range(4 - i))
"""Powers of x and y. Chosen: under a turn of the sky squared lines are a square of x and y (closed form), and what a
wide lens adds is a cube."""

FEWEST_A_TERM: Final = 6
"""Stars for each term of it; with fewer all lines have one direction. Chosen: they hold the direction of the many
surer than each its own."""


def typical_length(x: F64, y: F64, moved: F64) -> float:
    """Median length of the lines that stars drew. [px]

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Where the stars lie. [px]
    moved : ndarray, shape (n, 2)
        How far each moved along x and y, to either end. [px]

    Notes
    -----
    Near the point about which the sky turns before a camera lines lie in all directions, so that their mean vanishes;
    and the length of each by itself is too long, since noise lengthens a short line whichever way it turns it. The
    square of a line as a complex number has neither fault: noise adds nothing to it on the average, and both ends give
    the same. Its part along what its neighbours show is taken.
    """
    squared = (moved[:, 0] + 1j * moved[:, 1]) ** 2
    unit = max(float(np.ptp(x)), float(np.ptp(y)), 1.0)
    place_x, place_y = (x - x.mean()) / unit, (y - y.mean()) / unit
    powers = CUBIC if len(x) >= FEWEST_A_TERM * len(CUBIC) else CUBIC[:1]
    terms = np.stack([place_x**i * place_y**j for i, j in powers])
    alike = np.ones(len(x))
    across, other = (huber_fit(terms, part, alike)[0] @ terms for part in (squared.real, squared.imag))
    along = (squared * direction(across - 1j * other)).real
    return float(np.sqrt(max(np.median(along), 0.0)))
