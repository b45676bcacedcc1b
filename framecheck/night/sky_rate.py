"""Light of the sky in electrons, from the noise that it makes or from the level above the pedestal."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import KNOWN_SIGMA, USUAL_READ_E
from framecheck.field.result import FrameResult
from framecheck.read.rig import WITHOUT_LIGHT, Rig

LEAST_SIGNIFICANCE: Final = 10.0
"""Slope of noise² against level over its error, below which no gain is taken from it. Chosen: a gain to 10 %."""

LEAST_FRAMES: Final = 5

NOISE_KNOWN_TO: Final = 0.01
"""[dimensionless] Relative error of a frame's noise, gradients and nebulae included. Chosen."""

READ_NOISE_KNOWN_TO: Final = 0.05
"""[dimensionless] Relative error of a read noise that is stated or measured. Chosen."""

USUAL_READ_SCATTER: Final = 0.6
"""Scatter of the natural logarithm of a read noise that nothing tells. Chosen: sensors have 1 to 10 electrons (common
practice, no source)."""

PEDESTAL_KNOWN_TO: Final = 0.1
"""Error of a pedestal. [noise of a pixel] Chosen: amplifiers drift by part of their noise from frame to frame."""


def sky_e_per_s(result: FrameResult, rig: Rig, measured_gain: float | None = None) -> float | None:
    """Electrons that the sky makes in a pixel in a second, dark current included.

    None without an exposure and a gain, or where neither read noise nor pedestal is known and the noise may be that of
    reading. What the header does not name the rig tells, and the gain `gain_from_sky`.

    Photons arrive at random: the variance of a pixel in electrons is the number of electrons (Poisson) plus the read
    noise squared. Where the read noise is known this is used, since it needs no pedestal; else the level above the
    pedestal. A pedestal seen in pixels without light comes first: gains enter there once, not squared. Where neither is
    known, the noise of raw frames still tells it if no sensor reads with so much; a gain that then makes more light
    than the whole level holds is not believed. What does not stand out from the errors of both is unknown.
    """
    exposure = result.exposure
    seconds = exposure.exposure_s
    gain = _first(exposure.gain_e_per_adu, rig.gain_e_per_adu, measured_gain)
    read_noise = _first(exposure.read_noise_e, rig.read_noise_e)
    pedestal = _first(exposure.pedestal_adu, rig.pedestal_adu)
    if not seconds or gain is None:
        return None
    level, noise_e = result.sky.level_adu, result.sky.noise_adu * gain
    seen = exposure.provenance.get("pedestal_adu") in WITHOUT_LIGHT
    if read_noise is not None and noise_e > 0 and not (seen and pedestal is not None):
        electrons = noise_e**2 - read_noise**2
        error = 2 * float(np.hypot(NOISE_KNOWN_TO * noise_e**2, READ_NOISE_KNOWN_TO * read_noise**2))
    elif pedestal is not None:
        electrons, error = (level - pedestal) * gain, PEDESTAL_KNOWN_TO * noise_e
    elif not exposure.processed and noise_e > 0:
        electrons, unknown = noise_e**2 - USUAL_READ_E**2, (USUAL_READ_E * np.exp(USUAL_READ_SCATTER)) ** 2
        error = float(np.hypot(2 * NOISE_KNOWN_TO * noise_e**2, unknown))
        if electrons > level * gain:
            return None
    else:
        return None
    return electrons / seconds if electrons > KNOWN_SIGMA * error else None


def _first(*values: float | None) -> float | None:
    return next((value for value in values if value is not None), None)


def gain_from_sky(level_adu: NDArray[np.floating], noise_adu: NDArray[np.floating]) -> tuple[float, float] | None:
    """Gain, and its error, from frames of one camera setting under a changing sky. [electrons per ADU]

    None if the slope of the noise² against the level, pedestal included, stands out by less than ten times its error.
    Variance (ADU²) against level (ADU) is a line of slope 1 / gain (photon transfer, textbook). Raw frames only: flat
    fielding and stretching bend it.
    """
    known = np.isfinite(level_adu) & np.isfinite(noise_adu) & (noise_adu > 0)
    x, y = level_adu[known].astype(float), noise_adu[known].astype(float) ** 2
    if len(x) < LEAST_FRAMES or np.ptp(x) <= 0:
        return None
    weight = 1 / (2 * NOISE_KNOWN_TO * y)
    (slope, zero), covariance = np.polyfit(x, y, 1, w=weight, cov="unscaled")
    chi2 = float((((y - slope * x - zero) * weight) ** 2).sum() / (len(x) - 2))
    error = float(np.sqrt(covariance[0, 0] * max(chi2, 1.0)))
    if slope <= LEAST_SIGNIFICANCE * error:
        return None
    return float(1 / slope), error / float(slope) ** 2
