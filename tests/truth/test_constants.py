"""Constants of the package against the table and general-purpose libraries."""

import pytest
from astropy import stats
from astropy import units as u
from reference import reference

from framecheck import constants


def test_gaussian_width() -> None:
    assert reference("PSF-01").approx == constants.FWHM_PER_SIGMA
    assert pytest.approx(stats.gaussian_sigma_to_fwhm, rel=1e-12) == constants.FWHM_PER_SIGMA


def test_median_absolute_deviation() -> None:
    assert reference("NOI-16").approx == constants.SIGMA_PER_MAD


def test_angles() -> None:
    assert pytest.approx((1 * u.rad).to_value(u.arcsec), rel=1e-12) == constants.ARCSEC_PER_RADIAN
    assert reference("SAM-01").approx == constants.ARCSEC_PER_RADIAN * 3.76e-3 / 530


def test_turning_of_the_sky() -> None:
    assert reference("TRK-01").approx == constants.SIDEREAL_DAY_S
    assert reference("TRK-02").approx == constants.SIDEREAL_RATE_ARCSEC_PER_S


def test_blur_of_a_pixel_and_of_the_aperture() -> None:
    assert reference("SAM-05").approx == constants.PIXEL_VARIANCE_PX2
    assert reference("PSF-14").approx == constants.AIRY_FWHM_LAMBDA_OVER_D
    width_arcsec = constants.AIRY_FWHM_LAMBDA_OVER_D * constants.VISUAL_WAVELENGTH_M / 0.1 * constants.ARCSEC_PER_RADIAN
    assert width_arcsec == reference("PSF-21").approx
