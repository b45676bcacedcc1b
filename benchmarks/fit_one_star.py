"""Time the fit of one star beside scipy's `least_squares` with an analytic Jacobian, on the same stamps.

    python benchmarks/fit_one_star.py

Both fit position, width, two parts of the shear, flux and sky of an elliptical Moffat star of known wings to stamps
of 15 x 15 pixels at 3.2 px FWHM; framecheck a thousand at once, as it does, scipy ("lm", of MINPACK) one by one.
They take turns; the ratio is of the least processor times a star, and the results must agree.
"""

import os
import sys
import time
from collections.abc import Callable

import numpy as np
from scipy.optimize import least_squares

from framecheck.stars.equations import SKY_PRIOR_SIGMA
from framecheck.stars.fit import fit_stars
from framecheck.stars.profile import FLUX, LN_W, SKY, evaluate, pixel_rule, square_grid
from framecheck.stars.stamps import Stamps

ONE_THREAD = {f"{library}_NUM_THREADS": "1" for library in ("OMP", "OPENBLAS", "MKL")}
BAR = 30
STARS, BY_SCIPY, ROUNDS = 1000, 60, 7
FWHM_PX, HALF_PX, WING, NOISE_ADU, SNR = 3.2, 7, 0.3, 20.0, 60.0


def draw() -> tuple[Stamps, np.ndarray, np.ndarray]:
    """Stamps, their true parameters, and first guesses."""
    rng = np.random.default_rng(1)
    truth = np.zeros((STARS, 7))
    truth[:, :2] = rng.uniform(-0.5, 0.5, (STARS, 2))
    truth[:, LN_W] = np.log(FWHM_PX) + rng.normal(0, 0.03, STARS)
    truth[:, 3:5] = rng.normal(0.05, 0.03, (STARS, 2))
    truth[:, FLUX] = SNR * NOISE_ADU * 1.95 * FWHM_PX  # 3.8 squared FWHM are a matched filter's area
    grid = square_grid(HALF_PX)
    light = evaluate(truth, WING, grid, pixel_rule(FWHM_PX))[0]
    values = light + rng.normal(0, NOISE_ADU, light.shape).astype(np.float32)
    zeros = np.zeros(STARS, np.intp)
    noise = np.full(STARS, NOISE_ADU, np.float32)
    guess = truth + rng.normal(0, 0.1, truth.shape) * [1, 1, 0.5, 0.3, 0.3, 0, 0]
    guess[:, FLUX] *= 1.1
    return Stamps(values, np.ones_like(values), noise, zeros, zeros, HALF_PX, grid), truth, guess


class OneStar:
    """An elliptical Moffat star averaged over pixels to second order, with its derivatives; written for one star."""

    def __init__(self) -> None:
        reach = np.arange(-HALF_PX, HALF_PX + 1.0)
        self.x, self.y = (grid.ravel() for grid in np.meshgrid(reach, reach))
        self.c = 2**WING - 1
        self.volume = self.c * (1 - WING) / WING

    def __call__(self, p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Model, and derivatives as those of the unaveraged profile."""
        x, y, ln_w, e1, e2, flux, sky = p
        e, beta, scale = np.hypot(e1, e2) + 1e-12, 1 / WING, 4 * np.exp(-2 * ln_w)
        ch, sh = np.cosh(e), np.sinh(e) / e
        a, b, d = scale * (ch - sh * e1), -scale * sh * e2, scale * (ch + sh * e1)
        dx, dy = self.x - x, self.y - y
        vx, vy = a * dx + b * dy, b * dx + d * dy
        v = dx * vx + dy * vy
        t = 1 + self.c * v
        f = flux * self.volume * scale / np.pi * t**-beta
        by_v = -beta * self.c * f / t
        light = f + (-4 * (beta + 1) * self.c / t * (vx**2 + vy**2) + 2 * (a + d)) * by_v / 24
        slope = (ch - sh) / e**2
        along, mixed, square = scale * (dx**2 - dy**2), scale * 2 * dx * dy, scale * (dx**2 + dy**2)
        common = sh * square - slope * (e1 * along + e2 * mixed)
        by_e1, by_e2 = by_v * (common * e1 - sh * along), by_v * (common * e2 - sh * mixed)
        slopes = [-2 * by_v * vx, -2 * by_v * vy, -2 * (by_v * v + f), by_e1, by_e2, light / flux, np.ones_like(f)]
        return light + sky, np.stack(slopes, axis=1)


def by_scipy(stamps: Stamps, guess: np.ndarray) -> np.ndarray:
    """The same fit, one star after the other."""
    star, prior = OneStar(), 1 / (SKY_PRIOR_SIGMA * NOISE_ADU)
    row = np.eye(7)[[SKY]] * prior

    def residuals(p: np.ndarray, values: np.ndarray) -> np.ndarray:
        return np.append((star(p)[0] - values) / NOISE_ADU, p[SKY] * prior)

    def jacobian(p: np.ndarray, values: np.ndarray) -> np.ndarray:
        return np.concatenate([star(p)[1] / NOISE_ADU, row])

    fits = zip(guess[:BY_SCIPY], stamps.values[:BY_SCIPY].astype(float), strict=True)
    return np.array([least_squares(residuals, g, jacobian, method="lm", args=(v,)).x for g, v in fits])


def seconds_a_star(work: Callable[[], object], stars: int) -> float:
    start = time.process_time()
    work()
    return (time.process_time() - start) / stars


def main() -> None:
    stamps, truth, guess = draw()
    rule = pixel_rule(FWHM_PX)
    ours = fit_stars(stamps, guess, WING, rule, None)
    error = np.sqrt(np.diagonal(ours.covariance, axis1=1, axis2=2))
    apart = np.abs(ours.p[:BY_SCIPY] - by_scipy(stamps, guess)) / error[:BY_SCIPY]
    pulls = (ours.p - truth) / error
    fast, slow = [], []
    for _ in range(ROUNDS):
        fast.append(seconds_a_star(lambda: fit_stars(stamps, guess, WING, rule, None), STARS))
        slow.append(seconds_a_star(lambda: by_scipy(stamps, guess), BY_SCIPY))
    times = min(slow) / min(fast)
    print(f"framecheck {1e6 * min(fast):.1f} microseconds a star, scipy {1e6 * min(slow):.0f}: {times:.0f} times")
    print(f"bar {BAR}: {'met' if times >= BAR else 'MISSED'}")
    print(f"results apart by at most {apart.max():.2f} standard errors; scatter about the truth {pulls.std():.2f}")


if __name__ == "__main__":
    if ONE_THREAD.items() <= os.environ.items():
        main()
    else:  # it must be set before numpy starts
        os.execve(sys.executable, [sys.executable, *sys.argv], os.environ | ONE_THREAD)
