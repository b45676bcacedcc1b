"""The same night otherwise: closed forms for Gaussian stars and even or swinging motions."""

from dataclasses import replace
from math import sqrt

import galsim
import numpy as np
import pytest
from moved_nights import FWHM2, RIG, found, lined_shape, moved_night, moved_parts, random_motion
from reference import reference
from scipy import optimize

from framecheck.causes.result import Finding
from framecheck.decision import what_if as module
from framecheck.decision.budget import budget_of
from framecheck.decision.grades import grade_frames
from framecheck.decision.records import WhatIf
from framecheck.decision.what_if import what_if
from framecheck.model.parts import Parts
from framecheck.motion.night import Night
from framecheck.motion.rhythm import Rhythm

REST = 2.5


def cases(night: Night, parts: Parts, *findings: Finding) -> dict[str, WhatIf]:
    group = night.groups[0]
    budget = budget_of(night, group, parts)
    made = what_if(night, "balanced", grade_frames(night), budget, group, {"a": parts}, findings)
    return {one.case: one for one in made}


def moved(covariance: np.ndarray, *, line_px: float | None = None, rest_px: float = REST) -> tuple[Night, Parts]:
    """A night, and its stars taken apart."""
    return moved_night(covariance, line_px=line_px, rest_px=rest_px), moved_parts(
        covariance, line_px=line_px, rest_px=rest_px
    )


def width(variance: float) -> float:
    """Geometric mean of the axes of a Gaussian star moved along one of them. Closed form."""
    return sqrt(REST * sqrt(REST**2 + FWHM2 * variance))


def test_perfect_tracking_leaves_the_star_at_rest() -> None:
    told = cases(*moved(np.array([1.0, 0, 0])))
    assert told["as it was"].fwhm_arcsec == pytest.approx(width(1.0), rel=1e-3)
    assert told["perfect tracking"].fwhm_arcsec == pytest.approx(REST, rel=3e-3)
    # the frames are alike, and nobody exposes longer than the night was: the gain is sharpness alone
    assert told["perfect tracking"].effective_exposure_s == told["as it was"].effective_exposure_s


def test_perfect_tracking_gives_smeared_frames_the_worth_of_the_sharp_ones() -> None:
    smeared = np.where(np.arange(30)[:, None] < 10, np.array([1.0, 0.0, 0.0]), np.zeros(3))
    told = cases(*moved(smeared))
    # the noise under a star grows with its area: BUD-05 of the table for a tenth
    lost = 10 * 120.0 * (1 - (REST / width(1.0)) ** 2)
    now, then = (told[name].effective_exposure_s for name in ("as it was", "perfect tracking"))
    assert now is not None
    assert then is not None
    assert now == pytest.approx(30 * 120 - lost, rel=1e-3)
    assert then == pytest.approx(30 * 120, rel=0.01)


def test_guiding_as_well_as_needed_costs_a_tenth() -> None:
    told = cases(*moved(np.array([3.0, 0, 0])))
    ratio = told["guided as well as needed"].fwhm_arcsec / told["perfect tracking"].fwhm_arcsec  # type: ignore[operator]
    assert ratio == pytest.approx(1.1, abs=0.02)  # with the pixel it is 1.1 by definition
    still = cases(*moved(np.zeros(3)))
    assert still["guided as well as needed"].fwhm_arcsec == pytest.approx(REST, rel=1e-3)  # no worse than it was


def test_half_the_exposure_halves_a_drift() -> None:
    told = cases(*moved(np.zeros(3), line_px=4.0), found("polar-misalignment"))
    assert told["as it was"].fwhm_arcsec == pytest.approx(lined_shape(REST, 4.0, 0.004).fwhm_px, rel=1e-3)
    assert told["perfect tracking"].fwhm_arcsec == pytest.approx(REST, rel=5e-3)
    assert told["half the exposure time"].fwhm_arcsec == pytest.approx(lined_shape(REST, 2.0, 0.004).fwhm_px, rel=0.01)
    assert told["half the exposure time"].n_frames == 60


def test_half_the_exposure_leaves_a_quick_random_motion() -> None:
    told = cases(*moved(random_motion(np.random.default_rng(1), 30, 0.8, 30)), found("guiding-noise"))
    assert told["half the exposure time"].fwhm_arcsec == pytest.approx(told["as it was"].fwhm_arcsec, rel=1e-3)


def test_half_the_exposure_of_a_swing() -> None:
    # TRK-13 of the table: (A²/2) (1 - sinc²(t / P)) inside an exposure of 120 s, period 480 s
    night, parts = moved(np.zeros(3), line_px=4.0)
    rhythm = Rhythm(
        period_s=480.0, period_error_s=5.0, amplitude_px=3.0, amplitude_error_px=0.1, seen_share=0.9,
        false_alarm_probability=1e-6, shortest_period_s=260.0, alias_periods_s=(), possible_periods_s=(480.0,),
    )  # fmt: skip
    night = replace(night, tracking={"a": replace(night.tracking["a"], rhythm=rhythm)})
    whole, half = (0.5 * (1 - np.sinc(t / 480) ** 2) for t in (120, 60))
    assert whole == reference("TRK-13").approx
    told = cases(night, parts, found("periodic-error"))
    assert told["half the exposure time"].fwhm_arcsec == pytest.approx(
        lined_shape(REST, 4 * sqrt(half / whole), 0.004).fwhm_px, rel=0.01
    )


def test_read_noise_is_paid_twice() -> None:
    told = cases(*moved(np.zeros(3)))
    sky, read = 2.0 * 120, 1.5**2  # electrons a pixel; closed form
    ratio = told["half the exposure time"].effective_exposure_s / told["as it was"].effective_exposure_s  # type: ignore[operator]
    assert ratio == pytest.approx((sky + read) / (sky + 2 * read), rel=1e-6)


def test_half_the_focal_length_doubles_the_pixel_on_the_sky() -> None:
    told = cases(*moved(np.zeros(3), rest_px=1.5))
    coarse, now = told["half the focal length"], told["as it was"]
    assert coarse.fwhm_arcsec == pytest.approx(now.fwhm_arcsec)
    # GalSim 2.8: air and aperture that make 1.5 arcsec, over pixels of one and of two
    aperture = galsim.Airy(lam=550, diam=0.2)

    def star(seeing: float, *pixel: galsim.GSObject) -> float:
        return galsim.Convolve(galsim.Kolmogorov(fwhm=seeing), aperture, *pixel).calculateFWHM(scale=0.05)

    seeing = optimize.brentq(lambda size: star(size) - 1.5, 0.8, 1.5, xtol=1e-3)
    assert now.recorded_fwhm_arcsec == pytest.approx(star(seeing, galsim.Pixel(1.0)), rel=0.01)
    assert coarse.recorded_fwhm_arcsec == pytest.approx(star(seeing, galsim.Pixel(2.0)), rel=0.02)


def test_trailed_frames_are_kept_once_the_mount_is_still() -> None:
    spoilt = np.where(np.arange(30)[:, None] < 8, np.array([12.0, 0.0, 0.0]), np.array([0.02, 0.0, 0.0]))
    told = cases(*moved(spoilt))
    assert told["as it was"].kept == 22
    assert told["perfect tracking"].kept == 30
    assert "30 of 30 frames" in told["perfect tracking"].sentence


def test_a_part_of_a_long_night_speaks_for_it(monkeypatch: pytest.MonkeyPatch) -> None:
    spoilt = np.where(np.arange(300)[:, None] % 4 == 0, np.array([12.0, 0.0, 0.0]), np.array([0.02, 0.0, 0.0]))
    whole = cases(*moved(spoilt))
    monkeypatch.setattr(module, "MOST_REGRADED", 80)
    part = cases(*moved(spoilt))
    for case, one in whole.items():
        assert part[case].kept == pytest.approx(one.kept, abs=0.1 * one.n_frames)
        assert part[case].fwhm_arcsec == one.fwhm_arcsec


def test_every_case_has_a_sentence_and_none_is_left_out() -> None:
    told = cases(*moved(np.array([1.0, 0, 0])))
    assert list(told) == [
        "as it was", "perfect tracking", "guided as well as needed", "half the exposure time", "half the focal length",
    ]  # fmt: skip
    assert all(one.sentence.endswith(".") for one in told.values())


def test_without_a_scale_widths_are_unknown_and_counts_are_not() -> None:
    told = cases(moved_night(np.zeros(3), rig=replace(RIG, focal_length_mm=None)), moved_parts(np.zeros(3)))
    assert told["as it was"].fwhm_arcsec is None
    assert told["perfect tracking"].kept == 30


def test_no_stars_no_cases() -> None:
    night = moved_night(np.zeros(3))
    assert what_if(night, "balanced", (), None, night.groups[0], {}, ()) == ()
