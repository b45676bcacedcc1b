"""Rows about star profiles, blur and sampling, worked out afresh."""

from math import erfc, exp, log, pi, sqrt

import galsim
import numpy as np
import pytest
from reference import reference
from scipy import integrate, optimize, special, stats

GAUSSIAN_FWHM = 2 * sqrt(2 * log(2))
BETAS = [("a", 2.5), ("b", 3.0), ("c", 4.765)]


def light_inside(profile, radius: float) -> float:
    """Share of the light of a round profile within a radius."""
    inside = integrate.quad(lambda r: r * profile(r), 0, radius)[0]
    return inside / (inside + integrate.quad(lambda r: r * profile(r), radius, np.inf)[0])


def moffat(beta: float):
    return lambda r: (1 + r * r) ** -beta


def test_gaussian_star() -> None:
    def gaussian(r: float) -> float:
        return exp(-r * r / 2)

    half = optimize.brentq(lambda r: gaussian(r) - 0.5, 0.5, 2)
    assert 2 * half == reference("PSF-01").approx
    assert light_inside(gaussian, 2 * half) == reference("PSF-02").approx
    assert galsim.Gaussian(sigma=1).half_light_radius == reference("PSF-03").approx
    star = galsim.Gaussian(fwhm=1)
    assert 2 * star.half_light_radius / star.fwhm == reference("PSF-04").approx
    mean_radius = integrate.quad(lambda r: r * r * gaussian(r), 0, np.inf)[0]
    assert mean_radius / galsim.Gaussian(sigma=1).half_light_radius == reference("PSF-05").approx


def test_uniform_disc() -> None:
    mean_radius = integrate.quad(lambda r: 2 * r * r, 0, 1)[0]
    assert sqrt(0.5) / mean_radius == reference("PSF-06").approx


@pytest.mark.parametrize(("letter", "beta"), BETAS)
def test_moffat_star(letter: str, beta: float) -> None:
    star = galsim.Moffat(beta=beta, scale_radius=1)
    fwhm = 2 * optimize.brentq(lambda r: moffat(beta)(r) - 0.5, 0.1, 2)
    assert fwhm == reference(f"PSF-07{letter}").approx
    assert 2 * star.half_light_radius / star.fwhm == reference(f"PSF-08{letter}").approx
    assert light_inside(moffat(beta), fwhm) == reference(f"PSF-09{letter}").approx
    light = integrate.quad(lambda r: r * moffat(beta)(r), 0, np.inf)[0]
    radial = integrate.quad(lambda r: r**3 * moffat(beta)(r), 0, np.inf, limit=200)[0]
    assert GAUSSIAN_FWHM * sqrt(radial / light / 2) / fwhm == reference(f"PSF-11{letter}").approx


def test_moffat_like_turbulence() -> None:
    # Of all Moffat profiles of equal FWHM, this one holds half the light within the radius of turbulence.
    turbulent = galsim.Kolmogorov(fwhm=1).half_light_radius
    beta = reference("PSF-10").value
    ratio = galsim.Moffat(beta=beta, fwhm=1).half_light_radius / turbulent
    assert ratio == reference("PSF-19").approx
    assert ratio == pytest.approx(1, abs=2e-3)


def test_airy_pattern() -> None:
    # Everything in lambda / D: the argument of the Bessel functions is pi times that.
    first, second = special.jn_zeros(1, 2)
    assert first / pi == reference("PSF-12").approx
    assert second / pi == reference("PSF-13").approx
    half = optimize.brentq(lambda x: (2 * special.j1(x) / x) ** 2 - 0.5, 1, 2)
    assert 2 * half / pi == reference("PSF-14").approx
    inside = integrate.quad(lambda x: 2 * special.j1(x) ** 2 / x, 0, first)[0]
    assert inside == reference("PSF-15").approx


def test_blurs_of_turbulence_do_not_add_in_squares() -> None:
    blur = galsim.Kolmogorov(fwhm=2)
    assert galsim.Convolve(blur, blur).calculateFWHM() == reference("PSF-30").approx


def test_pixel_scale() -> None:
    arcsec = 180 * 3600 / pi
    assert arcsec * np.arctan(3.76e-3 / 530) == reference("SAM-01").approx
    assert 206.3 / (arcsec / 1000) - 1 == reference("SAM-02").approx
    assert arcsec * np.arctan(7.52e-3 / 530) == reference("SAM-03").approx


@pytest.mark.parametrize(("letter", "fwhm_px"), [("a", 1.0), ("b", 1.5), ("c", 2.0), ("d", 3.0)])
def test_power_beyond_the_nyquist_frequency(letter: str, fwhm_px: float) -> None:
    sigma = fwhm_px / GAUSSIAN_FWHM
    spread = sigma * 2 * pi * sqrt(2)  # power spectrum: a Gaussian in frequency of 1 / spread
    assert 2 * stats.norm.sf(0.5 * spread) == reference(f"SAM-04{letter}").approx
    assert erfc(pi * sigma) == reference(f"SAM-04{letter}").approx


def moment_fwhm_of_pixels(fwhm_px: float, phase: float) -> float:
    """FWHM from the plain second moment of a star that is averaged over pixels."""
    edges = np.arange(-30, 31) - 0.5
    light = np.diff(stats.norm.cdf(edges, loc=phase, scale=fwhm_px / GAUSSIAN_FWHM))
    x = edges[:-1] + 0.5
    return GAUSSIAN_FWHM * sqrt(np.sum(light * (x - np.sum(light * x)) ** 2))


def test_a_pixel_widens_a_star() -> None:
    assert integrate.quad(lambda x: x * x, -0.5, 0.5)[0] == reference("SAM-05").approx
    phases = np.linspace(0, 1, 20, endpoint=False)
    for letter, fwhm_px in (("a", 1.0), ("b", 2.0), ("c", 3.0)):
        mean = np.mean([moment_fwhm_of_pixels(fwhm_px, phase) for phase in phases])
        assert mean == reference(f"SAM-06{letter}").approx


def test_galsim_averages_over_the_pixel() -> None:
    image = galsim.Gaussian(fwhm=3).drawImage(nx=61, ny=61, scale=1).array
    x = np.arange(61) - 30
    assert GAUSSIAN_FWHM * sqrt((image.sum(axis=0) * x**2).sum() / image.sum()) == reference("SAM-06d").approx


@pytest.mark.parametrize(("letter", "fwhm_px"), [("a", 2.0), ("b", 3.0)])
def test_profile_fwhm_after_the_pixel(letter: str, fwhm_px: float) -> None:
    def brightness(x: float) -> float:
        return float(np.diff(stats.norm.cdf([x - 0.5, x + 0.5], scale=fwhm_px / GAUSSIAN_FWHM))[0])

    half = optimize.brentq(lambda x: brightness(x) - brightness(0.0) / 2, 0.1, fwhm_px)
    assert 2 * half == reference(f"SAM-07{letter}").approx
