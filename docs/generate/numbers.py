"""Numbers in the hand-written pages, worked out by the code they speak of."""

from collections.abc import Mapping
from math import erf, erfc, expm1, log, pi, radians, sin, sqrt, tan

from framecheck.causes import camera, mount, moved, optics, polar_axis, seeing, sky, weigh
from framecheck.constants import ARCSEC_PER_RADIAN, FWHM_PER_SIGMA, SIDEREAL_DAY_S, SIDEREAL_RATE_ARCSEC_PER_S
from framecheck.field import sampling
from framecheck.model import costs, parts, setting, zones
from framecheck.plan import tolerances
from framecheck.plan.records import short
from framecheck.read.place import airmass

GREEN_UM = 0.55
"""Wavelength of the examples. [micrometre]"""


def numbers() -> Mapping[str, str]:
    """Name of a substitution -> the number as a sentence says it."""
    values = {**_motion(), **_optics(), **_camera(), **_sky(), **_model()}
    return {name: value if isinstance(value, str) else short(value) for name, value in values.items()}


def _motion() -> dict[str, float | str]:
    worm = SIDEREAL_DAY_S / 180
    moment = sqrt(1 + FWHM_PER_SIGMA**2 / 12)
    return {
        "worm_180_s": f"{worm:.0f}",
        "worm_60s_arcsec": 2 * 5 * sin(pi * 60 / worm),
        "polar_drift_1": f"{tolerances.polar_drift_arcsec_per_min(1.0, 0.0)[1]:.2f}",
        "polar_limit": polar_axis.POLAR_ARCMIN,
        "polar_gross": polar_axis.POLAR_GROSS_ARCMIN,
        "line_seen": moved.LINE_SEEN,
        "sidereal": f"{SIDEREAL_RATE_ARCSEC_PER_S:.2f}",
        "altaz_corner_px": 2500 * radians(tolerances.alt_azimuth_rotation_arcsec_per_s(45, 45, 180) * 30 / 3600),
        "corner_seen": polar_axis.CORNER_SEEN,
        "backlash_s": 10 / (0.5 * SIDEREAL_RATE_ARCSEC_PER_S),
        "rms_tenth": f"{sqrt(1.1**2 - 1) / FWHM_PER_SIGMA:.2f}",
        "trail_moment_ratio": f"{moment:.2f}",
        "trail_profile_ratio": f"{tolerances.trailed_fwhm(1.0, 1.0):.2f}",
        "flexure_limit": mount.FLEXURE_ARCSEC_PER_MIN,
        "untracked_rate": mount.UNTRACKED_ARCSEC_PER_S,
        "untracked_50mm_s": ARCSEC_PER_RADIAN * 3.76e-3 / 50 / tolerances.untracked_rate_arcsec_per_s(0.0),
        "rule_500_um": 500e3 * SIDEREAL_RATE_ARCSEC_PER_S / ARCSEC_PER_RADIAN,
    }


def _optics() -> dict[str, float | str]:
    tilt = 23.5e3 * tan(radians(0.1))
    return {
        "quarter_wave_f5_um": tolerances.quarter_wave_focus_um(5),
        "hidden_px": optics.HIDDEN_PX,
        "tube_10k_um": 23e-6 * 500e3 * 10,
        "tilt_um": tilt,
        "tilt_blur_um": tilt / 2 / 5,
        "worth_naming": f"{100 * costs.WORTH_NAMING:.0f}",
        "sag_um": 14.1e3**2 / (2 * 200e3),
        "coma_um": 3 * 10e3 / (16 * 4**2),
        "seen_comet": costs.SEEN["comet"],
        "seen_lobes": costs.SEEN["lobes"],
        "seen_long": f"{sqrt((1 + costs.SEEN['shape']) / (1 - costs.SEEN['shape'])):.2f}",
        "collimation_mm": 2.0 / ARCSEC_PER_RADIAN * 1000 * 16 * 5**2 / 3,
        "astig_foci_um": 16 * sqrt(6) * 5**2 * 0.1,
    }


def _camera() -> dict[str, float | str]:
    def beyond_nyquist(fwhm_px: float) -> str:
        share = erfc(pi * fwhm_px / FWHM_PER_SIGMA)
        return f"{100 * share:.2g} %"

    return {
        "aliased_1": beyond_nyquist(1.0),
        "aliased_15": beyond_nyquist(1.5),
        "aliased_2": beyond_nyquist(2.0),
        "under_px": sampling.UNDERSAMPLED_PX,
        "over_px": sampling.OVERSAMPLED_PX,
        "nyquist_f10_um": f"{GREEN_UM * 10 / 2:.2f}",
        "peak_3px": f"{100 * erf(FWHM_PER_SIGMA / 3 / (2 * sqrt(2))) ** 2:.0f} %",
        "clipped": 100 * camera.MOST_CLIPPED,
        "five_percent_s": tolerances.burying_sky_e(1.5, 0.05) / 0.5,
        "read_extra": 100 * camera.NAMED_EXTRA_NOISE,
    }


def _sky() -> dict[str, float | str]:
    low = airmass(30.0)
    growth = low**0.6
    light = 10 ** (-0.4 * sky.TYPICAL_EXTINCTION_MAG * (low - 1))
    dew_point = _dew_point_c(10.0, 0.8)
    return {
        "r0_10cm": f"{0.976 * 500e-9 / 0.10 * ARCSEC_PER_RADIAN:.1f}",
        "poor_seeing": seeing.POOR_SEEING_ARCSEC,
        "cloud_03": f"{100 * 10 ** (-0.4 * 0.3):.0f} %",
        "cloud_03_exposure": f"{100 * 10 ** (-0.8 * 0.3):.0f} %",
        "dew_point_c": f"{dew_point:.1f}",
        "dew_gap_k": f"{10 - dew_point:.1f}",
        "sky_slope": 100 * sky.UNEVEN,
        "sky_rise": f"{100 * expm1(sky.RISEN):.0f}",
        "low_airmass": sky.LOW_AIRMASS,
        "airmass_30": f"{low:.2f}",
        "growth_30": f"{growth:.1f}",
        "worth_30": f"{100 * light**2 / growth**2:.0f} %",
    }


def _dew_point_c(air_c: float, humidity: float) -> float:
    """Magnus formula with the coefficients of the page. [deg C]"""
    gamma = log(humidity) + 17.62 * air_c / (243.12 + air_c)
    return 243.12 * gamma / (17.62 - gamma)


def _model() -> dict[str, float | str]:
    return {
        "zones": f"{zones.ACROSS} x {zones.ALONG}",
        "frames_solved": setting.MOST_FRAMES,
        "parts_draws": parts.DRAWS,
        "motion_memory_s": parts.USUAL_MEMORY_S,
        "most_for_union": weigh.MOST_FOR_UNION,
    }
