"""Sky path: where a star stands above the ground, and where refraction makes it appear.

Directions are unit vectors in the frame of the hour angle: x towards the equator on the meridian, y towards the
equator in the east, z towards the pole, so that the longitude of a star is minus its hour angle.
"""

from datetime import datetime
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import ARCSEC_PER_RADIAN
from framecheck.read.place import days_since_2000

Floats = NDArray[np.floating[Any]]

_REFRACTION_ARCSEC: Final = (58.02, -0.0650)
"""Factors of tan z and tan³ z at 1010 hPa, 10 °C, 50 % humidity, 0.55 µm, z as observed. [arcsec]
Computed with ERFA's `refco`."""
_REFERENCE_HPA: Final = 1010.0
_FLATTEST_TAN: Final = 5.7
"""[dimensionless] Chosen: below 10 degrees of altitude the series runs away; refraction is held there."""


def sidereal_angle_deg(when: datetime, longitude_deg: float) -> float:
    """Local mean sidereal time as an angle, from 0 to 360. [deg] UTC stands for UT1, which is within 15 arcseconds.

    References
    ----------
    .. [1] J. Meeus, "Astronomical Algorithms", 2nd ed., eq. 12.4, without its terms of the second order.
       From memory; tested against ERFA.
    """
    days = days_since_2000(when)
    return (280.46061837 + 360.98564736629 * days + longitude_deg) % 360


def direction(hour_angle_deg: Floats | float, dec_deg: Floats | float) -> Floats:
    """Unit vectors, shape (..., 3), from hour angles (west positive) and declinations. [deg]"""
    hour, dec = np.broadcast_arrays(np.radians(hour_angle_deg), np.radians(dec_deg))
    return np.stack([np.cos(dec) * np.cos(hour), -np.cos(dec) * np.sin(hour), np.sin(dec)], axis=-1)


def hour_angle_dec_deg(towards: Floats) -> tuple[Floats, Floats]:
    """Hour angle (west positive, within ±180) and declination of unit vectors of shape (..., 3). [deg]"""
    x, y, z = np.moveaxis(np.asarray(towards), -1, 0)
    return np.degrees(np.arctan2(-y, x)), np.degrees(np.arctan2(z, np.hypot(x, y)))


def zenith(latitude_deg: float) -> Floats:
    """The direction straight up, shape (3,)."""
    return direction(0.0, latitude_deg)


def altitude_deg(towards: Floats, latitude_deg: float) -> Floats:
    """Height above the horizon of unit vectors of shape (..., 3). [deg]"""
    return np.degrees(np.arcsin(np.clip(towards @ zenith(latitude_deg), -1, 1)))


def airmass(altitude: Floats | float) -> Floats:
    """Air in the line of sight over that at the zenith; what is below 1 degree counts as 1.

    References
    ----------
    .. [1] A. T. Young, 1994, Applied Optics 33, 1108. Coefficients as pvlib has them.
    """
    c = np.sin(np.radians(np.maximum(altitude, 1.0)))
    return (1.002432 * c**2 + 0.148386 * c + 0.0096467) / (c**3 + 0.149864 * c**2 + 0.0102963 * c + 0.000303978)


def refracted(towards: Floats, latitude_deg: float, pressure_hpa: float) -> Floats:
    """Apparent directions of true ones, shape (..., 3): lifted towards the zenith by the air.

    Right to an arcsecond above 15 degrees of altitude; lower down refraction is held constant.
    """
    up = zenith(latitude_deg)
    cosine = (towards @ up)[..., None]
    across = up - cosine * towards
    sine = np.maximum(np.linalg.norm(across, axis=-1, keepdims=True), 1e-12)
    tangent = np.where(cosine > 0, sine / np.maximum(cosine, 1e-9), _FLATTEST_TAN)
    lift = _lift(np.minimum(tangent, _FLATTEST_TAN), pressure_hpa)
    # the series wants the observed zenith distance, which is smaller than the true one by the lift itself
    lift = _lift(np.minimum(np.tan(np.arctan(tangent) - lift), _FLATTEST_TAN), pressure_hpa)
    return np.cos(lift) * towards + np.sin(lift) * across / sine


def _lift(tangent: Floats, pressure_hpa: float) -> Floats:
    """Refraction from the tangent of the observed zenith distance. [radian]"""
    first, third = _REFRACTION_ARCSEC
    return (first * tangent + third * tangent**3) * pressure_hpa / _REFERENCE_HPA / ARCSEC_PER_RADIAN
