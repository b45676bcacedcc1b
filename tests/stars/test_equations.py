"""The short way to a fit's normal equations ends where the long way does; matrices are inverted as numpy does."""

from typing import Any

import numpy as np
import pytest

from framecheck.stars.fit import Fit, _swept, fit_stars
from framecheck.stars.profile import FLUX, LN_W, evaluate, pixel_rule, square_grid
from framecheck.stars.stamps import Stamps

NOISE_ADU = 20.0


def stars_of(fwhm_px: float, wing: float, snr: float, n: int = 300) -> tuple[Stamps, np.ndarray]:
    """Stamps of stars of a Moffat profile with the sky's noise, and the stars' parameters."""
    rng = np.random.default_rng(5)
    truth = np.zeros((n, 7))
    truth[:, :2] = rng.uniform(-0.5, 0.5, (n, 2))
    truth[:, LN_W] = np.log(fwhm_px) + rng.normal(0, 0.03, n)
    truth[:, 3:5] = rng.normal(0.05, 0.05, (n, 2))
    truth[:, FLUX] = snr * NOISE_ADU * 1.95 * fwhm_px  # a matched filter's area is 3.8 squared FWHM at beta 3
    half = int(np.ceil(1.9 * fwhm_px))
    grid = square_grid(half)
    light = evaluate(truth, wing, grid, pixel_rule(fwhm_px))[0]
    values = light + rng.normal(0, NOISE_ADU, light.shape).astype(np.float32)
    noise, zeros = np.full(n, NOISE_ADU, np.float32), np.zeros(n, np.intp)
    return Stamps(values, np.ones_like(values), noise, zeros, zeros, half, grid), truth


def by_products_of_derivatives(*arguments: Any, **options: Any) -> Any:
    """The same profile, but not by that name: its derivatives are taken pixel by pixel."""
    return evaluate(*arguments, **options)


@pytest.mark.parametrize("gain", [None, 1.0])
@pytest.mark.parametrize(("fwhm_px", "wing"), [(2.8, 0.3), (3.3, 0.1), (3.3, 0.3), (6.0, 0.4), (12.0, 0.3)])
def test_both_ways_to_the_equations_end_at_the_same_stars(fwhm_px: float, wing: float, gain: float | None) -> None:
    stamps, truth = stars_of(fwhm_px, wing, 50.0)
    rule = pixel_rule(fwhm_px)
    short, long = (
        fit_stars(stamps, truth, wing, rule, gain, profile=profile)
        for profile in (evaluate, by_products_of_derivatives)
    )
    errors = [np.sqrt(np.diagonal(fit.covariance, axis1=1, axis2=2)) for fit in (short, long)]
    apart = (short.p - long.p) / errors[1]
    assert short.converged.all()
    assert np.sqrt(np.mean(apart**2)) < 0.05
    # 4 % of the narrowest stars' widths, as the module says of its choice; else 2 %
    assert np.median(errors[0] / errors[1], axis=0) == pytest.approx(1, abs=0.045)


def test_errors_are_those_of_the_scatter_about_the_truth() -> None:
    stamps, truth = stars_of(3.3, 0.3, 60.0, n=2000)
    fit: Fit = fit_stars(stamps, truth, 0.3, pixel_rule(3.3), None)
    pulls = (fit.p - truth) / np.sqrt(np.diagonal(fit.covariance, axis1=1, axis2=2))
    assert pulls[:, :6].std(axis=0) == pytest.approx(1, abs=0.06)  # 2000 stars tell it to 1.6 %
    assert np.abs(pulls[:, :6].mean(axis=0)).max() < 0.1


def test_matrices_are_inverted_as_numpy_does() -> None:
    a = np.random.default_rng(2).standard_normal((50, 7, 9))
    positive = a @ a.transpose(0, 2, 1)
    np.testing.assert_allclose(_swept(positive), np.linalg.inv(positive), rtol=1e-6, atol=1e-9)
