"""Stars narrower than a pixel, on the green pixels of a mosaic, are not lines: a line runs away from them."""

from dataclasses import replace

import numpy as np
from scipy.special import erf

from framecheck.stars.ellipse_or_trail import _way_to_trail
from framecheck.stars.fit import LARGEST_STEP, NARROWEST_PX, fit_common_wing
from framecheck.stars.profile import E1, FLUX, LN_W, X, Y, pixel_rule, square_grid
from framecheck.stars.stamps import Stamps
from framecheck.stars.trails import evaluate_trail

HALF = 5
NOISE_ADU = 6.0


def sharp_stars(sigma_px: float, snr: float, n: int = 80) -> tuple[Stamps, np.ndarray]:
    """Gaussians integrated over pixels (closed form), of which every second is seen; and where their fits begin."""
    rng = np.random.default_rng(3)
    place, flux = rng.uniform(-0.5, 0.5, (n, 2)), snr * NOISE_ADU * 10 ** rng.uniform(0, 1.2, n)
    edges = np.arange(-HALF, HALF + 2) - 0.5
    x, y = (np.diff(erf((edges - at[:, None]) / sigma_px / np.sqrt(2)) / 2, axis=1) for at in place.T)
    light = (flux[:, None, None] * y[:, :, None] * x[:, None, :]).reshape(n, -1)
    values = (light + rng.normal(0, np.sqrt(NOISE_ADU**2 + light))).astype(np.float32)
    green = np.indices((2 * HALF + 1, 2 * HALF + 1)).sum(axis=0).ravel() % 2
    usable = np.where(rng.random(n)[:, None] < 0.5, green, 1 - green).astype(np.float32)
    noise, zeros = np.full(n, NOISE_ADU, np.float32), np.zeros(n, np.intp)
    start = np.zeros((n, 7))
    start[:, X], start[:, Y] = (place + rng.normal(0, 0.2, (n, 2))).T
    start[:, LN_W], start[:, FLUX] = np.log(1.2), flux
    return Stamps(values * usable, usable, noise, zeros, zeros, HALF, square_grid(HALF)), start


def test_a_line_that_runs_away_is_left_where_it_was_lost() -> None:
    stamps, start = sharp_stars(0.25, 300.0)
    start[:, LN_W], start[:, E1] = np.log(0.4), 2.0
    fit = fit_common_wing(stamps, start, pixel_rule(1.7), 1.0, profile=evaluate_trail, steps=12)
    assert (fit.p[:, LN_W] > np.log(NARROWEST_PX) - LARGEST_STEP).all()
    assert np.isfinite(fit.p).all()


def test_few_stars_that_a_line_fits_say_nothing_of_the_others() -> None:
    stamps, start = sharp_stars(0.4, 300.0)
    rule = pixel_rule(1.7)
    ellipse = fit_common_wing(stamps, start, rule, 1.0)
    better = replace(ellipse, chi2=ellipse.chi2 / 2, p=ellipse.p * 1.01)
    models = ellipse.models(stamps.grid, rule), better.models(stamps.grid, rule)
    few = replace(better, converged=ellipse.converged & (np.arange(len(start)) < len(start) // 4))
    assert _way_to_trail(ellipse, better, models, stamps, 1.0) > 0.5
    assert _way_to_trail(ellipse, few, models, stamps, 1.0) == 0.0
