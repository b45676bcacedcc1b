"""Stars moved and at rest: sums of Gaussians against quadrature over the plane and the table of reference values."""

from dataclasses import replace
from math import hypot, log, sqrt

import numpy as np
import pytest
from moved_nights import FWHM2, GAUSSIAN, gaussian_shape, moved_night
from reference import reference
from scipy import integrate, optimize

from framecheck.decision.at_rest import (
    at_rest,
    moved_star,
    needed_rms,
    round_motion_between,
    with_round_motion,
    without_round_motion,
)
from framecheck.decision.star_width import Blurs, jitter_for_growth
from framecheck.motion.tracking import track_group

GAUSSIAN_FWHM = 2.354820045


def axis_by_quadrature(beta: float, rms: float) -> float:
    """Width along x of a Moffat star of FWHM 1 behind a Gaussian motion along x, by numerical integration."""
    core = 1 / (2 * sqrt(2 ** (1 / beta) - 1))

    def light(x: float) -> float:
        def moved(u: float) -> float:
            return (1 + ((x - u) / core) ** 2) ** -beta * np.exp(-(u**2) / (2 * rms**2))

        return integrate.quad(moved, -8 * rms, 8 * rms, limit=200)[0]

    half = light(0) / 2
    return 2 * optimize.brentq(lambda x: light(x) - half, 0, 1 + 3 * rms)


@pytest.mark.parametrize("beta", [2.5, 3.0, 4.765])
@pytest.mark.parametrize("rms", [0.2, 0.6, 1.5])
def test_a_moved_moffat_star_is_as_wide_as_quadrature_says(beta: float, rms: float) -> None:
    star = moved_star(beta, "along")
    assert np.interp(rms, star.rms, star.along) == pytest.approx(axis_by_quadrature(beta, rms), rel=2e-3)


def test_wings_and_shake_do_not_add_in_quadrature() -> None:
    star = moved_star(3.0, "round")
    width = 2 * float(np.interp(1 / GAUSSIAN_FWHM, star.rms, star.fwhm))
    assert width == reference("PSF-33").approx
    assert width > 1.05 * hypot(2, 2)


def test_a_long_trail_is_as_wide_as_it_is_long() -> None:
    star = moved_star(GAUSSIAN, "line")
    assert 2.5 * np.interp(6 / 2.5 / sqrt(12), star.rms, star.along) == reference("TRK-52").approx


def test_a_gaussian_star_is_plain_quadrature() -> None:  # closed form
    star = moved_star(GAUSSIAN, "along")
    assert star.along == pytest.approx(np.sqrt(1 + FWHM2 * star.rms**2), rel=1e-5)
    assert star.across == pytest.approx(np.ones_like(star.rms), rel=1e-5)


def test_what_widens_can_be_taken_out_again() -> None:
    for beta in (2.5, 3.5, GAUSSIAN):
        wide = float(with_round_motion(np.array([2.0]), 0.8, beta)[0])
        assert round_motion_between(2.0, wide, beta) == pytest.approx(0.8, rel=0.02)
    assert without_round_motion(hypot(3.0, sqrt(FWHM2 * 0.5)), 0.5, GAUSSIAN) == pytest.approx(3.0, rel=3e-3)


def test_the_needed_rms_of_a_gaussian_star_is_a_fifth_of_its_width() -> None:
    assert needed_rms(1.0, GAUSSIAN) == reference("BUD-04").approx


@pytest.mark.parametrize(("seeing", "pixel"), [(3.0, 1.0), (2.5, 1.5), (2.5, 1.7)])
def test_the_needed_rms_behind_pixels(seeing: float, pixel: float) -> None:
    exact = jitter_for_growth(Blurs(seeing_arcsec=seeing, pixel_arcsec=pixel), 1.1)
    assert needed_rms(seeing, 4.765, pixel) == pytest.approx(exact, rel=0.06)
    gaussian = sqrt(seeing**2 + FWHM2 * pixel**2 / 12)  # closed form: BUD-01 with BUD-04
    assert needed_rms(seeing, GAUSSIAN, pixel) == pytest.approx(reference("BUD-04").value * gaussian, rel=2e-3)


def test_the_needed_rms_in_turbulent_air_as_transfer_functions_have_it() -> None:
    # Moffat 4.765 stands in for Kolmogorov: PSF-19 of the table; an independent route to the same number
    kolmogorov = jitter_for_growth(Blurs(seeing_arcsec=2.0), 1.1)
    assert needed_rms(2.0, 4.765) == pytest.approx(kolmogorov, rel=0.05)
    assert needed_rms(2.0, 3.0) < needed_rms(2.0, 4.765) < needed_rms(2.0, GAUSSIAN)


@pytest.mark.parametrize("variance", [0.05, 0.5, 3.0])
def test_the_star_at_rest_is_found_behind_a_motion_along_an_axis(variance: float) -> None:  # closed form
    turn = np.radians(2 * 35)
    covariance = variance / 2 * np.array([1 + np.cos(turn), 1 - np.cos(turn), np.sin(turn)])
    night = moved_night(covariance, rest_px=2.6, error=1e-4)
    found = at_rest(night, night.tracking["a"])
    assert found is not None
    assert found.rest_px == pytest.approx(np.full(30, 2.6), rel=3e-3)
    assert found.variance_px2 == pytest.approx(np.full(30, variance), rel=0.01)


def test_without_stars_there_is_nothing() -> None:
    night = moved_night(np.zeros(3))
    bare = tuple(replace(frame, result=replace(frame.result, shape=None)) for frame in night.frames)
    blind = replace(night, frames=bare)
    assert at_rest(blind, track_group(night.groups[0], bare, night.motion["a"], night.rig)) is None


def test_the_made_shape_is_what_it_says() -> None:  # closed form: TRK-56 and TRK-57 of the table
    shape = gaussian_shape(2.5, np.array([0.8**2, 0.5**2, 0.0]), GAUSSIAN, 0.004)
    across = sqrt(2.5**2 + FWHM2 * 0.25)
    assert shape.elongation * across == reference("TRK-56").approx
    assert shape.elongation == reference("TRK-57").approx
    assert shape.e1 == pytest.approx(log(shape.elongation))
