"""Physics and conversions used in more than one room, each with its unit and source."""

from math import log, pi, sqrt
from typing import Final

FWHM_PER_SIGMA: Final = 2 * sqrt(2 * log(2))
"""FWHM of a Gaussian over its standard deviation: 2 sqrt(2 ln 2). [dimensionless] Closed form."""

SIGMA_PER_MAD: Final = 1.482602218505602
"""Standard deviation of a normal distribution over its median absolute deviation: 1 / Phi^-1(3/4).
[dimensionless] Closed form; astropy.stats.mad_std uses the same."""

QUARTILES_PER_SIGMA: Final = 1.3489795003921634
"""Distance of the quartiles of a normal distribution, in standard deviations: 2 Phi^-1(3/4). Closed form."""

ARCSEC_PER_RADIAN: Final = 180 * 3600 / pi
"""[arcsec] Closed form."""


def arcsec_of(length_um: float, focal_length_mm: float) -> float:
    """Angle that a length on the sensor spans in the middle of the field. [arcsec] Closed form, for small angles."""
    return ARCSEC_PER_RADIAN * length_um * 1e-3 / focal_length_mm


SIDEREAL_DAY_S: Final = 86164.0905
"""Mean sidereal day. [s] IAU 2000 Earth rotation, as computed by astropy (GMST rate)."""

SIDEREAL_RATE_ARCSEC_PER_S: Final = 360 * 3600 / SIDEREAL_DAY_S
"""Angle through which the sky turns in one second. [arcsec/s] From the mean sidereal day."""

PIXEL_VARIANCE_PX2: Final = 1 / 12
"""Variance, per axis, that averaging over one square pixel adds to a star. [px²] Closed form."""

AIRY_FWHM_LAMBDA_OVER_D: Final = 1.02899
"""FWHM of the Airy pattern of a clear round aperture. [lambda / D] Root of (2 J1(x) / x)² = 1/2."""

VISUAL_WAVELENGTH_M: Final = 550e-9
"""Middle of the visual band, where no filter tells better. [m] Johnson V; chosen."""

SEEING_POWER: Final = 0.6
"""The air widens stars as the air mass to this power (Kolmogorov turbulence; D. L. Fried 1966, J. Opt. Soc. Am. 56,
1372; shared/reference_values.csv, PSF-28)."""

BY_CHANCE: Final = 1e-3
"""Chance, or expected number by chance, below which something is taken to be real. Chosen: wrong once in a thousand."""

KNOWN_SIGMA: Final = 3.0
"""Size of a value over its error from which it is known. [sigma] Chosen: by chance once in 370 (closed form)."""

SURE_SIGMA: Final = 4.0
"""And from which it is sure. [sigma] Chosen: by chance once in 16,000 (closed form)."""

BEYOND_NOISE_SIGMA: Final = 6.0
"""What no noise reaches. [sigma] Chosen: one pixel in a thousand million does (closed form), less than one a frame."""

FEWEST_THAT_AGREE: Final = 3
"""Values that show which of them is off. Chosen: of two, nobody can tell which."""

FEWEST_OF_A_MEDIAN: Final = 5
"""Values of which a median is taken. Chosen: it shrugs off two bad ones."""

LONGEST_PATH: Final = 4096
"""[signs] Linux, path_resolution(7): a path has fewer bytes."""

USUAL_READ_E: Final = 3.0
"""Read noise where nothing tells it. [electrons] Chosen: sensors have 1 to 10 (common practice, no source)."""
