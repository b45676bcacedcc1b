"""Trails, polar axes, rotation, focus and exposure times, against the table of reference values."""

from math import atan, degrees, inf, radians

import numpy as np
import pytest
from astropy.wcs import WCS
from reference import reference

from framecheck.constants import SIDEREAL_RATE_ARCSEC_PER_S
from framecheck.plan import tolerances as t


@pytest.mark.parametrize(("row", "dec_deg", "seconds"), [("TRK-07a", 0, 10), ("TRK-07b", 60, 10), ("TRK-07c", 45, 30)])
def test_trail_without_tracking(row: str, dec_deg: float, seconds: float) -> None:
    assert t.untracked_rate_arcsec_per_s(dec_deg) * seconds == reference(row).approx
    assert t.untracked_rate_arcsec_per_s(-dec_deg) == t.untracked_rate_arcsec_per_s(dec_deg)


def test_stars_stand_still_at_the_poles() -> None:
    assert t.untracked_rate_arcsec_per_s(90) == t.untracked_rate_arcsec_per_s(-90) == 0


@pytest.mark.parametrize(
    ("dec_deg", "focal_mm"), [(0.0, 14.0), (45.0, 14.0), (-62.0, 24.0), (88.0, 24.0), (30.0, 200.0)]
)
def test_stars_run_fastest_in_a_corner_of_a_wide_lens(dec_deg: float, focal_mm: float) -> None:
    # astropy.wcs: gnomonic projection, Calabretta & Greisen 2002 (A&A 395, 1077), eq. 54; all ways to turn the camera
    corner_mm = 43.27 / 2
    sky = WCS(naxis=2)
    sky.wcs.ctype, sky.wcs.crval = ["RA---TAN", "DEC--TAN"], [180.0, dec_deg]
    sky.wcs.crpix, sky.wcs.cdelt = [0.0, 0.0], [-0.01, 0.01]
    turned = np.radians(np.arange(0, 360, 0.5))
    radius = degrees(corner_mm / focal_mm) / 0.01
    x, y = radius * np.cos(turned), radius * np.sin(turned)
    ra, dec = sky.wcs_pix2world(x, y, 0)
    seconds = 2.0
    x1, y1 = sky.wcs_world2pix(ra - SIDEREAL_RATE_ARCSEC_PER_S * seconds / 3600, dec, 0)
    fastest = np.hypot(x1 - x, y1 - y).max() * 0.01 * 3600 / seconds
    found = t.corner_rate_arcsec_per_s(dec_deg, degrees(atan(corner_mm / focal_mm)))
    assert found == pytest.approx(fastest, rel=2e-3)


def test_a_corner_at_the_middle_is_no_faster() -> None:
    assert t.corner_rate_arcsec_per_s(50, 0.0) == pytest.approx(t.untracked_rate_arcsec_per_s(50))
    # closed form: about the pole itself every corner runs at omega times its distance
    assert t.corner_rate_arcsec_per_s(90, 45.0) == pytest.approx(SIDEREAL_RATE_ARCSEC_PER_S)


def test_a_print_seen_from_its_diagonal() -> None:
    # common practice, no source: 1/3438 of the diagonal, which is one arcminute; 12.6 micrometres of 43.3 mm
    assert t.trail_on_print(43.27) == pytest.approx(43.27 / 3437.75, rel=1e-4)


def test_a_long_trail_is_as_wide_as_long() -> None:
    assert t.trailed_fwhm(2.5, 6.0) == reference("TRK-52").approx  # by profile; moments would say TRK-53
    assert t.trailed_fwhm(2.5, 0.0) == 2.5
    assert t.trailed_fwhm(2.5, 1e-3) == pytest.approx(2.5, rel=1e-6)


@pytest.mark.parametrize("elongation", [1.01, 1.2, 2.0])
def test_trail_for_an_elongation_is_the_inverse(elongation: float) -> None:
    length = t.trail_for_elongation(3.0, elongation)
    assert t.trailed_fwhm(3.0, length) == pytest.approx(3.0 * elongation, rel=1e-6)


@pytest.mark.parametrize(("row", "dec_deg"), [("TRK-22a", 0), ("TRK-22b", 45), ("TRK-22c", 75)])
def test_drift_by_polar_error_has_no_cosine_of_declination(row: str, dec_deg: float) -> None:
    assert t.polar_drift_arcsec_per_min(5.0, dec_deg)[1] == reference(row).approx


@pytest.mark.parametrize(("row", "dec_deg"), [("TRK-27a", 60), ("TRK-27b", 30)])
def test_drift_by_polar_error_is_least_where_it_is_all_in_right_ascension(row: str, dec_deg: float) -> None:
    assert t.polar_drift_arcsec_per_min(5.0, dec_deg)[0] == reference(row).approx
    assert t.polar_drift_arcsec_per_min(5.0, -dec_deg)[0] == reference(row).approx


def test_polar_error_from_drift() -> None:
    assert t.polar_drift_arcsec_per_min(1.0, 0.0)[1] == reference("TRK-20").approx
    assert t.polar_error_for_drift_arcmin(1.0) == reference("TRK-21").approx
    # TRK-23: dividing by cos(dec) would double it at declination 60; there is no declination to divide by


def test_exposure_by_polar_error_on_the_sensor() -> None:
    # TRK-20 is the drift of one arcminute; SAM-01's form, 206.265 p / f, turns the trail into arcseconds
    seconds = t.polar_exposure_s(30.0, 135.0, 3.9)
    assert seconds * 30 * reference("TRK-20").value / 60 == pytest.approx(206.264806 * 3.9 / 135, rel=1e-3)


@pytest.mark.parametrize(("row", "error", "dec_deg", "seconds"), [("TRK-28a", 5, 60, 300), ("TRK-28b", 5, 0, 300)])
def test_a_guided_field_turns(row: str, error: float, dec_deg: float, seconds: float) -> None:
    assert t.guided_rotation_arcsec(error, dec_deg, seconds) == reference(row).approx


def test_a_guided_field_turns_most_where_the_error_lies() -> None:
    # TRK-28c stands 30 degrees from there: cos 30 of the greatest
    greatest = t.guided_rotation_arcsec(10, 80, 600)
    assert greatest * 0.8660254 == reference("TRK-28c").approx


def test_polar_error_for_a_trail_in_the_corner() -> None:
    trail = reference("TRK-29").value  # of 5 arcmin at declination 60 in 300 s, 1 degree from the guide star
    needed = t.polar_error_for_rotation_arcmin(trail, corner_deg=1.0, dec_deg=60, exposure_s=300)
    assert needed == pytest.approx(5.0, rel=0.01)


@pytest.mark.parametrize(
    ("row", "place"),
    [
        ("TRK-30a", (45, 45.0, 180.0)),
        ("TRK-30b", (45, 48.66, 113.86)),
        ("TRK-30c", (43.7915, 73.17, 157.84)),
    ],
)
def test_rotation_on_an_alt_azimuth_mount(row: str, place: tuple[float, float, float]) -> None:
    rate = t.alt_azimuth_rotation_arcsec_per_s(*place)
    assert rate == reference(row).within(rel=2e-3)  # altitude and azimuth are given to 0.01 degrees


def test_rotation_of_a_published_example() -> None:
    altitude, azimuth = 73 + 8 / 60 + 28.1 / 3600, 157 + 10 / 60 + 29 / 3600
    rate = t.alt_azimuth_rotation_arcsec_per_s(43.7915, altitude, azimuth)
    assert -rate / 1.00273791 == reference("TRK-31").approx  # there by the sidereal second, and with a sign


def test_rotation_in_a_corner() -> None:
    rate = t.alt_azimuth_rotation_arcsec_per_s(45, 45, 180)
    assert radians(rate * 30 / 3600) * 2500 == reference("TRK-32").approx
    assert t.alt_azimuth_rotation_arcsec_per_s(45, 50, 90) == pytest.approx(0, abs=1e-9)
    assert t.alt_azimuth_rotation_arcsec_per_s(45, 90, 180) == inf


def test_exposure_under_a_periodic_error() -> None:
    assert t.periodic_exposure_s(reference("TRK-11").value, 10.0, 480.0) == pytest.approx(60.0, rel=1e-4)
    # closed form: for short exposures the greatest speed counts
    assert 0.01 / t.periodic_exposure_s(0.01, 10.0, 480.0) == reference("TRK-10").approx
    assert t.periodic_exposure_s(10.0, 10.0, 480.0) == inf


def test_focus_and_field() -> None:
    assert t.quarter_wave_focus_um(5.0) == reference("OPT-02").approx
    assert t.field_of_view_deg(6248 * 3.76e-3, 530.0) == reference("SAM-17").approx


def test_light_of_the_sky() -> None:
    assert t.sky_e_per_s(20.5, 80.0, 1.4633, 100.0, 0.6, 0.0) == reference("NOI-12").approx
    # closed form: a magnitude is a factor of 10^0.4; half the aperture's diameter in the way takes a quarter of it
    ratio = t.sky_e_per_s(21.5, 80, 1.5, 100, 0.6, 0.5) / t.sky_e_per_s(20.5, 80, 1.5, 100, 0.6, 0.0)
    assert ratio == pytest.approx(0.75 * 10**-0.4)


def test_exposure_that_buries_read_noise() -> None:
    assert t.burying_sky_e(1.5, 0.05) / 0.5 == reference("NOI-06").approx
    assert t.extra_noise(1.5, 10 * 1.5**2) == reference("NOI-08").approx
    assert t.extra_noise(1.0, 9.0) == reference("NOI-09").approx  # sky noise three times the read noise
