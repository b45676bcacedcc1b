"""Why the pointing drifts, and how likely each reason is: weighed by the drift's size and direction, and the turning.

Under a guider stars are held, or the telescope bends against it, or the field turns about the guide star. Without one
the axis points beside the pole, the drive runs at a wrong rate, or it stands still.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import SIDEREAL_RATE_ARCSEC_PER_S
from framecheck.motion.drift import SkyDrift
from framecheck.motion.guided import beside_slow_path
from framecheck.motion.polar import (
    ARCSEC_PER_MIN_PER_ARCMIN,
    DEG_PER_HOUR_PER_ARCMIN,
    LARGEST_ERROR_ARCMIN,
    TYPICAL_ERROR_ARCMIN,
)
from framecheck.motion.records import Motion

Floats = NDArray[np.float64]
Reason = Literal["held", "bends", "turns", "axis", "rate", "stopped"]

GUIDED: Final[tuple[Reason, ...]] = ("held", "bends", "turns")
LEFT_ALONE: Final[tuple[Reason, ...]] = ("axis", "rate", "stopped")
BELIEVED: Final[Mapping[Reason, float]] = {
    "held": 0.35, "bends": 0.3, "turns": 0.35, "axis": 0.85, "rate": 0.1, "stopped": 0.05,
}  # fmt: skip
"""How often each comes, under a guider and without. Chosen: every third tube bends, every second guide star lies
beside the middle; every axis is a little off, rates seldom are."""

HELD: Final = 0.06
"""Drift that guided frames keep, each component. [arcsec/min] Chosen: a pixel in a quarter of an hour."""
BENDING: Final = (0.4, 0.8)
"""Drift of a telescope that bends: median, and scatter of the logarithm. [arcsec/min, dimensionless] Chosen: tubes bend
by up to an arcsecond a minute."""
WRONG_RATE: Final = (0.6, 1300.0)
"""[arcsec/min] Drifts by a wrong rate, each logarithm alike. Chosen: refraction makes less, no drive more."""
STOPPED: Final = 0.03
"""Relative error of the drift of a mount that stands still. [dimensionless] Chosen."""
GUIDE_STAR_ARCMIN: Final = (2.0, 60.0)
"""[arcmin] Distance of the guide star, each logarithm alike. Chosen: beside the field, or in a guide scope."""
LONG_WAVES: Final = 0.4
"""[arcsec/min] Drift along right ascension by long waves of the gear and by refraction, where nobody guides. Chosen
(row TRK-37: refraction alone up to 0.5)."""
REFRACTION: Final = 0.15
"""[arcsec/min] The same in declination, by refraction. Chosen."""
LEAST_TURNING_ERROR: Final = 0.005
"""[deg/h] Chosen: refraction turns a field by some thousandths."""

ANYWHERE: Final = (0.6, 0.3)
"""Sine of a declination that is not known, and its scatter. Chosen."""
DIRECTIONS: Final = 90
"""In which right ascension may run where no header says so. Chosen: 4 degrees apart."""
LEAST_ANGLE_ERROR: Final = 0.035
"""[radian] Of the direction of the gear's own motion. Chosen: 2 degrees."""
OTHERWISE: Final = 0.02
"""Chance that this direction means nothing. Chosen."""
TURNED: Final = 2.0
"""Log-odds against a mount left alone if its drift has another direction in the second half of the run. Chosen: a wrong
axis' or rate's keeps to its own."""
MOST: Final = (-6.0, 1.5)
"""Log-odds of a guider that a drift may give. Chosen: axes can be well set."""
LEAST_CHANCE: Final = 1e-3
"""Chance that no reason falls below. Chosen: none of them is the whole truth."""
TINY: Final = 1e-300


GEAR_SHOWN_ARCSEC: Final = 0.4
"""Rms of the motion about its drift from which it may be the gear's. [arcsec] Chosen: places are known to less."""
GEAR_STRAIGHT: Final = 4.0
"""The same along over across. [dimensionless] Chosen: air and wind move stars in all directions."""
FEWEST_PLACES: Final = 6
SLOPE_OF_GEAR: Final = 2.0
"""Drift over the steepest that the gear's own swing leaves in so short a run, from which it is another's. Chosen."""

USUAL_SCALE: Final = (1.5, 0.5)
"""Pixel scale where none is known, and its relative error. [arcsec, dimensionless] Chosen."""
TURNED_RAD: Final = 0.42
"""[radian] Change of a drift's direction from one half of a run to the other that is no chance. Chosen: 24 degrees."""


@dataclass(frozen=True, kw_only=True, slots=True)
class DriftSeen:
    """How the pointing of one group drifts, as far as its frames tell."""

    drift: complex
    """Of the stars, on the sky. [arcsec/min] Along right ascension, and declination as the imaginary part, either with
    any sign; in the axes of the image if `along` does not say 'sky'."""
    error: float
    """Of each part. [arcsec/min]"""
    on_sky: bool
    gear: tuple[float, float] | None = None
    """Angle of the gear's own motion in the image, along right ascension, and its error; None if none is seen. [rad]"""
    turning_deg_per_hour: float | None = None
    turning_error_deg_per_hour: float = math.inf
    dec_deg: float | None = None
    turned: bool = False
    """Whether the drift has another direction in the second half."""

    @property
    def sin_dec(self) -> tuple[float, float]:
        """Sine of the declination, and its error."""
        return ANYWHERE if self.dec_deg is None else (abs(math.sin(math.radians(self.dec_deg))), 0.0)


@dataclass(frozen=True, slots=True)
class Drifting:
    """How likely each reason of a drift is."""

    chance: Mapping[Reason, float]

    def log_odds(self, *reasons: Reason) -> float:
        """Log-odds of some of them together."""
        there = min(max(sum(self.chance[one] for one in reasons), LEAST_CHANCE), 1 - LEAST_CHANCE)
        return math.log(there / (1 - there))

    @property
    def guided_log_odds(self) -> float:
        """Log-odds that a guider was at work."""
        return self.log_odds(*GUIDED)


def drift_seen(
    motion: Motion, on_sky: SkyDrift | None, scale_arcsec: float | None, dec_deg: float | None
) -> DriftSeen | None:
    """How the pointing drifts, as far as the frames of a group tell.

    Parameters
    ----------
    motion : Motion
    on_sky : SkyDrift or None
        None where nothing tells how the image lies on the sky.
    scale_arcsec, dec_deg : float or None
        [arcsec/px], [deg]

    Returns
    -------
    DriftSeen or None
        None with fewer than three registered frames.
    """
    drift, error = motion.drift_px_per_min, motion.drift_error_px_per_min
    if drift is None or error is None or not math.isfinite(error):
        return None
    scale, unsure = (scale_arcsec, 0.0) if scale_arcsec is not None else USUAL_SCALE
    drift, error = scale * drift, math.hypot(scale * error, unsure * scale * abs(drift))
    if on_sky is not None:
        drift, error = complex(on_sky.ra_arcsec_per_min, on_sky.dec_arcsec_per_min), on_sky.error_arcsec_per_min
    return DriftSeen(
        drift=drift, error=error, on_sky=on_sky is not None, gear=_gear(motion, scale),
        turning_deg_per_hour=motion.rotation_deg_per_hour,
        turning_error_deg_per_hour=math.inf
        if motion.rotation_error_deg_per_hour is None else motion.rotation_error_deg_per_hour,
        dec_deg=dec_deg, turned=_turns(motion),
    )  # fmt: skip


def _gear(motion: Motion, scale_arcsec: float) -> tuple[float, float] | None:
    """Angle of the gear's own motion, and its error; None where what is seen is not plainly the gear's."""
    beside = beside_slow_path(motion)
    if len(beside) < FEWEST_PLACES:
        return None
    variance, directions = np.linalg.eigh(np.cov(beside.T))
    across, along = np.sqrt(np.maximum(variance, 0))
    if along * scale_arcsec < GEAR_SHOWN_ARCSEC or along < GEAR_STRAIGHT * across:
        return None
    slope = 2 * math.pi * math.sqrt(2) * along / max(motion.minutes[-1] - motion.minutes[0], 1e-9)
    if abs(motion.drift_px_per_min or 0.0) < SLOPE_OF_GEAR * slope:
        return None
    return float(np.angle(complex(*directions[:, 1]))), float(across / along * 2 / math.sqrt(len(motion.minutes)))


def _turns(motion: Motion) -> bool:
    """Whether the drift has another direction in the second half of the run: a wrong axis' drift keeps to its own."""
    step = np.where(np.diff(motion.stretch) == 0, np.diff(motion.place_px), 0.0)  # levels of their own
    half = len(step) // 2
    early, late = step[:half].sum(), step[half:].sum()
    return bool(abs(np.angle(late * early.conjugate())) > TURNED_RAD) if abs(early * late) > 0 else False


def why_it_drifts(seen: DriftSeen | None, still_log_odds: float) -> Drifting:
    """How likely each reason of a drift is.

    Parameters
    ----------
    seen : DriftSeen or None
        None where no drift is known: then as often as usual.
    still_log_odds : float
        That a guider was at work, by all but the drift.

    Returns
    -------
    Drifting

    Notes
    -----
    An axis off by P lets stars drift by w P (cos f, sin f sin dec) in declination and right ascension and turns the
    field by w P sin f / cos dec, f being the direction of the error (closed form: rotation of the axis). The density of
    what is seen is summed over all errors, each direction alike; where the image's axes are not known, over these too.
    """
    logs = dict.fromkeys(BELIEVED, 0.0) if seen is None else _log_densities(seen)
    logs = {reason: log + math.log(BELIEVED[reason]) for reason, log in logs.items()}
    under, free = (np.logaddexp.reduce([logs[one] for one in ones]) for ones in (GUIDED, LEFT_ALONE))
    guided = 1 / (1 + math.exp(-still_log_odds - float(np.clip(under - free, *MOST))))
    chance = {one: guided * math.exp(logs[one] - under) for one in GUIDED}
    return Drifting(chance | {one: (1 - guided) * math.exp(logs[one] - free) for one in LEFT_ALONE})


def _log_densities(seen: DriftSeen) -> dict[Reason, float]:
    """Log density of drift and turning under each reason."""
    densities = _under_a_guider(seen) | _left_alone(seen)
    return {
        reason: math.log(max(one, TINY)) - TURNED * (seen.turned and reason in LEFT_ALONE)
        for reason, one in densities.items()
    }


def _under_a_guider(seen: DriftSeen) -> dict[Reason, float]:
    """Stars held, a telescope that bends, and a field that turns about the guide star; all directions alike."""
    errors = _axis_errors()
    sin, _ = seen.sin_dec
    turns = errors.turns_deg_per_hour / max(math.sqrt(1 - sin**2), 0.05)
    of_turning = _of_turning(seen, turns, turns * errors.cells / errors.off) * errors.chance
    still2 = HELD**2 + seen.error**2
    held = math.exp(-(abs(seen.drift) ** 2) / (2 * still2)) / (2 * math.pi * still2)
    speed = math.sqrt(abs(seen.drift) ** 2 + still2)
    ring = 2 * math.pi * speed
    median, scatter = BENDING
    bend = float(_normal(np.array(math.log(speed / median)), scatter**2)) / speed / ring
    # degrees an hour times arcminutes are arcseconds a minute but for the radian
    near, far = (math.radians(one) * turns for one in GUIDE_STAR_ARCMIN)
    wide = math.log(far[0] / near[0])
    about = float(of_turning[(speed > near) & (speed < far)].sum()) / (speed * wide) / ring
    total = float(of_turning.sum())
    # what bends is seen where the turning about the guide star, if it lies beside the middle, moves stars by less
    beside = BELIEVED["turns"] / (BELIEVED["turns"] + BELIEVED["held"])
    slower = float(of_turning @ np.clip(np.log(speed / 2 / near) / wide, 0, 1))
    return {"held": held * total, "bends": bend * ((1 - beside) * total + beside * slower), "turns": about}


def _left_alone(seen: DriftSeen) -> dict[Reason, float]:
    """A wrong axis, a wrong rate, and a drive that stands still, the axis a little wrong beside each."""
    errors = _axis_errors()
    sin, sin_error = seen.sin_dec
    cos = max(math.sqrt(1 - sin**2), 0.05)
    turns, moves = errors.turns_deg_per_hour / cos, ARCSEC_PER_MIN_PER_ARCMIN * errors.off
    east, north, chance = _on_sky(seen)
    step = 0.0 if seen.on_sky else abs(seen.drift) * math.pi / DIRECTIONS
    error2 = seen.error**2 + REFRACTION**2 + step**2 / 12
    # drift along declination tells one part of the error, the other part is summed over
    beside = _density(np.hypot(north[:, None] / ARCSEC_PER_MIN_PER_ARCMIN, errors.off)) / ARCSEC_PER_MIN_PER_ARCMIN
    each = 2 * beside * errors.cells * _of_turning(seen, turns, turns * errors.cells / errors.off)
    spread2 = error2 + LONG_WAVES**2 + (sin * moves * errors.cells / errors.off) ** 2 / 12 + (sin_error * moves) ** 2
    along = _either_sign(np.abs(east)[:, None], sin * moves, spread2)
    low, high = WRONG_RATE
    size = np.maximum(np.abs(east), low / 2)
    rate = ((size > low) & (size < high)) / (2 * size * math.log(high / low))
    full = 60 * SIDEREAL_RATE_ARCSEC_PER_S * cos
    sky = _normal(size - full, error2 + (max(STOPPED, sin_error) * full) ** 2) / 2
    alike = each.sum(axis=1)
    return {
        "axis": float(chance @ (each * along).sum(axis=1)),
        "rate": float(chance @ (rate * alike)),
        "stopped": float(chance @ (sky * alike)),
    }


def _on_sky(seen: DriftSeen) -> tuple[Floats, Floats, Floats]:
    """Drift along right ascension and declination, in each direction that right ascension may have, and its chance."""
    if seen.on_sky:
        return np.array([seen.drift.real]), np.array([seen.drift.imag]), np.ones(1)
    angle = np.pi * (np.arange(DIRECTIONS) + 0.5) / DIRECTIONS
    turned = seen.drift * np.exp(-1j * angle)
    chance = np.full(DIRECTIONS, 1 / DIRECTIONS)
    if seen.gear is not None:
        direction, error = seen.gear
        apart = (angle - direction + np.pi / 2) % np.pi - np.pi / 2
        error = math.hypot(error, math.hypot(LEAST_ANGLE_ERROR, np.pi / DIRECTIONS / math.sqrt(12)))
        near = np.exp(-((apart / error) ** 2) / 2)
        chance = OTHERWISE * chance + (1 - OTHERWISE) * near / near.sum()
    return turned.real, turned.imag, chance


def _of_turning(seen: DriftSeen, turns: Floats, cell: Floats) -> Floats:
    """Density of the turning seen, for each that the axis makes, of either sign. [deg/h]"""
    if seen.turning_deg_per_hour is None or not math.isfinite(seen.turning_error_deg_per_hour):
        return np.ones_like(turns)
    variance = seen.turning_error_deg_per_hour**2 + LEAST_TURNING_ERROR**2 + cell**2 / 12
    return _either_sign(np.array(abs(seen.turning_deg_per_hour)), turns, variance)


@dataclass(frozen=True, slots=True)
class _AxisErrors:
    """Sizes of one part of the axis' error, arrays of one shape."""

    off: Floats
    """[arcmin]"""
    cells: Floats
    chance: Floats
    """Of each, either sign, whatever the other part is."""

    @property
    def turns_deg_per_hour(self) -> Floats:
        """How fast it turns the field at declination 0."""
        return DEG_PER_HOUR_PER_ARCMIN * self.off


@lru_cache(maxsize=1)
def _axis_errors() -> _AxisErrors:
    off = np.geomspace(0.02, LARGEST_ERROR_ARCMIN, 180)
    cells = np.gradient(off)
    both = 4 * _density(np.hypot(off[:, None], off)) * cells[:, None] * cells
    return _AxisErrors(off, cells, both.sum(axis=0))


def _density(size_arcmin: Floats) -> Floats:
    """Density of an axis' error in two directions: its size half Cauchy, its directions alike. [1/arcmin²]"""
    size = np.maximum(size_arcmin, 0.02)
    return np.asarray(
        2 / (math.pi * TYPICAL_ERROR_ARCMIN) / (1 + (size / TYPICAL_ERROR_ARCMIN) ** 2) / (2 * math.pi * size)
    )


def _either_sign(seen: Floats, made: Floats, variance: Floats) -> Floats:
    return (_normal(seen - made, variance) + _normal(seen + made, variance)) / 2


def _normal(off: Floats, variance: Floats | float) -> Floats:
    return np.asarray(np.exp(-(off**2) / (2 * variance)) / np.sqrt(2 * np.pi * np.asarray(variance)))
