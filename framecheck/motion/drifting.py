"""Why the pointing drifts, and how likely each reason is: weighed by the drift's size and direction, and the turning.

Under a guider stars are held, or the telescope bends against it, or the field turns about the guide star. Without one
the axis points beside the pole, the drive runs at a wrong rate, or it stands still.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from framecheck import robust
from framecheck.constants import SIDEREAL_RATE_ARCSEC_PER_S
from framecheck.motion.drift import SkyDrift, never_rests
from framecheck.motion.polar import (
    ARCSEC_PER_MIN_PER_ARCMIN,
    DEG_PER_HOUR_PER_ARCMIN,
    LARGEST_ERROR_ARCMIN,
    TYPICAL_ERROR_ARCMIN,
    usual_error_arcmin,
)
from framecheck.motion.records import Motion
from framecheck.motion.swing import STRAIGHT, swing_of

Floats = NDArray[np.float64]
Reason = Literal["held", "bends", "turns", "axis", "rate", "stopped", "other"]

GUIDED: Final[tuple[Reason, ...]] = ("held", "bends", "turns")
LEFT_ALONE: Final[tuple[Reason, ...]] = ("axis", "rate", "stopped", "other")
BELIEVED: Final[Mapping[Reason, float]] = {
    "held": 0.33, "bends": 0.27, "turns": 0.4, "axis": 0.79, "rate": 0.15, "stopped": 0.05,
    "other": 0.01,
}  # fmt: skip
"""How often each comes, under a guider and without. Chosen: every fourth tube bends, every second guide star lies
beside the middle; every axis is a little off, rates seldom are; two faults at once may make what no law here does."""

HELD: Final = 0.06
"""Drift that guided frames keep, each component. [arcsec/min] Chosen: a pixel in a quarter of an hour."""
BENDING: Final = (0.5, 0.7)
"""Drift of a telescope that bends: median, and scatter of the logarithm. [arcsec/min, dimensionless] Chosen: tubes bend
by up to an arcsecond a minute."""
WRONG_RATE: Final = (0.6, 1300.0)
"""[arcsec/min] Drifts by a wrong rate, each logarithm alike. Chosen: refraction makes less, no drive more."""
ANY_TURNING: Final = (0.01, 15.0)
"""Turnings that none of these makes, either sign, each logarithm alike; their drifts are those of wrong rates. [deg/h]
Chosen: to the sky's own."""
STOPPED: Final = 0.1
"""Width of the drifts of a mount that stands still, or runs at a rate of its menu, over their size. [dimensionless]
Chosen: 3 per cent, rms."""
OF_MENUS: Final[Mapping[str, tuple[float, float]]] = {
    "the Moon's": (0.0365, 0.2), "the Sun's": (0.00274, 0.1), "half": (0.5, 0.1), "backwards": (2.0, 0.05),
}  # fmt: skip
"""Wrong rates that drives offer: how far from the sky's, over it, and how many of wrong rates are so. Sizes: mean
motions of Moon and Sun, 13.176 and 0.986 degrees a day (J. Meeus, Astronomical Algorithms, 1998, from memory) over the
sky's 360.986; half the rate, for landscapes, and the other hemisphere's: common practice, no source. Shares: chosen."""
N_RATES: Final = 160
GUIDE_STAR_ARCMIN: Final = (2.0, 120.0)
"""[arcmin] Distance of the guide star, each logarithm alike. Chosen: beside the field, or in a guide scope."""
LONG_WAVES: Final = 0.4
"""[arcsec/min] Drift along right ascension by long waves of the gear and by refraction, where nobody guides. Chosen
(row TRK-37: refraction alone up to 0.5)."""
REFRACTION: Final = 0.15
"""[arcsec/min] The same in declination, by refraction. Chosen."""
LEAST_TURNING_ERROR: Final = 0.005
"""[deg/h] Chosen: refraction turns a field by some thousandths."""

ANYWHERE: Final = tuple(math.degrees(math.asin((k + 0.5) / 8)) for k in range(8))
"""[deg] Declinations, either sign, that stand for one that is not known. Chosen: as much sky for each (closed form)."""
WITHIN: Final = (np.arange(8) - 3.5) / 64
"""About the sine of each, that stand for all nearer to it than to the next. Closed form: each eighth in eight parts."""
DIRECTIONS: Final = 90
"""In which right ascension may run where no header says so. Chosen: 4 degrees apart."""
LEAST_ANGLE_ERROR: Final = 0.035
"""[radian] Of the direction of the gear's own motion. Chosen: 2 degrees."""
OTHERWISE: Final = 0.02
"""Chance that this direction means nothing. Chosen."""
UNLAWFUL: Final = (0.1, 0.03)
"""Chance that the turning seen is not all the mount's, and how far off it then is. [deg/h] Chosen: distorted fields
that drift seem to turn, and cameras sag."""
TURNED: Final = (0.25, 0.06)
"""Chance that the direction of a drift changes from one half of the run to the other: of a telescope that bends, and of
all others. Chosen: what bends turns with gravity; an axis keeps its direction but for the sky's own turning."""
MOST: Final = (-6.0, 1.5)
"""Log-odds of a guider that a drift may give. Chosen: axes can be well set."""
DEG_PER_HOUR: Final = 60 / 3600
"""In an arcsecond a minute. Closed form."""
LEAST_CHANCE: Final = 1e-3
"""Chance that no reason falls below. Chosen: none of them is the whole truth."""
TINY: Final = 1e-300
SPEEDS: Final = np.geomspace(3e-3, 2000.0, 240)
"""[arcsec/min] That stand for all."""

GEAR_SHOWN_ARCSEC: Final = 0.4
"""Rms of the motion about its drift from which it may be the gear's. [arcsec] Chosen: places are known to less."""
FEWEST_PLACES: Final = 6
SLOPE_OF_GEAR: Final = 2.0
"""Drift over the steepest that the gear's own swing leaves in so short a run, from which it is another's. Chosen."""

USUAL_SCALE: Final = 1.5
SCALES: Final = np.exp(0.6 * np.array([-1.7, -1.0, -0.5, 0.0, 0.5, 1.0, 1.7]))
"""Pixel scale where none is known [arcsec], and those over it that stand for all. Chosen: from lenses to long focus."""
TURNED_RAD: Final = 0.42
"""[radian] Change of a drift's direction from one half of a run to the other that counts, beside the sky's own turning.
Chosen: 24 degrees."""
SURE_SIGMA: Final = 4.0
"""Way gone in a half of the run, over its error, from which it has a direction. Chosen."""


@dataclass(frozen=True, kw_only=True, slots=True)
class DriftSeen:
    """How the pointing of one group drifts, as far as its frames tell."""

    drift: complex
    """Of the stars, on the sky. [arcsec/min] Along right ascension, and declination as the imaginary part, either with
    any sign; in the axes of the image where it is not known how they lie."""
    error: float
    """Of each part. [arcsec/min]"""
    on_sky: bool
    """Whether it is known how the image's axes lie on the sky."""
    gear: tuple[float, float] | None = None
    """Angle of the gear's own motion in the image, along right ascension, and its error; None if none is seen. [rad]"""
    turning_deg_per_hour: float | None = None
    turning_error_deg_per_hour: float = math.inf
    dec_deg: float | None = None
    turned: bool | None = None
    """Whether the drift has another direction in the second half; None where the halves do not tell."""
    scale_known: bool = True
    """Whether the pixel scale is; else the usual one stands in for it."""
    usual_error_arcmin: float = TYPICAL_ERROR_ARCMIN
    """Scale of the prior of the axis' error."""


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
    if drift is None or error is None or not (np.isfinite(drift) and math.isfinite(error)):
        return None
    scale = USUAL_SCALE if scale_arcsec is None else scale_arcsec
    drift, error = scale * drift, scale * error
    if on_sky is not None:
        drift, error = complex(on_sky.ra_arcsec_per_min, on_sky.dec_arcsec_per_min), on_sky.error_arcsec_per_min
    turning, unsure = motion.rotation_deg_per_hour, motion.rotation_error_deg_per_hour
    known = turning is not None and unsure is not None and math.isfinite(turning) and math.isfinite(unsure)
    return DriftSeen(
        drift=drift, error=error, on_sky=on_sky is not None, gear=_gear(motion, scale),
        turning_deg_per_hour=turning if known else None,
        turning_error_deg_per_hour=math.inf if unsure is None or not known else unsure,
        dec_deg=dec_deg if dec_deg is not None and math.isfinite(dec_deg) else None,
        turned=_turned(motion), scale_known=scale_arcsec is not None,
        usual_error_arcmin=usual_error_arcmin(scale_arcsec),
    )  # fmt: skip


def _gear(motion: Motion, scale_arcsec: float) -> tuple[float, float] | None:
    """Angle of the gear's own motion, and its error; None where what is seen is not plainly the gear's."""
    swing = swing_of(motion)
    if swing is None or swing.along_px * scale_arcsec < GEAR_SHOWN_ARCSEC or not swing.straight > STRAIGHT:
        return None
    slope = 2 * math.pi * math.sqrt(2) * swing.along_px / max(motion.minutes[-1] - motion.minutes[0], 1e-9)
    if abs(motion.drift_px_per_min or 0.0) < SLOPE_OF_GEAR * slope:
        return None
    return swing.angle_rad, 2 / swing.straight / math.sqrt(len(motion.minutes))


def _turned(motion: Motion) -> bool | None:
    """Whether the drift has another direction in the second half of the run; None if either half has none."""
    n = len(motion.minutes)
    if n < 2 * FEWEST_PLACES or never_rests(motion):
        return None
    step = np.where(np.diff(motion.stretch) == 0, np.diff(motion.place_px), 0.0)  # levels of their own
    half = (n - 1) // 2
    early, late = step[:half].sum(), step[half:].sum()
    error = math.sqrt(2) * robust.spread(np.concatenate([motion.residual_x_px, motion.residual_y_px]))
    if min(abs(early), abs(late)) < SURE_SIGMA * error or not error:
        return None
    sky = math.radians(15 * (motion.minutes[-1] - motion.minutes[0]) / 60 / 2)
    return bool(abs(np.angle(late * early.conjugate())) > TURNED_RAD + sky)


def why_it_drifts(seen: DriftSeen | None, still_log_odds: float, *, stated: bool = False) -> Drifting:
    """How likely each reason of a drift is.

    Parameters
    ----------
    seen : DriftSeen or None
        None where no drift is known: then as often as usual.
    still_log_odds : float
        That a guider was at work, by all but the drift.
    stated : bool
        Whether they are what the rig file says: then the drift has no say in it.

    Returns
    -------
    Drifting

    Notes
    -----
    An axis off by P lets stars drift by w P (cos f, sin f sin dec) in declination and right ascension, f being the
    direction of the error, and turns the field by w P sin f cos dec; a rate wrong by e on the sky turns it by e tan dec
    (closed forms: w times the difference of two unit vectors). Under a guider, whose corrections turn the mount about
    its own axis, the field turns by w P sin f / cos dec. The density of what is seen is summed over all errors, each
    direction alike; where the image's axes, the declination or the pixel scale are not known, over these too.
    """
    logs = dict.fromkeys(BELIEVED, 0.0) if seen is None else log_densities(seen)
    logs = {reason: log + math.log(BELIEVED[reason]) for reason, log in logs.items()}
    under, free = (np.logaddexp.reduce([logs[one] for one in ones]) for ones in (GUIDED, LEFT_ALONE))
    told = 0.0 if stated else float(np.clip(under - free, *MOST))
    guided = 1 / (1 + math.exp(-still_log_odds - told))
    chance = {one: guided * math.exp(logs[one] - under) for one in GUIDED}
    return Drifting(chance | {one: (1 - guided) * math.exp(logs[one] - free) for one in LEFT_ALONE})


def log_densities(seen: DriftSeen) -> dict[Reason, float]:
    """Log density of drift and turning under each reason."""
    scales = np.ones(1) if seen.scale_known else SCALES
    decs = ANYWHERE if seen.dec_deg is None else (seen.dec_deg,)
    total = dict.fromkeys(BELIEVED, 0.0)
    for scale in scales:
        for dec in decs:
            one = replace(seen, drift=scale * seen.drift, error=scale * seen.error)
            for reason, density in (_under_a_guider(one, dec) | _left_alone(one, dec)).items():
                total[reason] += scale**2 * density
    return {reason: math.log(max(one, TINY)) + _of_direction(seen, reason) for reason, one in total.items()}


def _of_direction(seen: DriftSeen, reason: Reason) -> float:
    """Log of the chance that the drift's direction changes as it does."""
    if seen.turned is None:
        return 0.0
    chance = TURNED[0] if reason == "bends" else TURNED[1]
    return math.log(chance if seen.turned else 1 - chance)


def _under_a_guider(seen: DriftSeen, dec_deg: float) -> dict[Reason, float]:
    """Stars held, a telescope that bends, and a field that turns about the guide star; all directions alike."""
    errors = _axis_errors(seen.usual_error_arcmin)
    turns = DEG_PER_HOUR_PER_ARCMIN * errors.off / max(math.cos(math.radians(dec_deg)), 0.05)
    of_turning = _of_turning(seen, turns, turns * errors.cells / errors.off) * errors.chance
    still2 = HELD**2 + seen.error**2
    held = math.exp(-(abs(seen.drift) ** 2) / (2 * still2)) / (2 * math.pi * still2)
    at_speed = _ring(abs(seen.drift), still2)
    step = np.gradient(np.log(SPEEDS))
    median, scatter = BENDING
    bend = float(np.sum(_normal(np.log(SPEEDS / median), scatter**2) * at_speed * step))
    # degrees an hour times arcminutes are arcseconds a minute but for the radian
    near, far = (np.clip(math.radians(one) * turns, *SPEEDS[[0, -1]]) for one in GUIDE_STAR_ARCMIN)
    so_far = np.concatenate([[0.0], np.cumsum((at_speed[1:] + at_speed[:-1]) / 2 * np.diff(np.log(SPEEDS)))])
    up_to_near, up_to_far = (np.interp(np.log(one), np.log(SPEEDS), so_far) for one in (near, far))
    wide = np.log(far / near)
    about = np.where(wide > 0, (up_to_far - up_to_near) / np.maximum(wide, TINY), held)
    # what bends is seen where the turning about the guide star, if it lies beside the middle, moves stars by less
    beside = BELIEVED["turns"] / (BELIEVED["turns"] + BELIEVED["held"])
    speed = math.sqrt(abs(seen.drift) ** 2 + still2)
    slower = np.clip(np.log(speed / 2 / near) / np.maximum(wide, TINY), 0, 1)
    return {
        "held": held * float(of_turning.sum()),
        "bends": bend * float(of_turning @ ((1 - beside) + beside * slower)),
        "turns": float(of_turning @ about),
    }


def _ring(size: float, variance: float) -> Floats:
    """Density of a drift of this size if its true size is each of `SPEEDS` and all directions are alike (Rice)."""
    from scipy.special import ive

    near = np.exp(-((size - SPEEDS) ** 2) / (2 * variance)) * ive(0, size * SPEEDS / variance)
    return np.asarray(near / (2 * math.pi * variance))


def _left_alone(seen: DriftSeen, dec_deg: float) -> dict[Reason, float]:
    """A wrong axis, a wrong rate, and a drive that stands still, the axis a little wrong beside each."""
    errors = _axis_errors(seen.usual_error_arcmin)
    sin, cos = abs(math.sin(math.radians(dec_deg))), math.cos(math.radians(dec_deg))
    turns, moves = DEG_PER_HOUR_PER_ARCMIN * errors.off * cos, ARCSEC_PER_MIN_PER_ARCMIN * errors.off
    wide = errors.cells / errors.off
    east, north, chance = _on_sky(seen)
    step = 0.0 if seen.on_sky else abs(seen.drift) * math.pi / DIRECTIONS
    error2 = seen.error**2 + step**2 / 12
    across = _either_sign(north[:, None], moves, error2 + REFRACTION**2 + (moves * wide) ** 2 / 12)
    given_north = across @ errors.both  # each direction of right ascension, each size of the error's other part
    along = _either_sign(east[:, None], sin * moves, error2 + LONG_WAVES**2 + (sin * moves * wide) ** 2 / 12)
    of_axis = _of_turning(seen, turns, turns * wide)

    def at_rates(rates: Floats, share: float, tan: Floats | float) -> Floats:
        """Density for each direction, rates alike, each known to a share of it."""
        cell = rates * share
        spin = (DEG_PER_HOUR * np.broadcast_to(tan, rates.shape))[:, None]
        turned = _of_turning(seen, spin * rates[:, None], spin * cell[:, None], turns)
        turned = turned * (sin * moves < rates[:, None])  # no drift of the axis that the rate happens to undo
        seen_so = _either_sign(east[:, None], rates, error2 + cell**2 / 12)
        return np.asarray(np.mean(seen_so * (given_north @ turned.T), axis=1))

    sins = sin + (WITHIN if seen.dec_deg is None else np.zeros(1))
    coss = np.sqrt(1 - sins**2)

    def off_by(of_the_sky: float) -> Floats:
        """The same of a drive that is off by a share of the sky's rate."""
        return at_rates(of_the_sky * 60 * SIDEREAL_RATE_ARCSEC_PER_S * coss, STOPPED, sins / np.maximum(coss, 0.01))

    rates = np.geomspace(*WRONG_RATE, N_RATES)
    known = sum(share for _, share in OF_MENUS.values())
    any_rate = (1 - known) * at_rates(rates, math.log(rates[1] / rates[0]), sin / max(cos, 0.01))
    return {
        "axis": float(chance @ np.sum(given_north * along * of_axis, axis=1)),
        "rate": float(chance @ (any_rate + sum(share * off_by(off) for off, share in OF_MENUS.values()))),
        "stopped": float(chance @ off_by(1.0)),
        "other": _by_no_law(seen),
    }


def _by_no_law(seen: DriftSeen) -> float:
    """Density of any drift along any direction with any turning."""
    speed = math.hypot(abs(seen.drift), seen.error)
    there = WRONG_RATE[0] < speed < WRONG_RATE[1]
    drifting = there / (2 * math.pi * speed**2 * math.log(WRONG_RATE[1] / WRONG_RATE[0]))
    if seen.turning_deg_per_hour is None:
        return drifting
    turning = max(abs(seen.turning_deg_per_hour), seen.turning_error_deg_per_hour, ANY_TURNING[0])
    return drifting / (2 * turning * math.log(ANY_TURNING[1] / ANY_TURNING[0]))


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


def _of_turning(seen: DriftSeen, turns: Floats, cell: Floats, beside: Floats | float = 0.0) -> Floats:
    """Density of the turning seen, for each that the mount makes, of either sign, and another beside it. [deg/h]"""
    if seen.turning_deg_per_hour is None:
        return np.ones(np.broadcast_shapes(turns.shape, np.shape(beside)))
    seen_deg = np.array(seen.turning_deg_per_hour)
    variance = seen.turning_error_deg_per_hour**2 + LEAST_TURNING_ERROR**2 + cell**2 / 12
    off, unlawful = UNLAWFUL
    both = (
        (1 - off) * _either_sign(seen_deg, turns + one, variance)
        + off * _either_sign(seen_deg, turns + one, variance + unlawful**2)
        for one in (beside, -beside)
    )
    return np.asarray(sum(both, np.zeros(1)) / 2)


@dataclass(frozen=True, slots=True)
class _AxisErrors:
    """Sizes of one part of the axis' error, arrays of shape (n,)."""

    off: Floats
    """[arcmin]"""
    cells: Floats
    both: Floats
    """Chance of each with each of the other part, either sign, shape (n, n)."""

    @property
    def chance(self) -> Floats:
        """Of each, whatever the other part is."""
        return np.asarray(self.both.sum(axis=0))


@lru_cache(maxsize=4)
def _axis_errors(usual_arcmin: float) -> _AxisErrors:
    off = np.geomspace(0.05, LARGEST_ERROR_ARCMIN, 120)
    cells = np.gradient(off)
    both = _density(np.hypot(off[:, None], off), usual_arcmin) * cells[:, None] * cells
    return _AxisErrors(off, cells, both / both.sum())


def _density(size_arcmin: Floats, usual_arcmin: float) -> Floats:
    """Density of an axis' error in two directions, up to a factor: its size half Cauchy, its directions alike."""
    return np.asarray(1 / (1 + (size_arcmin / usual_arcmin) ** 2) / size_arcmin)


def _either_sign(seen: Floats, made: Floats, variance: Floats) -> Floats:
    """Density of what is seen, if it is made with either sign."""
    return (_normal(seen - made, variance) + _normal(seen + made, variance)) / 2


def _normal(off: Floats, variance: Floats | float) -> Floats:
    return np.asarray(np.exp(-(off**2) / (2 * variance)) / np.sqrt(2 * np.pi * np.asarray(variance)))
