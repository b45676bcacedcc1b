"""Guided or not: what the rig file says or, where it is silent, what the motion of the stars lets expect."""

from math import log
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust, shear
from framecheck.motion.drift import never_rests
from framecheck.motion.records import Motion
from framecheck.motion.smears import Smears
from framecheck.read.rig import Rig

SAID: Final = 4.0
"""Log-odds of what the rig file says of guiding. Chosen: seldom wrong."""

HELD_ARCSEC: Final = (0.3, 0.7)
LEFT_ARCSEC: Final = (3.0, 1.0)
"""Wander of the pointing, slow drift aside, rms: under a guider and without, median and scatter of the logarithm.
[arcsec, dimensionless] Common practice, no source: guiding of half an arcsecond, periodic errors of 5 to 60 arcsec peak
to peak are usual."""

MOST_FOR_STILLNESS: Final = 1.5
"""Log-odds of a guider that stars at rest may give at once; twice that after `SETTLED_MINUTES`. Chosen."""

LEAST_WANDER_ARCSEC: Final = 0.05
"""[arcsec] Chosen: no places are known to less."""

WANDER_MINUTES: Final = 8.0
"""[min] Chosen: about one turn of a usual worm; over less, an unguided mount may look still."""

LONG_STRETCH: Final = 4
"""Frames between two jumps that tell a wander. Chosen."""

FEWEST_STEPS: Final = 4
"""Steps within short stretches that tell a wander. Chosen."""

BENDS_OF_STEPS: Final = 2
"""How often the speed of a slow path may change its trend. Chosen: as the path itself, in an hour or two."""

SETTLED_MINUTES: Final = 60.0
"""[min] Run without visible gear error after which a mount is guided, or as good: several turns of any worm. Chosen."""

SLOW_MINUTES: Final = 40.0
"""[min] A path is slow if it bends no faster: refraction, bending tubes, axes off the pole. Chosen: beyond any worm's
turn."""

MOST_BENDS: Final = 5

LONG_EXPOSURE_S: Final = 100.0
"""[s] Exposures that hold a good part of a worm's turn, of 3 to 15 minutes (common practice, no source). Chosen."""

FEWEST_WANDERING: Final = 6
"""Frames whose smear shows whether it is the same in all. Chosen."""

USUAL_EXPOSURE_PX_S: Final = 120.0
"""[s/arcsec] Exposure over pixel scale as often taken with a guider as without. Chosen: 90 s at 0.75 arcsec a pixel,
where a mount left alone begins to draw lines."""
LONGER_LOG_ODDS: Final = 1.2
LONG_LOG_ODDS: Final = (-0.7, 1.5)
"""Log-odds of a guider for each factor e that exposures are longer, and the range of them. Chosen: short exposures are
taken with guiders, too."""


def wander_px(motion: Motion) -> float | None:
    """Robust rms of the pointing about its slow path, along the direction where it wanders most. [px]

    Parameters
    ----------
    motion : Motion

    Returns
    -------
    float or None
        None where the run is too short to tell. [px]
    """
    if len(motion.minutes) < 6 or motion.minutes[-1] < WANDER_MINUTES or motion.drift_x_px_per_min is None:
        return None
    if never_rests(motion):  # its own steps would be taken for wander
        return None
    inside = beside_slow_path(motion)
    if not len(inside):
        place = np.column_stack([motion.residual_x_px, motion.residual_y_px])
        return _wander_of_steps(place, np.array(motion.minutes), np.array(motion.stretch))
    _, directions = np.linalg.eigh(np.cov(inside.T))
    return robust.mad_std(inside @ directions[:, 1])


def beside_slow_path(motion: Motion, least_bends: int = 1) -> NDArray[np.float64]:
    """Places beside a path that bends slowly, in the stretches between jumps that are long enough; shape (n, 2). [px]

    Parameters
    ----------
    motion : Motion
    least_bends : int
        Order of the polynomial that the path follows in a short run. [dimensionless]
    """
    stretch = np.array(motion.stretch, dtype=int)
    long_enough = np.bincount(stretch)[stretch] >= LONG_STRETCH if len(stretch) else np.zeros(0, bool)
    place = np.column_stack([motion.residual_x_px, motion.residual_y_px])[long_enough]
    if not len(place):
        return place
    return _about_slow_path(place, np.array(motion.minutes)[long_enough], stretch[long_enough], least_bends)


def _wander_of_steps(
    place: NDArray[np.float64], minutes: NDArray[np.float64], stretch: NDArray[np.intp]
) -> float | None:
    """The same from steps within short stretches, as a worm of usual period would make them; None if they are few.

    A sinusoid of rms r steps in a time t by 2 r sin(pi t / period), rms (closed form).
    """
    same = stretch[1:] == stretch[:-1]
    if same.sum() < FEWEST_STEPS:
        return None
    step = np.diff(place, axis=0)[same]
    if len(step) > FEWEST_STEPS + BENDS_OF_STEPS:  # a slow path is no wander
        middle = (minutes[1:] + minutes[:-1])[same] / 2
        bends = np.polynomial.legendre.legvander(
            2 * (middle - middle[0]) / max(np.ptp(middle), 1e-9) - 1, BENDS_OF_STEPS
        )
        step = step - bends @ np.linalg.lstsq(bends, step, rcond=None)[0]
    turn = float(np.median(np.diff(minutes)[same])) / WANDER_MINUTES
    _, directions = np.linalg.eigh(step.T @ step)
    along = robust.spread(step @ directions[:, 1])
    return along / (2 * np.sin(np.pi * min(turn, 0.5)))


def _about_slow_path(
    place: NDArray[np.float64], minutes: NDArray[np.float64], stretch: NDArray[np.intp], least_bends: int
) -> NDArray[np.float64]:
    """What is left of places, shape (n, 2), about a path that bends slowly, with a level of its own in each stretch."""
    span = float(np.ptp(minutes))
    bends = max(min(int(span / SLOW_MINUTES) + 1, MOST_BENDS, len(minutes) // 4), least_bends)
    levels = (stretch[:, None] == np.unique(stretch)).astype(float)
    time = 2 * (minutes - minutes.min()) / max(span, 1e-9) - 1
    design = np.hstack([levels, np.polynomial.legendre.legvander(time, bends)[:, 1:]])
    fitted, *_ = np.linalg.lstsq(design, place, rcond=None)
    spare = max(len(minutes) - design.shape[1], 1)
    out: NDArray[np.float64] = (place - design @ fitted) * np.sqrt(len(minutes) / spare)
    return out


def wander_inside_px(smears: Smears, response: float) -> float | None:
    """Rms of the motion inside long exposures that is not the same in all; None where they are short or few. [px]

    A gear left alone smears each exposure by another part of its turn.

    Parameters
    ----------
    smears : Smears
    response : float
        As `Tracking.response`. [dimensionless]

    Returns
    -------
    float or None
        [px]
    """
    if len(smears.frames) < FEWEST_WANDERING or not smears.typical_exposure_s >= LONG_EXPOSURE_S:
        return None
    middle = shear.middle(smears.spin2_px2)
    rest = float(np.median(np.abs(smears.spin2_px2 - middle)))
    return float(np.sqrt(rest / (4 * log(2) * response)))


def guided_log_odds(
    rig: Rig, wander_arcsec: float | None, exposure_s: float | None, scale: float | None, span_min: float = 0.0
) -> float:
    """Whether a guider kept the stars in place: said, or likely from how still they lie and how long was exposed.

    Stillness counts for more the longer it lasted.

    Parameters
    ----------
    rig : Rig
    wander_arcsec : float or None
        Rms of the pointing about its slow path. [arcsec]
    exposure_s : float or None
        Usual exposure. [s]
    scale : float or None
        [arcsec/px]
    span_min : float
        Time through which an axis that is left alone was seen; 0 if it was not. [min]

    Returns
    -------
    float
        Natural logarithm of the odds that a guider was at work.
    """
    if rig.guided is not None:
        return SAID if rig.guided else -SAID
    if rig.mount_type == "fixed":
        return -SAID
    odds = 0.0
    if wander_arcsec is not None:
        held, left = (
            -0.5 * (log(max(wander_arcsec, LEAST_WANDER_ARCSEC) / usual) / scatter) ** 2 - log(scatter)
            for usual, scatter in (HELD_ARCSEC, LEFT_ARCSEC)
        )
        odds += float(np.clip(held - left, -SAID, MOST_FOR_STILLNESS * (1 + min(span_min / SETTLED_MINUTES, 1.0))))
    if exposure_s is not None and scale is not None and exposure_s > 0:
        longer = LONGER_LOG_ODDS * log(exposure_s / scale / USUAL_EXPOSURE_PX_S)
        odds += float(np.clip(longer, *LONG_LOG_ODDS))
    return odds
