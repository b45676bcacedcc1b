"""How far a rig may be off: closed forms for trails, polar axes, rotation, focus and exposure times."""

from math import asin, atan, cos, degrees, erf, hypot, inf, pi, radians, sin, sqrt, tan
from typing import Final

from framecheck.constants import (
    FWHM_PER_SIGMA,
    SIDEREAL_DAY_S,
    SIDEREAL_RATE_ARCSEC_PER_S,
    VISUAL_WAVELENGTH_M,
    arcsec_of,
)

ZERO_MAGNITUDE_PHOTONS: Final = 995.5
"""Photons of a star of magnitude 0 in the middle of the visual band. [1/s/cm²/ångström] From memory: the usual round
figure is 1000."""

EYE_ARCMIN: Final = 1.0
"""Gap that a good eye just sees: visual acuity 1.0. [arcmin] From memory: ISO 8596 measures acuity by such gaps."""


def field_of_view_deg(sensor_mm: float, focal_length_mm: float) -> float:
    """Angle that a length on the sensor spans: 2 atan(d / 2f). [deg] Closed form.

    Parameters
    ----------
    sensor_mm, focal_length_mm : float
        [mm]
    """
    return degrees(2 * atan(sensor_mm / (2 * focal_length_mm)))


def untracked_rate_arcsec_per_s(dec_deg: float) -> float:
    """Speed of a star that nothing follows: the sidereal rate times cos(dec). [arcsec/s] Closed form.

    Parameters
    ----------
    dec_deg : float
        [deg]
    """
    return SIDEREAL_RATE_ARCSEC_PER_S * sin(radians(90 - abs(dec_deg)))  # exactly 0 at the pole


def corner_rate_arcsec_per_s(dec_deg: float, corner_deg: float) -> float:
    """Greatest speed of an untracked star in a corner, whichever way the camera is turned. [arcsec/s]

    Parameters
    ----------
    dec_deg : float
        Of the middle of the field. [deg]
    corner_deg : float
        Angle from the middle to the corner, below 90. [deg]

    Returns
    -------
    float
        Speed on the sensor over the scale of its middle.

    Notes
    -----
    A lens that keeps straight lines straight puts a star at n onto f (n_x, n_y) / n_z. Under a turn about a pole at
    position angle q from the corner, with t = tan(corner), that place moves at omega f times
    (cos(dec) sin(q) (1 + t²), sin(dec) t - cos(dec) cos(q)). Closed form, greatest over q.
    """
    along, across, t = abs(sin(radians(dec_deg))), sin(radians(90 - abs(dec_deg))), tan(radians(corner_deg))
    stretch = (1 + t**2) ** 2
    steep = across * (stretch - 1)
    cos_q = min(1.0, along * t / steep) if steep else 1.0
    speed = hypot(across * sqrt((1 - cos_q**2) * stretch), along * t + across * cos_q)
    return SIDEREAL_RATE_ARCSEC_PER_S * speed


def trail_on_print(diagonal: float) -> float:
    """Trail that the eye just sees on a print of any size, from as far as the print's diagonal; unit of `diagonal`.

    Closed form: the picture's diagonal then fills the same angle for every size, and `EYE_ARCMIN` is the same share.

    Parameters
    ----------
    diagonal : float
        Of the sensor, in any unit.
    """
    return diagonal * radians(EYE_ARCMIN / 60)


def trailed_fwhm(fwhm: float, length: float) -> float:
    """Width at half maximum, along the trail, of a Gaussian star moved steadily along a line.

    Parameters
    ----------
    fwhm, length : float
        Of the star at rest, and of the line; in one unit.

    Returns
    -------
    float
        In the same unit. A long trail is as wide as it is long, where second moments would say less.
    """
    reach = sqrt(2) * fwhm / FWHM_PER_SIGMA

    def light(x: float) -> float:
        return erf((x + length / 2) / reach) - erf((x - length / 2) / reach)

    half, low, high = light(0.0) / 2, 0.0, fwhm + length
    if not length > 1e-6 * fwhm:
        return fwhm
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if light(middle) > half else (low, middle)
    return 2 * high


def trail_for_elongation(fwhm: float, elongation: float) -> float:
    """Length of trail that makes a round star so many times as long as wide at half maximum; unit of `fwhm`.

    Parameters
    ----------
    fwhm : float
        Of the round star, in any unit.
    elongation : float
        Long over short axis. [dimensionless]
    """
    low, high = 0.0, 2 * elongation * fwhm
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (low, middle) if trailed_fwhm(fwhm, middle) > elongation * fwhm else (middle, high)
    return high


def polar_drift_arcsec_per_min(polar_error_arcmin: float, dec_deg: float) -> tuple[float, float]:
    """Least and greatest speed of the stars for an equatorial mount off the pole, over all hour angles. [arcsec/min]

    Parameters
    ----------
    polar_error_arcmin : float
        Between the mount's axis and the pole. [arcmin]
    dec_deg : float
        [deg]

    Returns
    -------
    least, greatest : float
        [arcsec/min]

    Notes
    -----
    The drift is omega theta sin(h) in declination, whatever the declination, and omega theta sin(dec) cos(h) on the sky
    in right ascension, h being the hour angle from that of the error: the length lies between |sin dec| and 1 times
    omega theta. Closed form, from a turn of the unit vector.
    """
    most = 2 * pi / SIDEREAL_DAY_S * 60 * polar_error_arcmin * 60
    return most * abs(sin(radians(dec_deg))), most


def polar_error_for_drift_arcmin(drift_arcsec_per_min: float) -> float:
    """Polar error whose greatest drift this is. [arcmin] Closed form: no division by cos(dec).

    Parameters
    ----------
    drift_arcsec_per_min : float
        [arcsec/min]
    """
    return drift_arcsec_per_min / polar_drift_arcsec_per_min(1.0, 0.0)[1]


def polar_exposure_s(polar_error_arcmin: float, focal_length_mm: float, trail_um: float) -> float:
    """Longest exposure in which a polar error draws no longer trail on the sensor anywhere. [s] Closed form.

    Parameters
    ----------
    polar_error_arcmin : float
        Above 0. [arcmin]
    focal_length_mm : float
        [mm]
    trail_um : float
        Allowed. [micrometre]
    """
    return 60 * arcsec_of(trail_um, focal_length_mm) / polar_drift_arcsec_per_min(polar_error_arcmin, 0.0)[1]


def guided_rotation_arcsec(polar_error_arcmin: float, dec_deg: float, exposure_s: float) -> float:
    """Greatest turn of a field about its guide star in one exposure: omega theta t / cos(dec). [arcsec] Closed form.

    Parameters
    ----------
    polar_error_arcmin : float
        Between the mount's axis and the pole. [arcmin]
    dec_deg : float
        [deg]
    exposure_s : float
        [s]
    """
    turn = 2 * pi / SIDEREAL_DAY_S * exposure_s * polar_error_arcmin * 60
    return turn / cos(radians(dec_deg))


def polar_error_for_rotation_arcmin(trail_arcsec: float, corner_deg: float, dec_deg: float, exposure_s: float) -> float:
    """Polar error that draws a trail of this length in the corner of a guided field. [arcmin]

    Parameters
    ----------
    trail_arcsec : float
        Trail that is allowed.
    corner_deg : float
        Distance of the corner from the guide star.
    dec_deg, exposure_s : float
        Declination and length of the exposure.
    """
    turn_of_one = guided_rotation_arcsec(1.0, dec_deg, exposure_s)
    return trail_arcsec / (turn_of_one * radians(corner_deg))


def alt_azimuth_rotation_arcsec_per_s(latitude_deg: float, altitude_deg: float, azimuth_deg: float) -> float:
    """Turn of the field on an alt-azimuth mount: omega cos(lat) cos(Az) / cos(alt), as a size. [arcsec/s]

    Numerically degrees an hour. None due east and west; without bound at the zenith, where it is infinite.

    Parameters
    ----------
    latitude_deg, altitude_deg, azimuth_deg : float
        [deg]

    References
    ----------
    .. [1] J. Meeus, "Astronomical Algorithms", 2nd ed. (1998), eq. 14.1, differentiated.
    """
    across = cos(radians(altitude_deg))
    if across < 1e-9:
        return inf
    return abs(SIDEREAL_RATE_ARCSEC_PER_S * cos(radians(latitude_deg)) * cos(radians(azimuth_deg)) / across)


def periodic_exposure_s(trail_arcsec: float, peak_to_peak_arcsec: float, period_s: float) -> float:
    """Longest exposure in which a sinusoidal error never moves a star further than this. [s]

    The largest excursion in a time t is peak-to-peak times sin(pi t / P), up to half a period. Closed form.

    Parameters
    ----------
    trail_arcsec : float
        Allowed. [arcsec]
    peak_to_peak_arcsec : float
        Of the error. [arcsec]
    period_s : float
        [s]

    Returns
    -------
    float
        Infinite if the whole swing is smaller.
    """
    if peak_to_peak_arcsec <= trail_arcsec:
        return inf
    return period_s / pi * asin(trail_arcsec / peak_to_peak_arcsec)


def quarter_wave_focus_um(f_ratio: float) -> float:
    """Focus error on each side that bends the wave by a quarter: 2 lambda N², at 550 nm. [micrometre] Closed form.

    Parameters
    ----------
    f_ratio : float
        [dimensionless]
    """
    return 2 * VISUAL_WAVELENGTH_M * 1e6 * f_ratio**2


def sky_e_per_s(
    magnitude: float, aperture_mm: float, scale_arcsec: float, passband_nm: float, throughput: float, obstruction: float
) -> float:
    """Electrons that a sky of this brightness makes in a pixel in a second.

    Parameters
    ----------
    magnitude : float
        Of a square arcsecond of sky.
    aperture_mm, obstruction : float
        Clear diameter, and the part of it that the secondary mirror takes.
    scale_arcsec : float
        Side of a pixel on the sky.
    passband_nm : float
        Width of the filter.
    throughput : float
        Part of the photons that become electrons: optics, filter and sensor together.
    """
    area_cm2 = pi / 4 * (aperture_mm / 10) ** 2 * (1 - obstruction**2)
    photons = ZERO_MAGNITUDE_PHOTONS * 10 ** (-0.4 * magnitude) * area_cm2 * 10 * passband_nm
    return photons * throughput * scale_arcsec**2


def extra_noise(read_noise_e: float, sky_e: float) -> float:
    """Share that read noise adds to the noise of so much sky in a pixel: sqrt(1 + R² / S) - 1. Closed form.

    Parameters
    ----------
    read_noise_e : float
        Rms of a pixel. [e]
    sky_e : float
        Of a pixel in one exposure. [e]
    """
    return sqrt(1 + read_noise_e**2 / sky_e) - 1


def burying_sky_e(read_noise_e: float, extra: float) -> float:
    """Electrons of sky in a pixel under which read noise adds only this share. [e] Closed form: the inverse.

    Parameters
    ----------
    read_noise_e : float
        Rms of a pixel. [e]
    extra : float
        As of `extra_noise`. [dimensionless]
    """
    return read_noise_e**2 / ((1 + extra) ** 2 - 1)
