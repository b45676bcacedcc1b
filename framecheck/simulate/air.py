"""Air: the blur of turbulence in a long exposure."""

from typing import Final

import numpy as np

from framecheck.constants import SEEING_POWER
from framecheck.simulate.chance import generator
from framecheck.simulate.scenario import Scenario
from framecheck.simulate.sky_path import Floats

_FWHM_OVER_LAMBDA_R0: Final = 0.976
"""[dimensionless] FWHM of the Kolmogorov profile in units of lambda / r0; follows numerically from its transfer."""
_WEATHER_S: Final = 1500.0
"""[s] Chosen: the air changes over tens of minutes."""


def seeing_arcsec(scenario: Scenario, time_s: float, airmass: float) -> float:
    """FWHM of the air at a moment of the night, after the first frame. [arcsec]"""
    phases = generator(scenario, "seeing").uniform(0, 2 * np.pi, 3)
    periods = _WEATHER_S * np.array([1.0, 1.7, 3.1])
    # three waves of equal weight have a variance of 3/2
    wave = np.sum(np.sin(2 * np.pi * time_s / periods + phases)) / np.sqrt(1.5)
    return float(scenario.sky.seeing_arcsec * np.exp(scenario.sky.seeing_variation * wave) * airmass**SEEING_POWER)


def air_transfer(frequency: Floats, fwhm: float) -> Floats:
    """Modulation transfer of Kolmogorov turbulence, exp(-3.44 (lambda f / r0)^(5/3)).

    The frequency is in cycles per unit of `fwhm`, that of the star that the air alone would make.

    References
    ----------
    .. [1] D. L. Fried, 1966, J. Opt. Soc. Am. 56, 1372. From memory; tested against GalSim.
    """
    return np.exp(-3.44 * (frequency * fwhm / _FWHM_OVER_LAMBDA_R0) ** (5 / 3))
