"""Width of a star behind air, aperture, shake, focus error and pixel: the transfer functions multiply.

Widths at half maximum do not add in quadrature where the air has its long wings, so the star itself is worked out.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from math import hypot, sqrt
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import ARCSEC_PER_RADIAN, FWHM_PER_SIGMA, VISUAL_WAVELENGTH_M

Floats = NDArray[np.float64]

_KOLMOGOROV_FWHM: Final = 0.975865
"""FWHM of a long exposure through Kolmogorov turbulence. [lambda / r0] D. L. Fried, J. Opt. Soc. Am. 56, 1372 (1966)
gives the transfer function; the half maximum is computed from it."""
_KOLMOGOROV_EXPONENT: Final = 3.4419
"""Factor of (lambda f / r0)^(5/3) in the exponent of that transfer function: half of 6.8839. [dimensionless] Closed
form."""
WIDENED: Final = 1.1
"""[dimensionless] Growth of a star that focus or tracking may cause before it counts. Chosen: a tenth wider costs 21 %
of the exposure on faint stars (closed form: 1.1² - 1, sky-limited)."""
_DARK: Final = 1e-7
"""[dimensionless] Chosen: a transfer function below this adds nothing to a width."""
_SAMPLES_PER_TURN: Final = 24
"""Chosen: the widths change by less than 1e-4 with more."""
_FEWEST_SAMPLES: Final = 1000
_MOST_SAMPLES: Final = 40_000


@dataclass(frozen=True, kw_only=True, slots=True)
class Blurs:
    """What widens a star, each by itself. Angles on the sky."""

    seeing_arcsec: float
    """FWHM that the air alone makes in a long exposure (Kolmogorov turbulence)."""
    aperture_mm: float | None = None
    """Clear round aperture; None for one so large that diffraction does not count."""
    jitter_rms_arcsec: float = 0.0
    """Tracking error on each axis, random and alike on both."""
    disc_arcsec: float = 0.0
    """Diameter of the disc of light that a focus error makes, by geometry."""
    pixel_arcsec: float = 0.0
    """Side of the square pixel over which the star is averaged; 0 for the star before the pixel."""


@cache
def star_fwhm_arcsec(blurs: Blurs) -> float:
    """Full width at half maximum of a star, averaged over directions. [arcsec]

    Raises
    ------
    ValueError
        If the seeing is not above 0 or any blur is negative.

    Notes
    -----
    The star is the Hankel transform of the product of all transfer functions, at 550 nm for the aperture. A secondary
    mirror in the way, which sharpens the diffraction core by a few per cent, is left out.

    References
    ----------
    .. [1] J. W. Goodman, "Introduction to Fourier Optics", 3rd ed. (2005), ch. 6: transfer functions of a round pupil,
       of a focus error in the geometric limit, and of a detector's pixel.
    """
    from scipy.optimize import brentq
    from scipy.special import j0

    _refuse_negative(blurs)
    frequency = _frequencies(blurs)
    light = _transfer(blurs, frequency) * frequency  # 0 at both ends, so that plain sums are trapezoids
    half = float(light.sum()) / 2
    most = _reach(blurs)

    def above_half(radius: float) -> float:
        return float(light @ j0(2 * np.pi * radius * frequency)) - half

    return 2 * float(brentq(above_half, 0.0, most, xtol=1e-5 * most))


def jitter_for_growth(blurs: Blurs, growth: float) -> float:
    """Tracking error on each axis that, added to what there is, widens the star by a factor. [arcsec rms]

    For a Gaussian star it is FWHM sqrt(growth² - 1) / 2.3548; the air's long wings make it a little less.

    Parameters
    ----------
    blurs : Blurs
        What there is.
    growth : float
        Factor above 1.
    """

    def more(rms: float) -> Blurs:
        return replace(blurs, jitter_rms_arcsec=hypot(blurs.jitter_rms_arcsec, rms))

    gaussian = star_fwhm_arcsec(blurs) * sqrt(growth**2 - 1) / FWHM_PER_SIGMA
    return _blur_for_growth(blurs, growth, more, gaussian)


def disc_for_growth(blurs: Blurs, growth: float) -> float:
    """Diameter of the geometric disc of a focus error that widens the star by a factor. [arcsec]

    Parameters
    ----------
    blurs : Blurs
        What there is, in focus.
    growth : float
        Factor above 1.
    """
    gaussian = star_fwhm_arcsec(blurs) * sqrt(growth**2 - 1) * 4 / FWHM_PER_SIGMA  # a disc's variance is d² / 16
    return _blur_for_growth(blurs, growth, lambda disc: replace(blurs, disc_arcsec=disc), gaussian)


def _blur_for_growth(blurs: Blurs, growth: float, more: Callable[[float], Blurs], guess: float) -> float:
    from scipy.optimize import brentq

    if not growth > 1:
        raise ValueError(f"growth must be above 1, not {growth}")
    wanted = growth * star_fwhm_arcsec(blurs)
    found = brentq(lambda size: star_fwhm_arcsec(more(size)) - wanted, 0.0, 4 * guess, xtol=1e-4 * guess)
    return float(found)


def _refuse_negative(blurs: Blurs) -> None:
    if not blurs.seeing_arcsec > 0:
        raise ValueError(f"seeing must be above 0, not {blurs.seeing_arcsec}")
    if blurs.aperture_mm is not None and not blurs.aperture_mm > 0:
        raise ValueError(f"aperture must be above 0, not {blurs.aperture_mm}")
    if min(blurs.jitter_rms_arcsec, blurs.disc_arcsec, blurs.pixel_arcsec) < 0:
        raise ValueError(f"no blur can be negative: {blurs}")


def _frequencies(blurs: Blurs) -> Floats:
    """Spatial frequencies up to where the strongest blur leaves nothing, fine enough for the widest. [1/arcsec]"""
    dark = -np.log(_DARK)
    limits = [(dark / _KOLMOGOROV_EXPONENT) ** 0.6 * _KOLMOGOROV_FWHM / blurs.seeing_arcsec]
    if blurs.aperture_mm is not None:
        limits.append(_cut_off(blurs.aperture_mm))
    if blurs.jitter_rms_arcsec:
        limits.append(sqrt(dark / 2) / (np.pi * blurs.jitter_rms_arcsec))
    limits.append(_MOST_SAMPLES / _SAMPLES_PER_TURN / _reach(blurs))  # far finer than the star
    top = float(min(limits))
    samples = int(np.clip(_SAMPLES_PER_TURN * top * _reach(blurs), _FEWEST_SAMPLES, _MOST_SAMPLES))
    return np.linspace(0.0, top, samples)


def _reach(blurs: Blurs) -> float:
    """A radius surely outside the half maximum. [arcsec]"""
    diffraction = 0.0 if blurs.aperture_mm is None else 1 / _cut_off(blurs.aperture_mm)
    jitter = FWHM_PER_SIGMA * blurs.jitter_rms_arcsec
    return blurs.seeing_arcsec + 2 * diffraction + jitter + blurs.disc_arcsec + blurs.pixel_arcsec


def _cut_off(aperture_mm: float) -> float:
    """Highest spatial frequency that an aperture passes: D / lambda. [1/arcsec]"""
    return aperture_mm * 1e-3 / VISUAL_WAVELENGTH_M / ARCSEC_PER_RADIAN


def _transfer(blurs: Blurs, frequency: Floats) -> Floats:
    """Product of the transfer functions."""
    from scipy.special import j1

    air = _KOLMOGOROV_EXPONENT * (frequency * blurs.seeing_arcsec / _KOLMOGOROV_FWHM) ** (5 / 3)
    transfer: Floats = np.exp(-air - 2 * (np.pi * blurs.jitter_rms_arcsec * frequency) ** 2)
    if blurs.aperture_mm is not None:
        share = np.minimum(frequency / _cut_off(blurs.aperture_mm), 1.0)
        transfer *= 2 / np.pi * (np.arccos(share) - share * np.sqrt(1 - share**2))
    if blurs.disc_arcsec:
        x = np.maximum(np.pi * blurs.disc_arcsec * frequency, 1e-9)
        transfer *= 2 * j1(x) / x
    if blurs.pixel_arcsec:
        transfer *= _square(blurs.pixel_arcsec * frequency)
    return transfer


def _square(cycles: Floats) -> Floats:
    """Transfer function of a square pixel, averaged over directions; they repeat every 45 degrees."""
    angles = np.pi / 4 * (np.arange(6) + 0.5) / 6
    mean: Any = sum(np.sinc(cycles * np.cos(angle)) * np.sinc(cycles * np.sin(angle)) for angle in angles) / 6
    return np.asarray(mean, np.float64)
