"""How finely the pixels sample the stars."""

from dataclasses import dataclass
from functools import lru_cache
from math import pi
from typing import Final, Literal

from framecheck.constants import AIRY_FWHM_LAMBDA_OVER_D, ARCSEC_PER_RADIAN, VISUAL_WAVELENGTH_M

UNDERSAMPLED_PX: Final = 2.0
"""Below so many pixels per FWHM light is lost between pixels' centres. [px] Common practice (a range of 2 to 3 px is
usual in photometry); at 2 px a Gaussian's power beyond the Nyquist frequency is 2e-4 (closed form)."""

OVERSAMPLED_PX: Final = 5.0
"""Above, finer pixels add read noise and no detail. [px] Chosen: binned 2 x 2, such stars are still 2.5 pixels wide, in
the middle of the usual range."""

Sampled = Literal["undersampled", "well sampled", "oversampled"]


@dataclass(frozen=True, kw_only=True, slots=True)
class SamplingVerdict:
    """Pixels against stars."""

    px_per_fwhm: float
    verdict: Sampled
    suggestion: str


def judge_sampling(fwhm_px: float, said: Sampled | None = None) -> SamplingVerdict:
    """Say whether pixels are too coarse or too fine.

    Parameters
    ----------
    fwhm_px : float
        Width of the stars. [px]
    said : {"undersampled", "well sampled", "oversampled"}, optional
        What is known already: stars drawn out or blurred are wider than the sharp ones that pixels are judged by.
    """
    at_width: Sampled = "well sampled"
    if fwhm_px < UNDERSAMPLED_PX:
        at_width = "undersampled"
    elif fwhm_px > OVERSAMPLED_PX:
        at_width = "oversampled"
    verdict = said or at_width
    return SamplingVerdict(px_per_fwhm=fwhm_px, verdict=verdict, suggestion=_suggestion(fwhm_px, verdict, at_width))


def _suggestion(fwhm_px: float, verdict: Sampled, at_width: Sampled) -> str:
    wide = f"Stars are {fwhm_px:.1f} pixels wide"
    match verdict:
        case "undersampled":
            if at_width != verdict:
                wide = "Sharp stars would be about 2 pixels wide or less"
            return (
                f"{wide}; 2 to 3 would keep all their detail. Dither between frames and stack on a finer grid, or use "
                "a longer focal length or smaller pixels."
            )
        case "oversampled":
            bin_ = max(2, round(fwhm_px / 2.5))
            return (
                f"{wide} where 2 to 3 hold all their detail. Binning {bin_} x {bin_} would lose nothing and lessen "
                "read noise."
            )
        case "well sampled" if at_width == "oversampled":
            return f"{wide} because they are blurred; sharp ones would not be too wide for these pixels."
        case _:
            return f"{wide}: 2 to 3 are needed, more do no harm up to about 5."


def diffraction_fwhm_arcsec(aperture_mm: float) -> float:
    """FWHM of the diffraction of a clear aperture, of some diameter, at the eye's wavelength. [arcsec]"""
    return AIRY_FWHM_LAMBDA_OVER_D * VISUAL_WAVELENGTH_M / (aperture_mm * 1e-3) * ARCSEC_PER_RADIAN


@lru_cache(maxsize=32)
def annular_fwhm(obstruction: float) -> float:
    """FWHM of the diffraction pattern of an aperture with a round obstruction, as a part of its diameter. [lambda / D]

    The amplitude is that of the disc less that of the obstruction, 2 J1(x) / x - e² 2 J1(e x) / (e x), over 1 - e².
    Closed form, with the half maximum found numerically.
    """
    if not obstruction:
        return AIRY_FWHM_LAMBDA_OVER_D
    from scipy.optimize import brentq
    from scipy.special import j1

    def excess(x: float) -> float:
        dark = obstruction * 2 * j1(obstruction * x) / x
        amplitude = (2 * j1(x) / x - dark) / (1 - obstruction**2)
        return float(amplitude**2) - 0.5

    return 2 * float(brentq(excess, 0.5, 2.5)) / pi
