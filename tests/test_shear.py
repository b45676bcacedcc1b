"""Elongation: sizes and shapes of moved and sheared stars, against GalSim and closed forms."""

import galsim
import numpy as np
import pytest

from framecheck import shear


@pytest.mark.parametrize(("ratio", "pa_deg"), [(1.05, 10.0), (1.5, 100.0), (4.0, 170.0)])
def test_moments_and_axes_of_a_sheared_gaussian(ratio: float, pa_deg: float) -> None:
    # GalSim's conformal shear eta: a / b = exp(eta); second moments of a Gaussian follow from its Jacobian
    e = np.log(ratio) * np.exp(2j * np.radians(pa_deg))
    assert abs(complex(e) - complex(*_eta(galsim.Shear(q=1 / ratio, beta=pa_deg * galsim.degrees)))) < 1e-12
    jacobian = galsim.Shear(eta1=e.real, eta2=e.imag).getMatrix()
    (xx, xy), (_, yy) = jacobian @ jacobian.T  # of a star with fwhm 1, in its units: spin2 = fwhm² sinh|e|
    assert complex(shear.share_of(e)) == pytest.approx(complex((xx - yy) / 2, xy))
    assert np.cosh(abs(e)) == pytest.approx((xx + yy) / 2)
    long, short = shear.half_maximum_axes(3.0, abs(e))
    assert (long * short, long / short) == pytest.approx((9.0, ratio))
    assert shear.pa_deg(e) == pytest.approx(pa_deg)


def _eta(one: galsim.Shear) -> tuple[float, float]:
    return one.eta1, one.eta2


def test_there_and_back() -> None:
    rng = np.random.default_rng(1)
    e = rng.normal(0, 1, 50) + 1j * rng.normal(0, 1, 50)
    e[:2] = 0, 1e-12
    np.testing.assert_allclose(shear.e_of(shear.share_of(e)), e, rtol=1e-12)


def test_a_smear_costs_the_width_that_it_adds() -> None:
    # closed form: a motion along one axis leaves b; of the area a b the star without it has b²
    long, short = 4.0, 3.0
    share = abs(shear.share_of(np.log(long / short)))
    assert shear.cost_of(share) == pytest.approx(1 - short**2 / (long * short))
    assert shear.ratio_of(share) == pytest.approx(long / short)
    assert (shear.cost_of(-0.1), shear.ratio_of(-0.1)) == (0, 1)


def test_turning_a_frame_turns_its_shapes() -> None:
    e = 0.3 * shear.turning(20.0)
    assert shear.pa_deg(e * shear.turning(90.0)) == pytest.approx(110.0)
    assert shear.pa_deg(e * shear.turning(170.0)) == pytest.approx(10.0)


def test_noise_is_taken_off_squares() -> None:
    rng = np.random.default_rng(2)
    n, e, error, relative = 200_000, 0.4, 0.1, 0.05
    seen = e + error * (rng.standard_normal(n) + 1j * rng.standard_normal(n))
    width = 3 * (1 + relative * rng.standard_normal(n))
    spin0, spin2, spin0_error, spin2_error = shear.squares(width, np.full(n, relative), seen, np.full(n, error))
    assert spin0.mean() == pytest.approx(9 * np.cosh(e), rel=2e-3)
    # errors to first order; the spread of what was drawn is the truth
    assert spin0.std() / 9 == pytest.approx(np.median(spin0_error), rel=0.1)
    assert spin2.imag.std() / 9 == pytest.approx(np.median(spin2_error), rel=0.1)


def test_directions_that_agree() -> None:
    rng = np.random.default_rng(3)
    expected = rng.normal(size=400) + 1j * rng.normal(size=400)
    assert shear.seen_of(0.7 * expected, expected) == pytest.approx(0.7)
    assert shear.correlation(0.7 * expected, expected) == pytest.approx(1.0)
    assert shear.coherence(1j * expected, expected) == pytest.approx(0.0, abs=1e-12)
    assert shear.seen_of(expected, np.zeros(400, complex)) == 0.0
    noise = rng.normal(size=400) + 1j * rng.normal(size=400)
    assert abs(shear.correlation(noise, expected)) < 4 / np.sqrt(2 * 400)
