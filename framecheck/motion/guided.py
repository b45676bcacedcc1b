"""Guided or not: what the rig file says or, where it is silent, what the motion of the stars lets expect."""

from math import log
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust, shear
from framecheck.motion.drift import SkyDrift, never_rests
from framecheck.motion.polar import ARCSEC_PER_MIN_PER_ARCMIN, DEG_PER_HOUR_PER_ARCMIN
from framecheck.motion.records import Motion
from framecheck.motion.smears import Smears
from framecheck.read.rig import Rig

SAID: Final = 4.0
"""Log-odds of what the rig file says of guiding. Chosen: seldom wrong."""

STILL_LOG_ODDS: Final = 1.5
"""Log-odds for each factor e that the stars lie stiller than `STILL_ARCSEC`. Chosen."""

BENDING: Final = (0.4, 0.8)
LEFT_ALONE: Final = (2.0, 1.0)
"""Drift that guided frames keep, and that of an axis left alone: median, and scatter of the logarithm. [arcsec/min,
dimensionless] Chosen: tubes bend by up to an arcsecond a minute; axes are some arcminutes off, a quarter of an
arcsecond a minute for each (row TRK-37 and closed form)."""
SLOW_LOG_ODDS: Final = 1.5
"""Most that a slow drift may say for a guider. Chosen: axes can be well set."""

ALONG_DEC_LOG_ODDS: Final = 1.5
"""Log-odds against a guider if the drift lies within 24 degrees of declination. Chosen: a bending tube has any
direction, one in four so near."""

STILL_ARCSEC: Final = 0.7
"""[arcsec] Wander of the pointing, slow drift aside, that an unguided mount seldom keeps to. Common practice, no
source: periodic errors of 5 to 60 arcsec peak to peak are usual."""

WANDER_MINUTES: Final = 8.0
"""[min] Chosen: about one turn of a usual worm; over less, an unguided mount may look still."""

FEWEST_STEPS: Final = 4
"""Steps within short stretches that tell a wander. Chosen."""

SETTLED_MINUTES: Final = 60.0
"""[min] Run without visible gear error after which a mount is guided, or as good: several turns of any worm. Chosen."""

SLOW_MINUTES: Final = 40.0
"""[min] A path is slow if it bends no faster: refraction, bending tubes, axes off the pole. Chosen: beyond any worm's
turn."""

MOST_BENDS: Final = 5

TURNED: Final = 0.42
"""[radian] Change of a drift's direction from one half of the run to the other that a wrong axis does not make. Chosen:
24 degrees, as wide as "along declination" is taken."""

FREE: Final = -1.0
"""Log-odds below which the drift is that of an axis left alone, however still the gear. Chosen."""

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
    place = np.column_stack([motion.residual_x_px, motion.residual_y_px])
    stretch = np.array(motion.stretch)
    counts = np.bincount(stretch)
    if never_rests(motion):  # its own steps would be taken for wander
        return None
    if counts.max() < 4:
        return _wander_of_steps(place, np.array(motion.minutes), stretch)
    long_enough = counts[stretch] >= 4
    inside = _about_slow_path(place[long_enough], np.array(motion.minutes)[long_enough], stretch[long_enough])
    _, directions = np.linalg.eigh(np.cov(inside.T))
    along = inside @ directions[:, 1]
    return robust.mad_std(along)


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
    turn = float(np.median(np.diff(minutes)[same])) / WANDER_MINUTES
    _, directions = np.linalg.eigh(step.T @ step)
    along = robust.spread(step @ directions[:, 1])
    return along / (2 * np.sin(np.pi * min(turn, 0.5)))


def _about_slow_path(
    place: NDArray[np.float64], minutes: NDArray[np.float64], stretch: NDArray[np.intp]
) -> NDArray[np.float64]:
    """What is left of places, shape (n, 2), about a path that bends slowly, with a level of its own in each stretch."""
    span = float(np.ptp(minutes))
    bends = min(int(span / SLOW_MINUTES) + 1, MOST_BENDS, len(minutes) // 4)
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
        still = STILL_LOG_ODDS * float(np.log(STILL_ARCSEC / max(wander_arcsec, 0.05)))
        odds += float(np.clip(still, -SAID, STILL_LOG_ODDS * (1 + min(span_min / SETTLED_MINUTES, 1.0))))
    if exposure_s is not None and scale is not None and exposure_s > 0:
        longer = LONGER_LOG_ODDS * log(exposure_s / scale / USUAL_EXPOSURE_PX_S)
        odds += float(np.clip(longer, *LONG_LOG_ODDS))
    return odds


def drifts_freely(drift: SkyDrift | None, motion: Motion, scale: float) -> float:
    """Log-odds of a guider from the drift: fast ones, and such along declination, are those of an axis left alone.

    Two normal distributions of the logarithm are set against each other.

    Parameters
    ----------
    drift : SkyDrift or None
    motion : Motion
    scale : float
        [arcsec/px]

    Returns
    -------
    float
        Natural logarithm of odds; negative speaks against a guider.
    """
    if drift is not None:
        east, north, error = abs(drift.ra_arcsec_per_min), abs(drift.dec_arcsec_per_min), drift.error_arcsec_per_min
        across = east < 0.45 * north and not _turns(motion)
    else:
        seen, off = motion.drift_px_per_min, motion.drift_error_px_per_min
        if seen is None or off is None:
            return 0.0
        east, north, error, across = scale * seen.real, scale * seen.imag, scale * off, False
    rate = float(np.hypot(east, north))
    if rate < 4 * error or rate <= 0:
        return 0.0
    guided, free = (
        -0.5 * (log(rate / usual) / scatter) ** 2 - log(scatter) for usual, scatter in (BENDING, LEFT_ALONE)
    )
    slow = rate < BENDING[0]  # no slower one says more
    return min(SLOW_LOG_ODDS if slow else guided - free, SLOW_LOG_ODDS) - ALONG_DEC_LOG_ODDS * across


def _turns(motion: Motion) -> bool:
    """Whether the drift has another direction in the second half of the run: a wrong axis' drift keeps to its own."""
    step = np.where(np.diff(motion.stretch) == 0, np.diff(motion.place_px), 0.0)  # levels of their own
    half = len(step) // 2
    early, late = step[:half].sum(), step[half:].sum()
    return bool(abs(np.angle(late * early.conjugate())) > TURNED) if abs(early * late) > 0 else False


def turns_in_place(motion: Motion, scale: float) -> float:
    """Log-odds of a guider from a field that turns: an axis so far off lets unguided frames drift away as well.

    Parameters
    ----------
    motion : Motion
    scale : float
        [arcsec/px]

    Returns
    -------
    float
        Natural logarithm of odds; positive speaks for a guider.
    """
    rate, error = motion.rotation_deg_per_hour, motion.rotation_error_deg_per_hour
    drift = motion.drift_px_per_min
    if rate is None or error is None or drift is None or abs(rate) < 4 * error or abs(rate) < 0.02:
        return 0.0
    axis_arcmin = abs(rate) / DEG_PER_HOUR_PER_ARCMIN  # at least this, at declination 0
    share = abs(drift) * scale / (ARCSEC_PER_MIN_PER_ARCMIN * axis_arcmin)
    return float(np.clip(STILL_LOG_ODDS * np.log(0.25 / max(share, 1e-3)), -STILL_LOG_ODDS, 2 * STILL_LOG_ODDS))
