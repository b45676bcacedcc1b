"""The short ways to a fit's normal equations end where the long way does; matrices are inverted as numpy does."""

import numpy as np
import pytest

from framecheck.stars.fit import StarFits, _swept, fit_stars
from framecheck.stars.profile import FLUX, LN_W, PixelRule, StampGrid, evaluate, pixel_rule, square_grid
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


def by_differences(
    p: np.ndarray, wing: float, grid: StampGrid, rule: PixelRule, *, wing_slope: bool = False
) -> tuple[np.ndarray, np.ndarray]:
    """The same profile on finer squares, and its derivatives as differences of two such profiles."""
    assert not wing_slope
    finer = PixelRule(3 * rule.parts)
    steps = np.broadcast_to([2e-3] * 5 + [0, 1.0], p.shape) + 0.01 * p * (np.arange(7) == FLUX)
    jacobian = []
    for k in range(7):
        step = steps * (np.arange(7) == k)
        above, below = (evaluate(p + sign * step, wing, grid, finer)[0].astype(float) for sign in (1, -1))
        jacobian.append((above - below) / (2 * steps[:, k, None]))
    return evaluate(p, wing, grid, finer)[0], np.stack(jacobian, axis=1).astype(np.float32)


WIDTHS = [(1.3, 0.3), (1.6, 0.1), (1.95, 0.3), (2.3, 0.1), (2.8, 0.3), (3.3, 0.1), (3.3, 0.3), (6.0, 0.4), (12.0, 0.3)]


@pytest.mark.parametrize("gain", [None, 1.0])
@pytest.mark.parametrize(("fwhm_px", "wing"), WIDTHS)
def test_short_ways_end_at_the_same_stars_as_the_long_one(fwhm_px: float, wing: float, gain: float | None) -> None:
    stamps, truth = stars_of(fwhm_px, wing, 50.0, n=150)
    rule = pixel_rule(fwhm_px)
    short, long = (
        fit_stars(stamps, truth, wing, rule, gain, profile=profile) for profile in (evaluate, by_differences)
    )
    errors = [np.sqrt(np.diagonal(fit.covariance, axis1=1, axis2=2)) for fit in (short, long)]
    apart = (short.p - long.p) / errors[1]
    assert short.converged.all()
    assert np.sqrt(np.mean(apart**2)) < 0.09
    # 9 % of the narrowest stars' widths, as the module says of its choice; else 4 %
    assert np.median(errors[0] / errors[1], axis=0) == pytest.approx(1, abs=0.09)


def test_errors_are_those_of_the_scatter_about_the_truth() -> None:
    stamps, truth = stars_of(3.3, 0.3, 60.0, n=2000)
    fit: StarFits = fit_stars(stamps, truth, 0.3, pixel_rule(3.3), None)
    pulls = (fit.p - truth) / np.sqrt(np.diagonal(fit.covariance, axis1=1, axis2=2))
    assert pulls[:, :6].std(axis=0) == pytest.approx(1, abs=0.06)  # 2000 stars tell it to 1.6 %
    assert np.abs(pulls[:, :6].mean(axis=0)).max() < 0.1


def test_squares_of_pixels_tell_of_wide_stars_what_pixels_do() -> None:
    stamps, truth = stars_of(15.0, 0.3, 60.0, n=150)
    every = fit_stars(stamps, truth, 0.3, pixel_rule(15.0), 1.0)
    some = fit_stars(stamps.in_squares(2), truth, 0.3, pixel_rule(15.0, 2), 1.0)
    errors = [np.sqrt(np.diagonal(fit.covariance, axis1=1, axis2=2)) for fit in (some, every)]
    assert np.median(errors[0] / errors[1], axis=0) == pytest.approx(1, abs=0.03)
    assert np.sqrt(np.mean(((some.p - every.p) / errors[1]) ** 2)) < 0.2
    assert np.median(some.chi2) == pytest.approx(1, abs=0.03)


@pytest.mark.parametrize("fwhm_px", [1.6, 3.3])
def test_fits_end_where_longer_ones_do(fwhm_px: float) -> None:
    stamps, truth = stars_of(fwhm_px, 0.3, 60.0)
    start = truth * (1, 1, 1.1, 0.5, 0.5, 0.8, 1) + (0.2, -0.2, 0, 0, 0, 0, 0)
    soon, late = (fit_stars(stamps, start, 0.3, pixel_rule(fwhm_px), None, last_step=most) for most in (0.5, 1e-3))
    apart = (soon.p - late.p) / np.sqrt(np.diagonal(late.covariance, axis1=1, axis2=2))
    assert np.abs(apart).max() < 0.3
    assert np.abs(apart.mean(axis=0)).max() < 0.3 / np.sqrt(len(truth))  # of what a frame's mean star is known to


def test_matrices_are_inverted_as_numpy_does() -> None:
    a = np.random.default_rng(2).standard_normal((50, 7, 9))
    positive = a @ a.transpose(0, 2, 1)
    np.testing.assert_allclose(_swept(positive), np.linalg.inv(positive), rtol=1e-6, atol=1e-9)
