"""Rows about noise, statistics, measures of roundness and the budget of blur, worked out afresh."""

from math import hypot, log, pi, sqrt

import astropy.stats
import galsim
import numpy as np
import pytest
from reference import reference
from scipy import optimize, stats

GAUSSIAN_FWHM = 2 * sqrt(2 * log(2))


def test_signal_to_noise_of_an_aperture() -> None:
    # Many noisy measurements: 50 pixels of a star of 10,000 e on sky 100, dark 5 and read noise 3 e.
    rng = np.random.default_rng(1)
    n = 40_000
    known = 50 * 105
    counts = rng.poisson(10_000 + known, n) + rng.normal(0, 3 * sqrt(50), n)
    assert 10_000 / counts.std() == pytest.approx(reference("NOI-01").value, rel=0.015)
    blank = (rng.poisson(500 * 105, n) + rng.normal(0, 3 * sqrt(500), n)) / 500
    assert 10_000 / (counts - 50 * blank).std() == pytest.approx(reference("NOI-02").value, rel=0.015)


def test_gain_and_sky_noise() -> None:
    rng = np.random.default_rng(2)
    electrons_per_adu = reference("NOI-04").value
    sky_adu = rng.poisson(4000 * electrons_per_adu, 200_000) / electrons_per_adu
    assert sky_adu.std() == pytest.approx(reference("NOI-03").value, rel=0.01)
    assert sky_adu.mean() / sky_adu.var() == pytest.approx(electrons_per_adu, rel=0.02)


def test_levels_of_cameras_that_shift_their_data() -> None:
    for letter, bits in (("a", 12), ("b", 14)):
        assert (np.uint16(2**bits - 1) << np.uint16(16 - bits)) == reference(f"NOI-05{letter}").value


def test_read_noise_in_short_exposures() -> None:
    read_variance, sky_rate = 1.5**2, 0.5

    def excess(seconds: float) -> float:
        return sqrt(1 + read_variance / (sky_rate * seconds)) - 1

    assert optimize.brentq(lambda t: excess(t) - 0.05, 1, 1000) == reference("NOI-06").approx
    assert sky_rate * reference("NOI-07").value == pytest.approx(10 * read_variance)
    assert excess(reference("NOI-07").value) == reference("NOI-08").approx
    assert hypot(1, 1 / 3) - 1 == reference("NOI-09").approx
    assert sqrt(600 + 60 * 9) / sqrt(600 + 9) == reference("NOI-10").approx
    noise = np.random.default_rng(3).standard_normal((4, 100_000))
    assert 1 / noise.mean(axis=0).std() == pytest.approx(reference("NOI-11").value, rel=0.01)


def test_magnitudes() -> None:
    photons = 995.5 * 10 ** (-0.4 * 20.5) * pi * 4**2 * 1000 * 0.6 * 1.4633**2
    assert photons == reference("NOI-12").approx
    assert reference("NOI-13").approx == 10.8e4 * 10 ** (-0.4 * 21.6) * 1000
    assert reference("NOI-14").approx == 10 ** (-0.12)


def test_robust_statistics() -> None:
    assert 1 / stats.norm.ppf(0.75) == reference("NOI-16").approx
    draws = np.random.default_rng(4).standard_normal((20_000, 101))
    assert astropy.stats.mad_std(draws) == pytest.approx(1, rel=2e-3)
    medians, means = np.median(draws, axis=1), draws.mean(axis=1)
    assert medians.std() / means.std() == pytest.approx(reference("NOI-21").value, rel=0.015)


def test_mode_of_a_skewed_sky() -> None:
    def mode(mean: float, median: float, std: float) -> float:
        return 2.5 * median - 1.5 * mean if abs(mean - median) < 0.3 * std else median

    assert mode(110, 105, 20) == reference("NOI-17").approx
    assert mode(110, 105, 10) == reference("NOI-18").approx
    skewed = np.repeat([100.0, 90.0], [60, 40])
    assert mode(float(skewed.mean()), float(np.median(skewed)), float(skewed.std())) == reference("NOI-19").approx


def test_centroid_error_of_photons() -> None:
    photons = np.random.default_rng(5).normal(0, 1.5, (2000, 2000))
    assert photons.mean(axis=1).std() == reference("NOI-22").approx


def test_errors_of_a_fit_limited_by_the_sky() -> None:
    # Fisher matrix of flux, two positions and two log axes of a Gaussian star in even noise.
    sigma, step = 1.5, 1e-4
    y, x = np.mgrid[-15:16, -15:16]

    def star(flux: float, x0: float, y0: float, log_a: float, log_b: float) -> np.ndarray:
        a, b = sigma * np.exp(log_a), sigma * np.exp(log_b)
        return flux / (2 * pi * a * b) * np.exp(-((x - x0) ** 2) / (2 * a * a) - (y - y0) ** 2 / (2 * b * b))

    at = np.array([1.0, 0, 0, 0, 0])
    slopes = [(star(*(at + d)) - star(*(at - d))).ravel() / (2 * step) for d in np.eye(5) * step]
    covariance = np.linalg.inv(np.array(slopes) @ np.array(slopes).T)
    snr = sqrt((star(*at) ** 2).sum())  # matched filter, noise of 1
    fwhm = GAUSSIAN_FWHM * sigma
    assert sqrt(covariance[1, 1]) * snr / fwhm == reference("NOI-23").approx
    mean_width, elongation = np.array([0, 0, 0, 0.5, 0.5]), np.array([0, 0, 0, 1, -1])
    assert sqrt(mean_width @ covariance @ mean_width) * snr == reference("NOI-25").approx
    assert sqrt(elongation @ covariance @ elongation) * snr == reference("NOI-26").approx
    # The mean length of a vector of two normal errors is sqrt(pi / 2) of either: Rayleigh's distribution.
    assert sqrt(elongation @ covariance @ elongation) * snr * stats.rayleigh.mean() / 50 == reference("NOI-29").approx


def test_a_round_star_of_few_photons_looks_elongated() -> None:
    x, y = np.random.default_rng(6).normal(0, 1, (2, 20_000, 400))
    xx, yy, xy = x.var(axis=1), y.var(axis=1), (x * y).mean(axis=1) - x.mean(axis=1) * y.mean(axis=1)
    distortion = np.hypot(xx - yy, 2 * xy) / (xx + yy)
    assert distortion.mean() == reference("NOI-27").approx
    assert np.sqrt((1 + distortion) / (1 - distortion)).mean() == reference("NOI-28").approx
    assert (np.sqrt((xx + yy) / 2) - 1).std() * sqrt(400) == reference("NOI-24").approx


@pytest.mark.parametrize(("number", "axis_ratio"), [(30, 0.8), (31, 0.9)])
def test_names_for_one_roundness(number: int, axis_ratio: float) -> None:
    shear = galsim.Shear(q=axis_ratio, beta=0 * galsim.degrees)
    assert shear.eta == reference(f"NOI-{number}-conformal").approx
    assert shear.e == reference(f"NOI-{number}-distortion").approx
    assert shear.g == reference(f"NOI-{number}-reduced").approx
    assert sqrt(1 - axis_ratio**2) == reference(f"NOI-{number}-eccentricity").approx
    assert 1 - axis_ratio == reference(f"NOI-{number}-ellipticity").approx
    assert 1 / axis_ratio == reference(f"NOI-{number}-elongation").approx


def test_eccentricity_makes_much_of_little() -> None:
    assert optimize.brentq(lambda q: sqrt(1 - q * q) - 0.42, 0.1, 1) == reference("NOI-34").approx


def test_budget_of_blur() -> None:
    def delivered(rms: float) -> float:
        pixel = GAUSSIAN_FWHM * 1.5 / sqrt(12)
        return sqrt(2.5**2 + 1.5**2 + pixel**2 + (GAUSSIAN_FWHM * rms) ** 2)

    assert delivered(1.0) == reference("BUD-01").approx
    assert 1 - (delivered(0) / delivered(1.0)) ** 2 == reference("BUD-02").approx
    assert 1 - delivered(0.5) / delivered(1.0) == reference("BUD-03").approx
    costly = optimize.brentq(lambda rms: hypot(1, GAUSSIAN_FWHM * rms) - 1.1, 0, 1)
    assert costly == reference("BUD-04").approx
    assert reference("BUD-05").approx == 1.1**2 - 1
