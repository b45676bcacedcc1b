"""The profile that is fitted to stars, and what is derived from it, against closed forms and GalSim."""

from math import log

import galsim
import numpy as np
import pytest
from reference import reference

from framecheck.stars.measure import half_flux_of_profile
from framecheck.stars.profile import MIN_WING, StampGrid, evaluate, pixel_rule, square_grid, wing_terms
from framecheck.stars.trails import evaluate_trail, half_maximum_widths

BETAS = [("a", 2.5), ("b", 3.0), ("c", 4.765)]
ALMOST_GAUSSIAN = MIN_WING  # beta = 100


def star(fwhm_px: float, *, x: float = 0, y: float = 0, e1: float = 0, e2: float = 0) -> np.ndarray:
    """Parameters of one star of unit flux on no sky."""
    return np.array([[x, y, log(fwhm_px), e1, e2, 1.0, 0.0]])


def image_of(parameters: np.ndarray, beta: float, half: int, narrow_fwhm_px: float) -> np.ndarray:
    values, _ = evaluate(parameters, 1 / beta, square_grid(half), pixel_rule(narrow_fwhm_px))
    return values.reshape(2 * half + 1, 2 * half + 1)


@pytest.mark.parametrize(("letter", "beta"), BETAS)
def test_core_radius(letter: str, beta: float) -> None:
    # Moffat 1969: FWHM = 2 alpha sqrt(2^(1/beta) - 1)
    c, _, _ = wing_terms(1 / beta)
    assert 2 * np.sqrt(c) == reference(f"PSF-07{letter}").approx


@pytest.mark.parametrize(("letter", "beta"), BETAS)
def test_half_flux_radius(letter: str, beta: float) -> None:
    fwhm_px = np.array([1.7, 3.0, 8.0])
    diameter = 2 * half_flux_of_profile(fwhm_px, 1 / beta)
    np.testing.assert_allclose(diameter / fwhm_px, reference(f"PSF-08{letter}").value, rtol=1e-4)


def test_half_flux_radius_without_wings() -> None:
    # A Gaussian holds half of its light within its half-maximum; beta = 100 comes within 0.6 % of that.
    assert 2 * half_flux_of_profile(np.array([3.0]), ALMOST_GAUSSIAN)[0] / 3 == reference("PSF-04").within(rel=6e-3)


@pytest.mark.parametrize("beta", [2.5, 3.0, 4.765])
@pytest.mark.parametrize("fwhm_px", [1.2, 1.6, 2.2, 3.0, 6.0])
@pytest.mark.parametrize(("x", "y"), [(0.0, 0.0), (0.3, -0.45)])
def test_a_round_star_as_galsim_draws_it(beta: float, fwhm_px: float, x: float, y: float) -> None:
    truth = galsim.Moffat(beta=beta, fwhm=fwhm_px).shift(x, y).drawImage(nx=41, ny=41, scale=1, dtype=float).array
    drawn = image_of(star(fwhm_px, x=x, y=y), beta, 20, fwhm_px)
    assert np.abs(drawn - truth).max() < 4e-3 * truth.max()
    assert drawn.sum() == pytest.approx(truth.sum(), rel=2e-3)


@pytest.mark.parametrize("pa_deg", [0, 30, 110])
def test_a_long_star_as_galsim_draws_it(pa_deg: float) -> None:
    # The same conformal shear, ln(a / b), turned counter-clockwise from +x: GalSim Shear docstring.
    shear = galsim.Shear(eta=0.4, beta=pa_deg * galsim.degrees)
    truth = galsim.Moffat(beta=3, fwhm=3.2).shear(shear).drawImage(nx=41, ny=41, scale=1, dtype=float).array
    drawn = image_of(star(3.2, e1=shear.eta1, e2=shear.eta2), 3.0, 20, 3.2 * np.exp(-0.2))
    assert np.abs(drawn - truth).max() < 4e-3 * truth.max()


def test_brightest_pixel_of_a_gaussian() -> None:
    drawn = image_of(star(3.0), 1 / ALMOST_GAUSSIAN, 10, 3.0)
    g = ALMOST_GAUSSIAN
    less_than_gaussian = (2**g - 1) * (1 - g) / g / log(2)  # closed form: 0.65 % lower at equal width and flux
    assert drawn.max() / less_than_gaussian == reference("PSF-35").within(rel=3e-3)


def test_long_trail() -> None:
    # Root of a difference of error functions, for a Gaussian.
    along, across = half_maximum_widths(np.array([2.5]), ALMOST_GAUSSIAN, np.array([6.0]))
    assert along[0] == reference("TRK-52").approx
    assert across[0] == pytest.approx(2.5, rel=5e-3)  # a line does not widen a Gaussian across it


@pytest.mark.parametrize("length_px", [0.5, 3.0, 12.0])
@pytest.mark.parametrize("beta", [2.5, 4.765])
def test_widths_of_a_trail_as_galsim_draws_it(length_px: float, beta: float) -> None:
    line = galsim.Box(length_px, 1e-3)
    drawn = galsim.Convolve(galsim.Moffat(beta=beta, fwhm=3), line).drawImage(
        nx=961, ny=961, scale=0.03, dtype=float, method="no_pixel"
    )
    row, column = drawn.array[480], drawn.array[:, 480]
    along, across = half_maximum_widths(np.array([3.0]), 1 / beta, np.array([length_px]))
    assert along[0] == pytest.approx(width_of_cut(row) * 0.03, rel=3e-3)
    assert across[0] == pytest.approx(width_of_cut(column) * 0.03, rel=3e-3)


def width_of_cut(values: np.ndarray) -> float:
    """Full width at half of the middle, straight lines between the samples."""
    falling = values[len(values) // 2 :]
    inside = int(np.argmax(falling < falling[0] / 2)) - 1
    return 2 * (inside + (falling[inside] - falling[0] / 2) / (falling[inside] - falling[inside + 1]))


def test_ratio_of_widths_of_a_trailed_moffat_star() -> None:
    # The reference has the pixel in it, which rounds the star: both widths taken with the pixel here.
    parameters = np.array([[0, 0, log(3.0), 3.0, 0.0, 1.0, 0.0]])
    at = np.linspace(-6, 6, 2401, dtype=np.float32)
    zero = np.zeros_like(at)
    along, _ = evaluate_trail(parameters, 1 / 3.0, StampGrid(at, zero), pixel_rule(1.0))
    across, _ = evaluate_trail(parameters, 1 / 3.0, StampGrid(zero, at), pixel_rule(1.0))
    ratio = width_of_cut(along.ravel()) / width_of_cut(across.ravel())
    assert ratio == reference("ORA-12").approx
