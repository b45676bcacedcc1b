"""Wings of a star in focus: the Moffat exponent that turbulent air and a clear aperture let expect."""

import math
from typing import Final

import numpy as np

from framecheck.field.sampling import diffraction_fwhm_arcsec
from framecheck.model.setting import USUAL_AIRY
from framecheck.read.rig import Rig

WIDTHS_PX: Final = (1.5, 2.0, 2.6, 3.5, 5.0, 7.5, 12.0)
AIRY_SHARES: Final = (0.0, 0.05, 0.15, 0.27, 0.45)
EXPONENTS: Final = (
    (4.0, 3.8, 3.55, 3.45, 3.2),
    (4.6, 4.4, 4.13, 3.86, 3.64),
    (5.2, 4.8, 4.36, 3.99, 3.68),
    (5.5, 5.0, 4.52, 4.22, 3.89),
    (5.7, 5.2, 4.69, 4.47, 4.5),
    (6.2, 5.5, 4.97, 4.6, 4.6),
    (6.2, 5.86, 5.28, 4.77, 4.7),
)
"""Moffat exponent that the measuring rooms find, by FWHM in pixels and by the aperture's diffraction over the FWHM.
[dimensionless] Turbulent air (Kolmogorov) alone drawn by GalSim, through apertures drawn by our own simulator: medians
of 351 frames without a fault, which scatter by 5 %. Measured on the inner two FWHM, it is larger than the 4.77 that
fits the whole profile (I. Trujillo et al., MNRAS 328, 977 (2001))."""


def expected_beta(fwhm_px: float, rig: Rig) -> float:
    """Moffat exponent of a star of this width in focus.

    Parameters
    ----------
    fwhm_px : float
    rig : Rig
        With aperture and pixel scale, its diffraction is known.
    """
    share = USUAL_AIRY
    if rig.aperture_mm is not None and rig.pixel_scale_arcsec is not None:
        share = diffraction_fwhm_arcsec(rig.aperture_mm) / (fwhm_px * rig.pixel_scale_arcsec)
    rows = [float(np.interp(share, AIRY_SHARES, row)) for row in EXPONENTS]
    return float(np.interp(math.log(fwhm_px), np.log(WIDTHS_PX), rows))


def softness(beta: float, fwhm_px: float, rig: Rig) -> float:
    """ln(beta / beta expected): 0 in focus, about 0.3 where a disc of defocus widens the star by a quarter."""
    return math.log(max(beta, 1.0) / expected_beta(fwhm_px, rig))
