"""The width of a star behind several blurs, against renderings and closed forms in the table of reference values."""

from math import hypot, sqrt

import galsim
import pytest
from reference import reference

from framecheck.decision.star_width import Blurs, disc_for_growth, jitter_for_growth, star_fwhm_arcsec

GAUSSIAN = 2.354820045
STILL = 1e-3  # seeing that does not count


def sigma(fwhm: float) -> float:
    return fwhm / GAUSSIAN


def test_the_air_alone_makes_the_seeing() -> None:
    assert star_fwhm_arcsec(Blurs(seeing_arcsec=2.0)) == pytest.approx(2.0, rel=1e-4)  # definition


@pytest.mark.parametrize(("row", "jitter"), [("PSF-31", 2.0), ("PSF-31b", 1.0)])
def test_air_and_shake_do_not_add_in_quadrature(row: str, jitter: float) -> None:
    width = star_fwhm_arcsec(Blurs(seeing_arcsec=2.0, jitter_rms_arcsec=sigma(jitter)))
    assert width == reference(row).approx
    assert width > hypot(2.0, jitter)


def test_air_and_aperture() -> None:
    assert star_fwhm_arcsec(Blurs(seeing_arcsec=2.0, aperture_mm=80.0)) == reference("PSF-32").approx


def test_the_aperture_alone() -> None:
    assert star_fwhm_arcsec(Blurs(seeing_arcsec=STILL, aperture_mm=100.0)) == reference("PSF-21").approx


@pytest.mark.parametrize(("row", "fwhm"), [("SAM-07a", 2.0), ("SAM-07b", 3.0)])
def test_a_pixel_widens_a_gaussian_star(row: str, fwhm: float) -> None:
    width = star_fwhm_arcsec(Blurs(seeing_arcsec=STILL, jitter_rms_arcsec=sigma(fwhm), pixel_arcsec=1.0))
    assert width == reference(row).approx


def test_all_blurs_at_once_as_galsim_convolves_them() -> None:
    # GalSim 2.8: convolution in Fourier space, width of the star averaged over directions
    blurs = Blurs(seeing_arcsec=2.2, aperture_mm=150.0, jitter_rms_arcsec=0.5, disc_arcsec=1.8, pixel_arcsec=1.0)
    star = galsim.Convolve(
        galsim.Kolmogorov(fwhm=2.2),
        galsim.Airy(lam=550, diam=0.15),
        galsim.Gaussian(sigma=0.5),
        galsim.TopHat(radius=0.9),
        galsim.Pixel(1.0),
    )
    assert star_fwhm_arcsec(blurs) == pytest.approx(star.calculateFWHM(scale=0.02), rel=5e-3)


def test_a_star_far_smaller_than_its_pixel_is_as_wide_as_the_pixel() -> None:
    # closed form: a square's half maximum lies at its edge, half a pixel from the centre, up to half a diagonal away
    width = star_fwhm_arcsec(Blurs(seeing_arcsec=0.1, pixel_arcsec=100.0))
    assert 100.0 < width < 100.0 * sqrt(2)


@pytest.mark.parametrize(("row", "rest"), [("OPT-09a", {"seeing": 3.0}), ("OPT-09b", {"gaussian": 3.0})])
def test_focus_error_that_widens_a_star_by_15_percent(row: str, rest: dict[str, float]) -> None:
    blurs = Blurs(seeing_arcsec=rest.get("seeing", STILL), jitter_rms_arcsec=sigma(rest.get("gaussian", 0.0)))
    disc_um = disc_for_growth(blurs, 1.15) / 206264.806 * 530e3
    assert 2 * disc_um * 5.0 == reference(row).approx  # both sides of the focus, f/5


def test_tracking_that_costs_ten_percent() -> None:
    gaussian = Blurs(seeing_arcsec=STILL, jitter_rms_arcsec=sigma(1.0))
    assert jitter_for_growth(gaussian, 1.1) == reference("BUD-04").approx
    air = jitter_for_growth(Blurs(seeing_arcsec=1.0), 1.1)
    assert 0.85 * reference("BUD-04").value < air < reference("BUD-04").value  # its wings make it less forgiving


@pytest.mark.parametrize(
    "wrong", [{"seeing_arcsec": 0.0}, {"seeing_arcsec": float("nan")}, {"pixel_arcsec": -1.0}, {"aperture_mm": 0.0}]
)
def test_impossible_blurs_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"above 0|negative"):
        star_fwhm_arcsec(Blurs(**({"seeing_arcsec": 2.0} | wrong)))
    with pytest.raises(ValueError, match="growth"):
        jitter_for_growth(Blurs(seeing_arcsec=2.0), 1.0)
