"""Rows about the mount's motion and trailed stars, worked out afresh."""

from math import log, pi, radians, sqrt

import erfa
import galsim
import numpy as np
import pytest
from reference import reference
from scipy import integrate, optimize, stats

GAUSSIAN_FWHM = 2 * sqrt(2 * log(2))
J2000 = 2451545.0


def angle_per_day(angle) -> float:
    """Radians a day of an angle of Earth that passes through a full turn about once a day, around J2000."""
    return 2 * pi + (angle(J2000 + 1) - angle(J2000) + pi) % (2 * pi) - pi


def test_length_of_the_day() -> None:
    sidereal = angle_per_day(lambda jd: erfa.gmst06(jd, 0.0, jd, 0.0))
    assert 86400 * 2 * pi / sidereal == reference("TRK-01").approx
    assert np.degrees(sidereal) * 3600 / 86400 == reference("TRK-02").approx
    stellar = angle_per_day(lambda jd: erfa.era00(jd, 0.0))
    assert 86400 * 2 * pi / stellar == reference("TRK-03").approx


def test_other_tracking_rates() -> None:
    sidereal = 1296000 / reference("TRK-01").value
    assert (sidereal - 1296000 / 86400) * 60 == reference("TRK-04").approx
    century_s = 36525 * 86400
    moon = ((erfa.faf03(1e-3) + erfa.faom03(1e-3)) - (erfa.faf03(0) + erfa.faom03(0))) % (2 * pi)
    turns = round((century_s * 1e-3 / 86400) / 27.321661 - moon / (2 * pi))
    moon_rate = np.degrees(moon + 2 * pi * turns) * 3600 / (century_s * 1e-3)
    assert sidereal - moon_rate == reference("TRK-05").approx
    assert 1296000 / (reference("TRK-01").value + 24.6) == reference("TRK-06").approx


@pytest.mark.parametrize(("letter", "dec_deg", "seconds"), [("a", 0, 10), ("b", 60, 10), ("c", 45, 30)])
def test_untracked_trail(letter: str, dec_deg: float, seconds: float) -> None:
    # A unit vector turned about the pole: the path in small steps.
    hour_angle = np.linspace(0, 2 * pi * seconds / reference("TRK-01").value, 1001)
    dec = radians(dec_deg)
    path = np.stack([np.cos(dec) * np.cos(hour_angle), np.cos(dec) * np.sin(hour_angle)])
    length = np.hypot(*np.diff(path)).sum()
    assert np.degrees(length) * 3600 == reference(f"TRK-07{letter}").approx


def test_periodic_error() -> None:
    amplitude, period = 5.0, 480.0
    assert integrate.quad(lambda x: x * x / 6, -3, 3)[0] == reference("TRK-08").approx
    t = np.arange(480_000) * period / 480_000
    error = amplitude * np.sin(2 * pi * t / period)
    assert error.var() == reference("TRK-09").approx
    assert np.gradient(error, t).max() == reference("TRK-10").approx
    assert np.abs(np.roll(error, -60_000) - error).max() == reference("TRK-11").approx


def test_periodic_error_within_an_exposure() -> None:
    # One worm period in a thousand phases; an exposure is a quarter of it.
    phase = 2 * pi * np.arange(1000) / 1000
    within = 2 * pi * (np.arange(2000) + 0.5) / 2000 / 4
    error = np.sin(phase[:, None] + within)
    assert error.mean(axis=1).max() == reference("TRK-12").approx
    assert error.var(axis=1).mean() == reference("TRK-13").approx


def test_alias_of_a_worm() -> None:
    # Seen every 300 s, a rhythm of 480 s cannot be told from one of 800 s.
    t = np.arange(200) * 300.0
    alias = reference("TRK-14").value
    np.testing.assert_allclose(np.cos(2 * pi * t / 480), np.cos(2 * pi * t / alias), atol=1e-9)


def test_worm_periods() -> None:
    for letter, teeth in zip("abcdefgh", (120, 130, 144, 180, 200, 225, 359, 360), strict=True):
        assert reference("TRK-01").value / teeth == reference(f"TRK-15{letter}").approx


def test_moments_of_a_trailed_star() -> None:
    star = galsim.Convolve(galsim.Gaussian(fwhm=3), galsim.Box(3, 1e-3))
    image = star.drawImage(nx=81, ny=81, scale=0.5, method="no_pixel").array
    x = (np.arange(81) - 40) * 0.5
    along, across = ((image.sum(axis=axis) * x**2).sum() / image.sum() for axis in (0, 1))
    assert sqrt(along / across) == reference("TRK-50").approx
    assert sqrt(12 * 0.75) == reference("TRK-51").approx


def test_long_trail() -> None:
    length, sigma = 6.0, 2.5 / GAUSSIAN_FWHM

    def brightness(x: float) -> float:
        return float(np.diff(stats.norm.cdf([x - length / 2, x + length / 2], scale=sigma))[0])

    half = optimize.brentq(lambda x: brightness(x) - brightness(0) / 2, 1, 10)
    assert 2 * half == reference("TRK-52").approx
    assert GAUSSIAN_FWHM * sqrt(sigma**2 + length**2 / 12) == reference("TRK-53").approx


def test_star_smeared_by_a_sinusoid() -> None:
    sigma = 2.5 / GAUSSIAN_FWHM
    place = 2 * np.sin(2 * pi * (np.arange(720) + 0.5) / 720)
    x = np.linspace(0, 6, 3001)
    brightness = stats.norm.pdf(x[:, None], loc=place, scale=sigma).mean(axis=1)
    assert 2 * x[brightness >= brightness.max() / 2].max() == reference("TRK-54").approx
    assert GAUSSIAN_FWHM * sqrt(sigma**2 + place.var()) == reference("TRK-55").approx


def test_guiding_jitter() -> None:
    star = galsim.Gaussian(fwhm=2.5)
    widths = [galsim.Convolve(star, galsim.Gaussian(sigma=rms)).calculateFWHM() for rms in (0.8, 0.5)]
    assert widths[0] == reference("TRK-56").approx
    assert widths[0] / widths[1] == reference("TRK-57").approx
    assert GAUSSIAN_FWHM / sqrt(2) == reference("TRK-58").approx
