"""The budget of the star's width: rows of the table of reference values, closed forms, and what nights leave open."""

from dataclasses import replace
from math import hypot, sqrt

import numpy as np
import pytest
from moved_nights import FWHM2, RIG, STILL, found, moved_night, random_motion
from reference import reference

from framecheck.decision.budget import (
    Budget,
    annular_fwhm,
    budget_of,
    build_star,
    effective_aperture_mm,
    worth_of_terms,
)
from framecheck.decision.star_width import Blurs, star_fwhm_arcsec
from framecheck.motion.night import Night
from framecheck.read.rig import Rig

GAUSSIAN_FWHM = 2.354820045
ALONG = np.array([1.0, 0.0, 0.0])


def budget(night: Night, *findings: object) -> Budget:
    made = budget_of(night, night.groups[0], findings)  # type: ignore[arg-type]
    assert made is not None
    return made


def test_gaussian_terms_share_as_their_squares_do() -> None:
    squares = {
        "atmosphere": 2.5**2, "focus and optics": 1.5**2, "pixel": GAUSSIAN_FWHM**2 / 12 * 1.5**2,
        "tracking": GAUSSIAN_FWHM**2, "diffraction": 0.0,
    }  # fmt: skip
    whole = sum(squares.values())
    assert sqrt(whole) == reference("BUD-01").approx
    worth = worth_of_terms(whole, {name: whole - square for name, square in squares.items()}, squares)  # type: ignore[arg-type]
    assert worth["tracking"][0] == reference("BUD-02").approx
    assert all(low == pytest.approx(high) for _, low, high in worth.values())
    assert sum(share for share, _, _ in worth.values()) == pytest.approx(1)


@pytest.mark.parametrize(
    ("row", "obstruction"), [("PSF-14", 0.0), ("PSF-16a", 0.25), ("PSF-16b", 0.33), ("PSF-16c", 0.47)]
)
def test_an_obstruction_sharpens_the_core(row: str, obstruction: float) -> None:
    assert annular_fwhm(obstruction) == reference(row).approx


def test_an_obstructed_aperture_acts_as_a_larger_clear_one() -> None:
    larger = effective_aperture_mm(200.0, 0.33)
    assert larger == pytest.approx(200 * reference("PSF-14").value / reference("PSF-16b").value, rel=1e-3)
    assert effective_aperture_mm(200.0, None) == 200.0
    assert effective_aperture_mm(None, 0.33) is None


def test_the_air_is_found_behind_a_small_aperture() -> None:
    seen = reference("PSF-32").value
    star = build_star(seen, seen, 0.0, 80.0, 1.0)
    assert star.seeing_arcsec == pytest.approx(2.0, rel=0.01)
    assert (star.jitter_rms_arcsec, star.disc_arcsec) == (0.0, 0.0)


@pytest.mark.parametrize(("row", "jitter"), [("PSF-31", 2.0), ("PSF-31b", 1.0)])
def test_the_motion_is_found_beside_the_air(row: str, jitter: float) -> None:
    star = build_star(reference(row).value, 2.0, 0.0, None, 1.0)
    assert star.seeing_arcsec == pytest.approx(2.0, rel=2e-3)
    assert GAUSSIAN_FWHM * star.jitter_rms_arcsec == pytest.approx(jitter, rel=0.01)


def test_a_star_that_its_aperture_explains_leaves_no_air() -> None:
    airy = reference("PSF-21").value
    star = build_star(0.99 * airy, 0.99 * airy, 0.0, 100.0, 0.5)
    assert star.seeing_arcsec < 0.05 * airy


def test_motion_along_an_axis_is_taken_out() -> None:  # closed form, one arcsecond a pixel
    made = budget(moved_night(ALONG, rest_px=2.5), found("shock"))
    assert made.fwhm_now == pytest.approx(sqrt(2.5 * hypot(2.5, sqrt(FWHM2))), rel=1e-3)
    assert made.fwhm_at_rest.value == pytest.approx(2.5, rel=3e-3)
    assert made.tracking_rms.value == pytest.approx(sqrt(0.5), rel=5e-3)  # mean of both axes' variances
    assert made.tracking_rms.low < made.tracking_rms.value < made.tracking_rms.high
    assert made.fwhm_at_rest.low < 2.5 < made.fwhm_at_rest.high


def test_terms_add_in_quadrature_to_the_recorded_star() -> None:
    made = budget(moved_night(ALONG))
    assert sum(term.share or 0.0 for term in made.terms) == pytest.approx(1)
    total = sqrt(sum((term.fwhm_arcsec or 0.0) ** 2 for term in made.terms))
    assert total == pytest.approx(made.recorded_now)
    assert made.recorded_now == pytest.approx(star_fwhm_arcsec(made.star))
    for term in made.terms:
        assert term.low is not None
        assert term.fwhm_arcsec is not None
        assert term.high is not None
        assert term.low <= term.fwhm_arcsec <= term.high


def test_the_share_of_the_mount_is_near_that_of_plain_quadrature() -> None:
    # common practice (BUD-02 of the table) where no term outweighs the others: the wings of the air change it a little
    made = budget(moved_night(np.array([0.5, 0.5, 0.0]) + np.array([0.6, 0, 0]), rest_px=2.5))
    square = FWHM2 * 0.3 / (2.5**2 + FWHM2 * (0.5 + 0.3))  # only what draws the stars out is seen
    assert made.term("tracking").share == pytest.approx(square, rel=0.25)


def test_without_a_pixel_scale_shares_are_still_told() -> None:
    made = budget(moved_night(ALONG, rig=Rig()))
    assert made.unit == "px"
    assert all(term.fwhm_arcsec is None for term in made.terms)
    assert sum(term.share or 0.0 for term in made.terms) == pytest.approx(1)
    assert made.term("diffraction").share == 0
    scaled = budget(moved_night(ALONG, rig=replace(RIG, aperture_mm=None)))
    assert made.term("tracking").share == pytest.approx(scaled.term("tracking").share, rel=1e-3)


def test_a_still_mount_has_no_share() -> None:
    made = budget(moved_night(np.zeros(3)))
    assert made.term("tracking").share == 0
    assert made.tracking_rms.high < 0.05


@pytest.mark.parametrize("memory_s", [2.0, 4.0, 8.0])
def test_random_motion_alike_on_both_axes_is_bounded(memory_s: float) -> None:
    """Round motion leaves no shape; what changes from frame to frame betrays it, to a factor."""
    covered = 0
    for seed in range(10):
        rng = np.random.default_rng(seed)
        night = moved_night(random_motion(rng, 40, 0.8, round(120 / memory_s)))
        rms = budget(night, found("guiding-noise")).tracking_rms
        covered += rms.low <= 0.8 <= rms.high
    assert covered >= 7  # bounds of 68 in 100; chosen


def test_round_motion_is_not_sure_where_nothing_claims_it() -> None:
    night = moved_night(random_motion(np.random.default_rng(3), 40, 0.8, 30))
    plain, claimed = budget(night), budget(night, found("guiding-noise"))
    assert plain.tracking_rms.value == pytest.approx(0.8, rel=0.2)
    assert plain.tracking_rms.low < 0.5 < claimed.tracking_rms.low


def test_a_guiding_record_settles_it() -> None:
    open_, settled = (
        budget(moved_night(random_motion(np.random.default_rng(3), 40, 0.8, 30), guide_rms_arcsec=rms))
        for rms in (None, (0.8, 0.8))
    )
    assert settled.settled
    assert settled.tracking_rms.value == pytest.approx(0.8, rel=0.01)
    assert settled.tracking_rms.high < open_.tracking_rms.high
    assert settled.term("atmosphere").low > open_.term("atmosphere").low  # type: ignore[operator]


def test_what_grows_with_the_air_mass_is_the_air() -> None:
    # FWHM as X^0.6: Fried (1966); a mount's jitter does not know the air mass
    airmass = np.linspace(1.0, 2.2, 60)
    jitter = random_motion(np.random.default_rng(5), 60, 0.5, 30)
    plain = budget(moved_night(jitter, rest_px=2.4, airmass=np.full(60, 1.5)))
    rising = budget(moved_night(jitter, rest_px=2.4 * (airmass / 1.5) ** 0.6, airmass=airmass))
    assert rising.tracking_rms.high <= plain.tracking_rms.high
    assert rising.term("atmosphere").low >= plain.term("atmosphere").low  # type: ignore[operator]


def test_a_missed_focus_takes_its_share_from_the_air() -> None:
    night = moved_night(np.zeros(3))
    sharp, soft = budget(night), budget(night, found("defocus", confidence=0.95, cost=0.36))
    assert soft.term("focus and optics").share == pytest.approx(0.34, abs=0.06)
    assert soft.term("atmosphere").share < sharp.term("atmosphere").share  # type: ignore[operator]
    assert sharp.term("focus and optics").share == pytest.approx(0, abs=1e-6)
    assert sharp.term("focus and optics").high > 0.3  # it cannot be excluded either


def test_a_shape_that_all_frames_share_may_be_the_optics() -> None:
    night = moved_night(ALONG)
    plain, claimed, drifting = (
        budget(night, *findings)
        for findings in ((), (found("miscollimation"),), (found("miscollimation"), found("polar-misalignment")))
    )
    assert plain.tracking_rms.value == pytest.approx(sqrt(0.5), rel=5e-3)
    assert plain.tracking_rms.low < 0.1
    assert claimed.tracking_rms.value < 0.1
    assert drifting.tracking_rms.low > 0.55
    assert drifting.tracking_rms.value == pytest.approx(sqrt(0.5), rel=0.15)  # a line's rms, for the same shape


def test_a_drift_is_measured_as_the_line_that_it_draws() -> None:
    # closed form: the variance of a line is L² / 12 (TRK-08), half of it on either axis
    made = budget(moved_night(np.zeros(3), line_px=3.0), found("polar-misalignment"))
    assert made.tracking_rms.value == pytest.approx(3 / sqrt(24), rel=0.01)
    assert made.fwhm_at_rest.value == pytest.approx(2.5, rel=5e-3)


def test_a_turning_field_is_motion() -> None:
    # closed form: an arc L at the corner has the variance L² / 12 along it, a third of it on average over the field
    turning = replace(STILL, rotation_deg_per_hour=4.0, rotation_error_deg_per_hour=0.05)
    made = budget(moved_night(np.zeros(3), rest_px=4.0, motion=turning))
    arc = np.radians(4.0) * 120 / 3600 * hypot(3000, 2000) / 2
    assert made.tracking_rms.value == pytest.approx(sqrt(arc**2 / 12 / 3 / 2), rel=1e-3)


def test_nothing_to_measure_is_no_budget() -> None:
    night = moved_night(np.zeros(3))
    assert budget_of(night, None, ()) is None
    assert budget_of(replace(night, tracking={}), night.groups[0], ()) is None


def test_blurs_of_the_budget_are_a_star_like_any_other() -> None:
    made = budget(moved_night(ALONG))
    assert isinstance(made.star, Blurs)
    assert made.star.pixel_arcsec == pytest.approx(1.0, rel=1e-3)
