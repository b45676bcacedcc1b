"""A frame's worth: the seconds of an ideal frame of this rig that would add as much to the stack."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from framecheck.field.result import FrameResult
from framecheck.night.transparency import Transparency, best_of


@dataclass(frozen=True, kw_only=True, slots=True)
class Ideal:
    """The best conditions that a group of frames reaches; an ideal frame has all of them at once."""

    fwhm_px: float
    noise_adu: float
    """Standard deviation of one pixel of blank sky. [ADU]"""


def ideal_of(results: Sequence[FrameResult], transparencies: Sequence[Transparency | None]) -> Ideal | None:
    """The sharpest stars and the lowest noise that one registered frame in twenty reaches; None if none is known.

    Frames without stars in common with the rest do not count: a covered aperture has a low noise.
    """
    known = [
        result
        for result, transparency in zip(results, transparencies, strict=True)
        if transparency is not None and _measured(result)
    ]
    if not known:
        return None
    widths = np.array([result.shape.fwhm_px for result in known if result.shape is not None])
    noises = np.array([result.sky.noise_adu for result in known])
    return Ideal(fwhm_px=-best_of(-widths), noise_adu=-best_of(-noises))


def _measured(result: FrameResult) -> bool:
    return result.shape is not None and result.shape.fwhm_px > 0 and result.sky.noise_adu > 0


def effective_exposure_s(result: FrameResult, transparency: Transparency | None, ideal: Ideal | None) -> float | None:
    """Effective exposure of a frame for faint point sources.

    Parameters
    ----------
    result : FrameResult
    transparency : Transparency or None
        Against the best frames of the group.
    ideal : Ideal or None
        Best conditions of the group.

    Returns
    -------
    float or None
        At most the exposure: the one frame in twenty that beats the ideal counts as ideal, since that it does is
        mostly luck of the noise. None without stars, exposure or registration. [s]

    Notes
    -----
    A point source measured against the sky's noise has SNR² = (signal)² / (noise² x area), with the area over which its
    light is spread, proportional to the product of its axes, so to FWHM² (of a trail as well: FWHM is the geometric
    mean of the axes). For one exposure t that makes

        t_eff = t x transparency² x (noise_best / noise)² x (fwhm_best / fwhm)²

    E. H. Neilsen, G. Bernstein, R. Gruendl and S. Kent, "Limiting Magnitude, tau, t_eff, and Image Quality in DES Year
    1", FERMILAB-TM-2610-AE-CD (2016); there with the level of the sky in place of noise², which is the same where the
    sky's photons make all the noise. The measured noise holds the read noise as well, and needs no pedestal.
    """
    exposure_s, shape = result.exposure.exposure_s, result.shape
    if exposure_s is None or transparency is None or ideal is None or shape is None or not _measured(result):
        return None
    share = transparency.value**2 * (ideal.noise_adu / result.sky.noise_adu) ** 2 * (ideal.fwhm_px / shape.fwhm_px) ** 2
    return exposure_s * min(share, 1.0)
