"""Smear: how long a motion within one exposure has made the stars.

Moffat profiles have no second moment within reach and their FWHMs do not add in quadrature, so the half-maximum contour
of a Moffat star blurred by the motion is solved for: the Moffat function is a mixture of Gaussians, its variances
distributed as an inverse gamma (closed form), and Gaussians add. Random motion blurs by a Gaussian, an even drift by a
line: for a line of length L the rms is L / sqrt(12).
"""

from collections.abc import Callable
from functools import lru_cache
from math import sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LEAST_BETA: Final = 1.1
MOST_BETA: Final = 30.0
"""Moffat wings that the sums are made for; beyond the last a star is Gaussian to 1 %. Chosen."""


def level(x: float, y: float, *, fwhm: float, beta: float, along: float, line: float = 0.0) -> float:
    """Brightness at (x, y) of a round Moffat star that was moved along x, over that of its centre.

    Parameters
    ----------
    x, y : float
        Along and across the motion. [px]
    fwhm, beta : float
        Of the round star. [px, dimensionless]
    along : float
        Variance of a random motion. [px²]
    line : float
        Length of an even motion. [px]
    """
    relative, weight = _mixture(round(min(max(beta, LEAST_BETA), MOST_BETA), 2))
    variance = relative * fwhm**2
    wide, share = variance + along, weight * np.sqrt(variance)
    if line > 0:
        middle = _line(np.zeros(1), line, wide) * share
        here = _line(np.array([x]), line, wide) * share
    else:
        middle = share / np.sqrt(wide)
        here = middle * np.exp(-(x**2) / (2 * wide))
    return float((here * np.exp(-(y**2) / (2 * variance))).sum() / middle.sum())


def elongation_of_motion(beta: float, *, along: float = 0.0, line: float = 0.0) -> float:
    """ln(long axis / short axis) of a round Moffat star that was moved along one axis.

    Parameters
    ----------
    beta : float
        Wings of the round star.
    along : float
        Variance of a random motion. [squared short axes of the star that results]
    line : float
        Length of an even motion. [short axes of the star that results]
    """

    def seen(x: float, y: float, width: float) -> float:
        return level(x, y, fwhm=width, beta=beta, along=along, line=line) - 0.5

    width = _rising(lambda w: seen(0.0, 0.5, w), 1.1, least=0.3)
    half = _rising(lambda x: -seen(x, 0.0, width), line + 2.0 + 2 * sqrt(along))
    return float(np.log(2 * half))


@lru_cache(maxsize=32)
def variance_of_random(beta: float) -> tuple[Floats, Floats]:
    """Table of random motion along one axis.

    Parameters
    ----------
    beta : float
        Wings of the round star.

    Returns
    -------
    e : ndarray, shape (n,)
        ln(long axis / short axis), rising from 0. [dimensionless]
    variance : ndarray, shape (n,)
        Of the motion. [squared short axes]
    """
    variance = np.concatenate([[0.0], np.geomspace(3e-3, 30.0, 40)])
    return np.array([elongation_of_motion(beta, along=float(one)) for one in variance]), variance


@lru_cache(maxsize=32)
def variance_of_line(beta: float) -> tuple[Floats, Floats]:
    """As `variance_of_random`, of a motion that is even along a line.

    Parameters
    ----------
    beta : float
        Wings of the round star.

    Returns
    -------
    e, variance : ndarray, shape (n,)
        As there. [dimensionless, squared short axes]
    """
    length = np.concatenate([[0.0], np.geomspace(0.1, 6.0, 24)])
    return np.array([elongation_of_motion(beta, line=float(one)) for one in length]), length**2 / 12


def _line(x: Floats, length: float, variance: Floats) -> Floats:
    """Profile along of Gaussians moved along a line."""
    from scipy.special import ndtr

    sigma = np.sqrt(variance)
    out: Floats = ndtr((x + length / 2) / sigma) - ndtr((x - length / 2) / sigma)
    return out


@lru_cache(maxsize=256)
def _mixture(beta: float) -> tuple[Floats, Floats]:
    """Gaussians that make a Moffat function of FWHM 1: their variances, and their heights.

    (1 + r²/a²)^-b = 1 / Gamma(b) * integral of s^(b-1) exp(-s) exp(-s r²/a²) ds; summed in even steps of ln s.
    """
    u = np.linspace(np.log(beta) - 12 / sqrt(beta), np.log(beta) + 6 / sqrt(beta), 121)
    height = np.exp(beta * (u - np.log(beta)) - np.exp(u) + beta)
    core2 = 1 / (4 * (2 ** (1 / beta) - 1))
    return core2 / (2 * np.exp(u)), height / height.sum()


def _rising(function: Callable[[float], float], most: float, least: float = 0.0) -> float:
    """Root of a rising function between `least` and `most`; the end nearest to it if it lies outside."""
    from scipy.optimize import brentq

    if function(least) >= 0:
        return least
    if function(most) <= 0:
        return most
    return float(brentq(function, least, most, xtol=1e-6 * most, rtol=1e-5))
