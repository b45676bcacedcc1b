"""Swing: how the pointing goes to and fro about its slow path, along which direction, and how smoothly."""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.motion.guided import beside_slow_path
from framecheck.motion.records import Motion

FEWEST_PLACES: Final = 6
"""Frames that tell a direction. Chosen."""

STRAIGHT: Final = 4.0
"""Rms along over across from which a swing may be a gear's. [dimensionless] Chosen: air and wind move stars in all
directions."""

AXIS_BENDS: Final = 2
"""Order of the polynomial that an axis beside the pole lets a short path follow. Closed form: its drift turns with the
sky, and in an hour that is a parabola to a hundredth."""

ALONE: Final = 0.75
"""Share of the mean square beside the slow path that one frame makes alone if it was knocked. [dimensionless] Chosen: a
gear swings in all frames, and without the farthest of seven a quarter is gone."""

FARTHEST: Final = 8
"""Frames that are looked at for it. Chosen: a path fitted to a knocked frame puts others beside it as well."""


@dataclass(frozen=True, slots=True)
class Swing:
    """Motion of one group beside its slow path."""

    angle_rad: float
    """Direction in the image in which it is largest, counter-clockwise from +x."""
    along_px: float
    """Rms along it."""
    straight: float
    """The same over that across. [dimensionless]"""
    smooth_sigma: float
    """By how much steps from frame to frame are smaller than those of places without order, over what chance makes."""


def swing_of(motion: Motion) -> Swing | None:
    """Motion beside the slow path, or beside the drift where stretches between jumps are short.

    Parameters
    ----------
    motion : Motion

    Returns
    -------
    Swing or None
        None with fewer than six places.

    Notes
    -----
    Smooth is told by the ratio of the mean square successive difference to the variance, whose mean is 2 and whose
    variance 4 (n - 2) / (n² - 1) in noise: J. von Neumann, Ann. Math. Statist. 12, 367 (1941); from memory.
    """
    place = _beside(_without_knocks(motion))
    n = len(place)
    if n < FEWEST_PLACES:
        return None
    variance, directions = np.linalg.eigh(np.cov(place.T))
    across, along = np.sqrt(np.maximum(variance, 1e-12))
    path = place @ directions[:, 1]
    ratio = float(np.mean(np.diff(path) ** 2) / along**2)
    return Swing(
        angle_rad=float(np.angle(complex(*directions[:, 1]))), along_px=float(along), straight=float(along / across),
        smooth_sigma=(2 - ratio) / math.sqrt(4 * (n - 2) / (n**2 - 1)),
    )  # fmt: skip


def _beside(motion: Motion) -> NDArray[np.float64]:
    """Places beside the slow path, or beside the drift; shape (n, 2). [px]"""
    place = beside_slow_path(motion, least_bends=AXIS_BENDS)
    if not len(place):  # paths hardly bend in short stretches
        place = np.column_stack([motion.residual_x_px, motion.residual_y_px])
    return place


def _without_knocks(motion: Motion) -> Motion:
    """The motion without frames that make most of what is seen beside the slow path alone, one after another."""
    while len(_beside(motion)) > FEWEST_PLACES:
        far = np.argsort(np.abs(motion.residual_px), kind="stable")[-FARTHEST:]
        others = [_without(motion, int(k)) for k in far]
        mean2 = [float(np.mean(_beside(one) ** 2)) if len(_beside(one)) >= FEWEST_PLACES else np.inf for one in others]
        least = int(np.argmin(mean2))
        if mean2[least] > (1 - ALONE) * float(np.mean(_beside(motion) ** 2)):
            break
        motion = others[least]
    return motion


def _without(motion: Motion, k: int) -> Motion:
    """The motion without one of its frames."""
    left = [i for i in range(len(motion.frames)) if i != k]
    return replace(
        motion,
        frames=tuple(motion.frames[i] for i in left),
        minutes=tuple(motion.minutes[i] for i in left),
        residual_x_px=tuple(motion.residual_x_px[i] for i in left),
        residual_y_px=tuple(motion.residual_y_px[i] for i in left),
        stretch=tuple(motion.stretch[i] for i in left),
    )
