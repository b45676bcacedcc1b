"""What the air alone makes of the stars: the round star less diffraction, the optics' own blur and round motion."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.model.explain import Explained, draws, frames_of, frames_only, rows_of
from framecheck.model.terms import base_of_frames, own_blur2, predict, round_motion

Floats = NDArray[np.float64]

FRAMES: Final = 16
"""Frames, spread over the night, that tell the share of the stars' width. Chosen: of a median of many."""

DRAWS: Final = 200
"""Sets of terms drawn. Chosen: a probability of a tenth is known to 0.02."""

SEEING_OF_AIRMASS: Final = 1.2
"""Power of the air mass that the squared width follows. Kolmogorov turbulence: D. L. Fried, J. Opt. Soc. Am. 56,
1372 (1966)."""


@dataclass(frozen=True, slots=True)
class AirAlone:
    """The air of a typical frame, in draws of what is known; shape (n,) each."""

    fwhm_arcsec: Floats
    """At the zenith."""
    with_own_arcsec: Floats
    """The same with the blur that the optics have in focus."""
    share: Floats
    """Of the stars' squared width."""


def air_alone(explained: Explained, pixel_scale_arcsec: float) -> AirAlone:
    """What the air makes of the stars, in draws of all that is known.

    Parameters
    ----------
    explained : Explained
    pixel_scale_arcsec : float
    """
    setting, numbers = explained.setting, draws(explained, DRAWS)
    zenith = np.exp(-SEEING_OF_AIRMASS * setting.ln_airmass)
    both = np.maximum(base_of_frames(numbers, setting) - round_motion(numbers) - setting.diffraction2, 0)
    air = np.maximum(both - own_blur2(numbers, setting)[..., 0], 0)
    some = rows_of(setting, FRAMES)
    seen = predict(frames_only(numbers, some), frames_of(setting, some)).size.mean(axis=-1)
    unit = np.sqrt(setting.width2_px2) * pixel_scale_arcsec
    return AirAlone(
        fwhm_arcsec=unit * np.sqrt(np.median(air * zenith, axis=-1)),
        with_own_arcsec=unit * np.sqrt(np.median(both * zenith, axis=-1)),
        share=np.median(air[:, some] / seen, axis=-1),
    )
