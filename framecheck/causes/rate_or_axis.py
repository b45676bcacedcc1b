"""A drift without known axes: does the drive run at a wrong rate, or does the axis point beside the pole?"""

import math
from typing import Final

import numpy as np

from framecheck.causes.moved import Moved, cos_dec
from framecheck.motion.polar import ARCSEC_PER_MIN_PER_ARCMIN, DEG_PER_HOUR_PER_ARCMIN, TYPICAL_ERROR_ARCMIN

AXIS_IS_COMMONER: Final = 1.4
"""Log-odds of a wrong axis against a wrong rate where nothing tells them apart. Chosen: every axis is a little off."""

DIRECTIONS: Final = 180
"""Directions of the axis' error that are summed over. Chosen."""

LEAST_TURNING_ERROR_DEG_PER_HOUR: Final = 0.005
"""[deg/h] Chosen: refraction turns a field by some thousandths."""

GEAR_SHOWN_ARCSEC: Final = 0.4
"""Rms of the motion about its drift from which it may be the gear's. [arcsec] Chosen: places are known to less."""
GEAR_STRAIGHT: Final = 4.0
"""The same along over across. [dimensionless] Chosen: air and wind move stars in all directions."""
FEWEST_PLACES: Final = 6

LEAST_ANGLE_ERROR: Final = 0.035
"""[radian] Of the angle between drift and gear. Chosen: 2 degrees."""
OTHERWISE: Final = 0.02
"""Chance that a direction means nothing. Chosen."""

SLOPE_OF_GEAR: Final = 2.0
"""Drift over the steepest that the gear's own swing leaves in so short a run, from which it is another's. Chosen."""

MOST: Final = 4.0
"""Log-odds that one of the two signs may give at the most. [dimensionless] Chosen."""


def rate_over_axis(moved: Moved) -> float:
    """Log-odds of a wrong rate against a wrong axis, from how the field turns and where the gear's own error points.

    Notes
    -----
    A wrong rate moves stars along right ascension, as the gear's error does, and turns nothing. An axis off by P lets
    them drift by w P (cos f, sin f sin dec) in declination and right ascension and turns the field by
    w P sin f / cos dec, f being the direction of the error (closed form: rotation of the axis); every direction is
    taken for equally likely.
    """
    return _from_turning(moved) + _from_gear(moved) - AXIS_IS_COMMONER


def _drift(moved: Moved) -> complex:
    """[px/min]"""
    return complex(moved.motion.drift_x_px_per_min or 0.0, moved.motion.drift_y_px_per_min or 0.0)


def _from_turning(moved: Moved) -> float:
    rate, error = moved.motion.rotation_deg_per_hour, moved.motion.rotation_error_deg_per_hour
    speed = abs(_drift(moved)) * (moved.scale_arcsec or 0.0)
    if rate is None or error is None or not math.isfinite(error) or speed <= 0:
        return 0.0
    cos_of_dec = cos_dec(moved)
    direction = 2 * np.pi * (np.arange(DIRECTIONS) + 0.5) / DIRECTIONS
    moves = np.sqrt(np.cos(direction) ** 2 + (1 - cos_of_dec**2) * np.sin(direction) ** 2)
    off_arcmin = speed / ARCSEC_PER_MIN_PER_ARCMIN / np.maximum(moves, 1e-3)
    weight = 1 / np.maximum(moves, 1e-3) / (1 + (off_arcmin / TYPICAL_ERROR_ARCMIN) ** 2)
    turns = DEG_PER_HOUR_PER_ARCMIN * off_arcmin * np.sin(direction) / cos_of_dec
    sigma = math.hypot(error, LEAST_TURNING_ERROR_DEG_PER_HOUR)
    of_axis = np.logaddexp.reduce(-(((rate - turns) / sigma) ** 2) / 2 + np.log(weight)) - np.log(weight.sum())
    return float(np.clip(-((rate / sigma) ** 2) / 2 - of_axis, -MOST, MOST))


def _from_gear(moved: Moved) -> float:
    """From the angle between drift and the motion about it; nothing where that is not plainly the gear's."""
    motion, scale, drift = moved.motion, moved.scale_arcsec, _drift(moved)
    if scale is None or len(motion.minutes) < FEWEST_PLACES or not moved.drift_seen:
        return 0.0
    variance, directions = np.linalg.eigh(np.cov(motion.residual_x_px, motion.residual_y_px))
    across, along = np.sqrt(np.maximum(variance, 0))
    span = motion.minutes[-1] - motion.minutes[0]
    if along * scale < GEAR_SHOWN_ARCSEC or along < GEAR_STRAIGHT * across:
        return 0.0
    gear = complex(*directions[:, 1])
    angle = np.angle((drift * gear.conjugate()) ** 2) / 2
    of_gear = across / along * 2 / math.sqrt(len(motion.minutes))
    sigma = math.hypot(math.hypot(of_gear, 1 / moved.drift_seen), LEAST_ANGLE_ERROR)
    along_it = math.exp(-((angle / sigma) ** 2) / 2) / (sigma * math.sqrt(2 * math.pi))
    odds = float(np.clip(math.log((1 - OTHERWISE) * math.pi * along_it + OTHERWISE), -MOST, MOST))
    slope = 2 * math.pi * math.sqrt(2) * along / max(span, 1e-9)
    return odds if abs(drift) > SLOPE_OF_GEAR * slope else min(odds, 0.0)
