"""Polar error: how far the mount's axis points from the pole, from declination drift or from turning under guiding."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import copysign, cos, radians, sin, sqrt, tan
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import SIDEREAL_RATE_ARCSEC_PER_S
from framecheck.motion.drift import drift_on_sky
from framecheck.motion.records import Motion
from framecheck.read import place
from framecheck.read.exposure import Orientation

Floats = NDArray[np.float64]

REFRACTION_TAN_ARCSEC: Final = 58.0197
REFRACTION_TAN3_ARCSEC: Final = -0.0650
"""A and B of refraction = A tan z + B tan³ z, z the observed zenith distance. [arcsec] `erfa.refco` for 1010 hPa,
10 °C, half saturated air and 0.55 micrometres."""

REFRACTION_KNOWN_TO: Final = 0.15
"""[dimensionless] Relative, one sigma. Chosen: air of 850 to 1010 hPa, 0 to 20 °C."""

LOWEST_ALTITUDE_DEG: Final = 10.0
"""[deg] Chosen: lower down the two terms of refraction no longer do."""

NEAREST_POLE_DEG: Final = 2.0
"""[deg] Chosen: nearer to the pole than this, declination and hour angle are not those of the mount's own axis."""

TYPICAL_ERROR_ARCMIN: Final = 5.0
"""[arcmin] Chosen: scale of a wide prior (Cauchy) of how well mounts are set up. It matters where the hour angles leave
a direction unseen, and where a drift may as well be another's (`drifting`)."""

FINE_SCALE: Final = 2.5
ROUGH_ERROR_ARCMIN: Final = 30.0
"""[arcsec/px], [arcmin] Coarser pixels let mounts be set up more roughly, in proportion and up to so much. Chosen: with
a camera's lens a degree hardly shows, and a polar scope without a scale is what there is."""

LARGEST_ERROR_ARCMIN: Final = 1800.0
"""[arcmin] Chosen: 30 degrees; beyond that it is no polar error but no alignment."""

PIECE_MINUTES: Final = 30.0
"""[min] Chosen: the sky turns by 7.5 degrees, in which the drift of a wrong axis hardly changes."""

FEWEST_IN_PIECE: Final = 5

ARCSEC_PER_MIN_PER_ARCMIN: Final = SIDEREAL_RATE_ARCSEC_PER_S * 60 * radians(1 / 60)
"""Largest declination drift of one arcminute of polar error. [arcsec/min] Sky's rate times angle: 0.2625."""

DEG_PER_HOUR_PER_ARCMIN: Final = ARCSEC_PER_MIN_PER_ARCMIN / 60
"""Largest turning of a guided field at declination 0 for one arcminute of polar error. [deg/h]"""

INTERVAL: Final = (0.05, 0.5, 0.95)
"""Quantiles that `PolarError` gives as low, value and high."""


@dataclass(frozen=True, kw_only=True, slots=True)
class DecDrift:
    """Drift of the pointing in declination over a short time, unguided."""

    hour_angle_deg: float
    """Positive to the west."""
    dec_deg: float
    dec_arcsec_per_min: float
    """Of the pointing, positive to the north, as `SkyDrift` has it: stars drift the other way over the sensor."""
    error_arcsec_per_min: float


@dataclass(frozen=True, kw_only=True, slots=True)
class FieldTurning:
    """Turning of the field about the guide star."""

    hour_angle_deg: float
    dec_deg: float
    deg_per_hour: float
    """Of the stars against the sensor, from north to east."""
    error_deg_per_hour: float


@dataclass(frozen=True, kw_only=True, slots=True)
class PolarError:
    """Angle between the mount's axis and the true pole. [arcmin]"""

    value_arcmin: float
    """Median of what the frames leave possible."""
    low_arcmin: float
    """5 % quantile."""
    high_arcmin: float
    """95 % quantile; far above the value where only one part of the error was seen."""
    azimuth_arcmin: float | None
    """Turn of the axis about the vertical, clockwise from above: east of the north pole, west of the south pole."""
    altitude_arcmin: float | None
    """Axis too high. None, as azimuth, if the hour angles do not tell the two apart."""
    azimuth_error_arcmin: float | None
    altitude_error_arcmin: float | None
    correlation: float | None
    """Of the errors of azimuth and altitude."""
    both_parts_seen: bool
    """False if the value rests on one combination of azimuth and altitude, and on chance for the rest."""


def usual_error_arcmin(scale_arcsec: float | None) -> float:
    """Scale of the prior of the axis' error at a pixel scale. [arcmin]"""
    coarser = 1.0 if scale_arcsec is None else scale_arcsec / FINE_SCALE
    return TYPICAL_ERROR_ARCMIN * min(max(coarser, 1.0), ROUGH_ERROR_ARCMIN / TYPICAL_ERROR_ARCMIN)


def declination_drifts(
    motion: Motion, orientation: Orientation, hour_angle_deg: Sequence[float | None]
) -> list[DecDrift]:
    """Drift in declination of one group of frames, piece by piece along its hour angles.

    Parameters
    ----------
    motion : Motion
    orientation : Orientation
        Of the group's reference frame.
    hour_angle_deg : sequence of float or None
        Of each of `motion.frames`; one group's frames do not pass the lower meridian within a piece.

    Returns
    -------
    list of DecDrift
        A line through each half hour of a stretch between jumps; the drift of the whole where stretches are too short
        for that, and nothing where it is not known.
    """
    whole = drift_on_sky(motion, orientation)
    known = [h for h in hour_angle_deg if h is not None]
    if whole is None or not known:
        return []
    minutes = np.array(motion.minutes)
    _, dec = orientation.on_sky(-motion.place_px)
    hours = np.array([np.nan if h is None else h for h in hour_angle_deg])
    lines = [
        DecDrift(
            hour_angle_deg=float(np.mean(hours[piece])),
            dec_deg=orientation.dec_deg,
            dec_arcsec_per_min=slope,
            error_arcsec_per_min=error,
        )
        for piece in _pieces(minutes, np.array(motion.stretch))
        if np.isfinite(hours[piece]).all()
        for slope, error in [_slope(minutes[piece], dec[piece])]
    ]
    return lines or [
        DecDrift(
            hour_angle_deg=float(np.mean(known)),
            dec_deg=orientation.dec_deg,
            dec_arcsec_per_min=whole.dec_arcsec_per_min,
            error_arcsec_per_min=whole.error_arcsec_per_min,
        )
    ]


def _pieces(minutes: Floats, stretch: NDArray[np.intp]) -> list[NDArray[np.intp]]:
    """Runs of frames of about half an hour within a stretch."""
    out = []
    for label in np.unique(stretch):
        inside = np.flatnonzero(stretch == label)
        count = max(1, round(float(np.ptp(minutes[inside])) / PIECE_MINUTES))
        out += [piece for piece in np.array_split(inside, count) if len(piece) >= FEWEST_IN_PIECE]
    return out


def _slope(t: Floats, value: Floats) -> tuple[float, float]:
    """Of a straight line, and its error from the scatter about it."""
    off = t - t.mean()
    slope = float(off @ value / (off @ off))
    rest = value - value.mean() - slope * off
    # a line through few frames may by chance leave next to nothing
    variance = max(float(rest @ rest) / (len(t) - 2), 1e-8)
    return slope, sqrt(variance / float(off @ off))


def polar_error(drifts: Sequence[DecDrift], latitude_deg: float) -> PolarError | None:
    """Polar error from declination drift against hour angle, unguided; refraction is taken out first.

    Parameters
    ----------
    drifts : sequence of DecDrift
        At as many hour angles as there are.
    latitude_deg : float

    Returns
    -------
    PolarError or None
        None if no drift was measured well above the horizon and off the pole.

    Notes
    -----
    A star drifts in the mount's declination by -w (dAz cos(lat) cos H + dAlt sin H), w the sky's rate, at every
    declination alike (closed form: rotation of the axis). One hour angle shows one combination; the other part can have
    any size, and the interval says so, taking every direction of the error for equally likely.
    """
    used = [d for d in drifts if _usable(latitude_deg, d.dec_deg, d.hour_angle_deg, d.error_arcsec_per_min)]
    rows, seen, air, error = [], [], [], []
    for d in used:
        h = radians(d.hour_angle_deg)
        rows.append([-cos(h), -sin(h)])
        seen.append(-d.dec_arcsec_per_min / ARCSEC_PER_MIN_PER_ARCMIN)
        air.append(refraction_drift(latitude_deg, d.dec_deg, d.hour_angle_deg)[1] / ARCSEC_PER_MIN_PER_ARCMIN)
        error.append(d.error_arcsec_per_min / ARCSEC_PER_MIN_PER_ARCMIN)
    return _solve(rows, seen, air, error, latitude_deg) if used else None


def polar_error_from_rotation(turnings: Sequence[FieldTurning], latitude_deg: float) -> PolarError | None:
    """Polar error from the turning of guided fields about the guide star; refraction is taken out first.

    Parameters
    ----------
    turnings : sequence of FieldTurning
        A single one may have either sign.
    latitude_deg : float

    Returns
    -------
    PolarError or None
        None if no turning was measured well above the horizon and off the pole.

    Notes
    -----
    With both axes guided the field turns by w (dAlt cos H - dAz cos(lat) sin H) / cos(dec) (closed form).
    """
    used = [t for t in turnings if _usable(latitude_deg, t.dec_deg, t.hour_angle_deg, t.error_deg_per_hour)]
    rows, seen, air, error = [], [], [], []
    for t in used:
        h, rate = radians(t.hour_angle_deg), DEG_PER_HOUR_PER_ARCMIN / cos(radians(t.dec_deg))
        rows.append([-sin(h), cos(h)])
        seen.append(t.deg_per_hour / rate)
        air.append(refraction_turning(latitude_deg, t.dec_deg, t.hour_angle_deg) / rate)
        error.append(t.error_deg_per_hour / rate)
    return _solve(rows, seen, air, error, latitude_deg) if used else None


def refraction_drift(latitude_deg: float, dec_deg: float, hour_angle_deg: float) -> tuple[float, float]:
    """Drift of a star by changing refraction, for a mount on the true pole that turns at the sidereal rate.

    Parameters
    ----------
    latitude_deg, dec_deg, hour_angle_deg : float
        [deg]

    Returns
    -------
    ra, dec : float
        Of the star, on the sky; right ascension times cos(dec). Positive to the east (it lags behind the mount) and to
        the north. [arcsec/min]

    Notes
    -----
    Refraction lifts the star towards the zenith, along the parallactic angle; the derivative is numerical.
    """
    step = 0.25  # [deg] of hour angle: one minute
    before = _lift(latitude_deg, dec_deg, hour_angle_deg - step)
    after = _lift(latitude_deg, dec_deg, hour_angle_deg + step)
    minutes = 2 * step * 3600 / (SIDEREAL_RATE_ARCSEC_PER_S * 60)
    return (after[0] - before[0]) / minutes, (after[1] - before[1]) / minutes


def refraction_turning(latitude_deg: float, dec_deg: float, hour_angle_deg: float) -> float:
    """Turning of a guided field by changing refraction, for a mount on the true pole, from north to east. [deg/h]

    Parameters
    ----------
    latitude_deg, dec_deg, hour_angle_deg : float
        [deg]

    Returns
    -------
    float
        [deg/h]
    """
    apart, step = 0.05, 0.25  # [deg]
    wide = cos(radians(dec_deg))

    def angle(h: float) -> float:
        """Mean turn of a line to the north and of one to the east; what is left of the two is shear."""
        south = _lift(latitude_deg, dec_deg - apart, h)[0] / cos(radians(dec_deg - apart))
        north = _lift(latitude_deg, dec_deg + apart, h)[0] / cos(radians(dec_deg + apart))
        east, west = (_lift(latitude_deg, dec_deg, h + side * apart / wide)[1] for side in (-1, 1))
        return ((north - south) * wide - (east - west)) / (4 * apart * 3600)

    turn = angle(hour_angle_deg + step) - angle(hour_angle_deg - step)
    return float(np.degrees(turn)) / (2 * step * 3600 / (SIDEREAL_RATE_ARCSEC_PER_S * 3600))


def _lift(latitude_deg: float, dec_deg: float, hour_angle_deg: float) -> tuple[float, float]:
    """Displacement of a star by refraction, east and north. [arcsec]"""
    altitude, _ = place.altitude_azimuth_deg(hour_angle_deg, dec_deg=dec_deg, latitude_deg=latitude_deg)
    lift = 0.0
    for _ in range(3):  # the formula wants the observed zenith distance
        t = tan(radians(90 - max(altitude, 3.0) - lift / 3600))
        lift = REFRACTION_TAN_ARCSEC * t + REFRACTION_TAN3_ARCSEC * t**3
    q = radians(place.parallactic_angle_deg(hour_angle_deg, dec_deg=dec_deg, latitude_deg=latitude_deg))
    return lift * sin(q), lift * cos(q)


def _usable(latitude_deg: float, dec_deg: float, hour_angle_deg: float, error: float) -> bool:
    altitude, _ = place.altitude_azimuth_deg(hour_angle_deg, dec_deg=dec_deg, latitude_deg=latitude_deg)
    return altitude >= LOWEST_ALTITUDE_DEG and abs(dec_deg) <= 90 - NEAREST_POLE_DEG and error > 0


def _solve(
    rows: list[list[float]], seen: list[float], air: list[float], error: list[float], latitude_deg: float
) -> PolarError:
    """What explains all that is seen; unknown are azimuth times cos(lat) and altitude of the axis' north end."""
    weight = 1 / np.array(error)
    design, refraction = np.array(rows) * weight[:, None], np.array(air) * weight
    value = np.array(seen) * weight - refraction
    # The strength of refraction is a third unknown, known beforehand to 15 %, and not asked for.
    softness = 1 / REFRACTION_KNOWN_TO**2 + float(refraction @ refraction)
    beside = refraction @ design
    normal = design.T @ design - np.outer(beside, beside) / softness
    right = design.T @ value - beside * float(refraction @ value) / softness
    best = np.asarray(np.linalg.lstsq(normal, right, rcond=1e-9)[0], np.float64)
    if len(seen) > 2:
        chi2 = float(value @ value - best @ right - (refraction @ value) ** 2 / softness) / (len(seen) - 2)
        normal, right = normal / max(chi2, 1.0), right / max(chi2, 1.0)
    low, middle, high = _quantiles(normal, right)
    parts = _parts(normal, best, middle, latitude_deg)
    return PolarError(
        value_arcmin=middle,
        low_arcmin=low,
        high_arcmin=high,
        azimuth_arcmin=parts[0],
        altitude_arcmin=parts[1],
        azimuth_error_arcmin=parts[2],
        altitude_error_arcmin=parts[3],
        correlation=parts[4],
        both_parts_seen=parts[0] is not None,
    )


def _quantiles(normal: Floats, right: Floats) -> tuple[float, float, float]:
    """Quantiles of the size of the error, every direction alike and its size with a wide prior."""
    size = np.geomspace(1e-3, LARGEST_ERROR_ARCMIN, 700)
    angle = np.linspace(0, 2 * np.pi, 1440, endpoint=False)
    unit = np.stack([np.cos(angle), np.sin(angle)])
    curve, slope = np.einsum("ik,ij,jk->k", unit, normal, unit), right @ unit
    likelihood = size[:, None] * slope - size[:, None] ** 2 * curve / 2
    density = np.exp(likelihood - likelihood.max()).sum(axis=1) * size / (1 + (size / TYPICAL_ERROR_ARCMIN) ** 2)
    total = np.cumsum(density) / density.sum()
    low, middle, high = np.interp(INTERVAL, total, size)
    return float(low), float(middle), float(high)


def _parts(
    normal: Floats, best: Floats, size: float, latitude_deg: float
) -> tuple[float, float, float, float, float] | tuple[None, None, None, None, None]:
    """Azimuth, altitude, their errors and correlation; None if known to worse than half the size and 1 arcmin."""
    if np.linalg.cond(normal) > 1e8:
        return None, None, None, None, None
    covariance = np.linalg.inv(normal)
    if sqrt(float(np.linalg.eigvalsh(covariance)[-1])) > max(size / 2, 1.0):
        return None, None, None, None, None
    wide = max(cos(radians(latitude_deg)), 1e-3)
    up = copysign(1.0, latitude_deg)  # the south pole's end of the axis rises as the north pole's sinks
    azimuth_error, altitude_error = sqrt(covariance[0, 0]), sqrt(covariance[1, 1])
    correlation = up * float(covariance[0, 1]) / (azimuth_error * altitude_error)
    return float(best[0]) / wide, up * float(best[1]), azimuth_error / wide, altitude_error, correlation


__all__ = [
    "DecDrift",
    "FieldTurning",
    "PolarError",
    "declination_drifts",
    "polar_error",
    "polar_error_from_rotation",
    "refraction_drift",
    "refraction_turning",
]
