"""The budget of the star's width: rows of the table of reference values, closed forms, and what nights leave open."""

from dataclasses import replace
from math import hypot, sqrt

import numpy as np
import pytest
from moved_nights import FWHM2, RIG, moved_night, moved_parts, random_motion
from reference import reference

from framecheck.decision.budget import Budget, budget_of, needed_rms
from framecheck.decision.star_width import Blurs, jitter_for_growth
from framecheck.read.rig import Rig

GAUSSIAN_FWHM = 2.354820045
ALONG = np.array([1.0, 0.0, 0.0])
STILL = np.zeros(3)


def budget(covariance: np.ndarray, rig: Rig = RIG, **how: float) -> Budget:
    night = moved_night(covariance, rig=rig, rest_px=how.get("rest_px", 2.5))
    return budget_of(night, night.groups[0], moved_parts(covariance, **how))  # type: ignore[arg-type]


def test_gaussian_terms_share_as_their_squares_do() -> None:
    # BUD-01 and BUD-02 of the table: air 2.5, optics 1.5, pixel 1.5, jitter of 1 rms on each axis, in quadrature
    pixel = replace(RIG, focal_length_mm=RIG.focal_length_mm / 1.5, aperture_mm=None)  # type: ignore[operator]
    rest2 = (2.5**2 + 1.5**2) / 1.5**2
    made = budget(np.array([1.0, 1.0, 0.0]) / 1.5**2, pixel, rest_px=sqrt(rest2), soft=1.5**2 / 1.5**2 / rest2)
    # but that the star before the pixel is taken for one of turbulent air, whose wings count
    assert made.recorded_now == pytest.approx(reference("BUD-01").value, rel=0.01)
    assert made.term("tracking").share == pytest.approx(reference("BUD-02").value, rel=0.03)
    assert made.term("focus and optics").fwhm_arcsec == pytest.approx(1.5, rel=1e-3)
    assert sum(term.share or 0.0 for term in made.terms) == pytest.approx(1)


def test_motion_along_an_axis_is_taken_out() -> None:  # closed form, one arcsecond a pixel
    made = budget(ALONG)
    assert made.fwhm_now == pytest.approx(sqrt(2.5 * hypot(2.5, sqrt(FWHM2))), rel=1e-3)
    assert made.fwhm_at_rest.value == pytest.approx(2.5, rel=3e-3)
    assert made.tracking_rms.value == pytest.approx(sqrt(0.5), rel=5e-3)  # mean of both axes' variances


def test_terms_add_in_quadrature_to_the_recorded_star() -> None:
    made = budget(ALONG, soft=0.3)
    assert sum(term.share or 0.0 for term in made.terms) == pytest.approx(1)
    total = sqrt(sum((term.fwhm_arcsec or 0.0) ** 2 for term in made.terms))
    assert total == pytest.approx(made.recorded_now)
    for term in made.terms:
        assert term.low is not None
        assert term.fwhm_arcsec is not None
        assert term.high is not None
        assert term.low <= term.fwhm_arcsec <= term.high


def test_the_gain_is_what_the_share_of_the_motion_says() -> None:
    made = budget(ALONG)
    share = made.term("tracking").share
    assert share is not None
    assert made.gain.value == pytest.approx(1 - sqrt(1 - share), abs=2e-3)  # closed form, but for the pixel's share


def test_without_a_pixel_scale_shares_are_still_told() -> None:
    made, scaled = budget(ALONG, Rig()), budget(ALONG)
    assert made.unit == "px"
    assert all(term.fwhm_arcsec is None for term in made.terms)
    assert sum(term.share or 0.0 for term in made.terms) == pytest.approx(1)
    assert made.term("tracking").share == pytest.approx(scaled.term("tracking").share)


def test_an_obstruction_sharpens_the_core_of_the_diffraction() -> None:
    clear, ring = (
        budget(STILL, replace(RIG, central_obstruction=part)).term("diffraction").fwhm_arcsec for part in (0.0, 0.33)
    )
    assert ring is not None
    assert clear is not None
    assert ring / clear == pytest.approx(reference("PSF-16b").value / reference("PSF-14").value, rel=1e-3)


def test_a_still_mount_has_no_share() -> None:
    made = budget(STILL)
    assert made.term("tracking").share == pytest.approx(0)
    assert made.tracking_rms.high < 0.05
    assert made.gain.high < 0.01


def test_what_only_some_draws_hold_is_in_the_bounds() -> None:
    jitter = random_motion(np.random.default_rng(3), 40, 0.8, 30)
    made = budget(jitter, seen=0.3)
    assert made.gain.low < 0.1
    assert made.gain.high > 0.17  # closed form with the pixel: 0.19, less what a mean of few places takes off
    assert made.tracking_rms.low < 0.5 < 0.7 < made.tracking_rms.high


def test_a_missed_focus_takes_its_share_from_the_air() -> None:
    sharp, soft = budget(STILL), budget(STILL, soft=0.36)
    assert soft.term("focus and optics").share == pytest.approx(0.34, abs=0.02)
    assert soft.term("atmosphere").share < sharp.term("atmosphere").share  # type: ignore[operator]
    assert sharp.term("focus and optics").share == pytest.approx(0)


def test_no_air_makes_stars_as_wide_as_a_wide_lens_shows_them() -> None:
    wide = replace(RIG, focal_length_mm=775.43 / 46, aperture_mm=None)  # 46 arcsec a pixel
    made, usual = budget(ALONG, wide), budget(ALONG)
    air = made.term("atmosphere")
    assert air.fwhm_arcsec == pytest.approx(10.0, rel=1e-3)  # as the module says of the worst air
    of_lens = made.term("focus and optics").share
    assert of_lens == pytest.approx(usual.term("atmosphere").share - air.share, abs=2e-3)  # type: ignore[operator]
    assert sum(term.share or 0.0 for term in made.terms) == pytest.approx(1)


def test_the_needed_rms_of_turbulent_air_is_less_than_that_of_a_gaussian() -> None:
    # BUD-04 of the table: a fifth of the FWHM of a Gaussian star; the wings of the air make it less
    assert needed_rms(2.0) == pytest.approx(2 * jitter_for_growth(Blurs(seeing_arcsec=1.0), 1.1), rel=0.01)
    assert 0.8 * reference("BUD-04").value < needed_rms(1.0) < reference("BUD-04").value
    assert needed_rms(2.0, 1.0) > needed_rms(2.0)  # the pixel hides a part of it
