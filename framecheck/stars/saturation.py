"""The level at which the camera clips."""

from typing import Final

import numpy as np

from framecheck.read.exposure import Frame

CONVERTER_TOPS: Final = tuple(
    top for bits in (8, 10, 12, 14, 16) for top in {2**bits - 1, (2**bits - 1) * 2 ** (16 - bits)}
)
"""Highest counts of converters of so many bits, as they are and shifted up to 16. [ADU] Closed form; that cameras
shift is common practice, no source."""

PILED_UP: Final = 4
"""Pixels at the very top of the frame that make it a ceiling. Chosen: noise does not make four equal maxima."""


def clip_level(frame: Frame, given_adu: float | None) -> float | None:
    """Level at and above which a pixel is clipped.

    Parameters
    ----------
    frame : Frame
    given_adu : float or None
        What the rig file or the header says. [ADU]

    Returns
    -------
    float or None
        None if nothing says that any pixel is clipped. A level given wins, unless the pixels pile up below it.
    """
    pixels = frame.pixels
    whole = pixels.dtype == np.uint16
    top = float(pixels.max() if whole else np.nanmax(pixels))
    if not whole:
        known = 1.0 if top <= 1.0 else None
        piled = bool(np.count_nonzero(pixels == np.float32(top)) >= PILED_UP)
        ceiling = known if known is not None and top == 1.0 else top if piled else None
    else:
        piled = top in CONVERTER_TOPS or bool(np.count_nonzero(pixels == pixels.dtype.type(top)) >= PILED_UP)
        ceiling = top if piled else None
    if given_adu is None or given_adu <= 0:
        return ceiling
    return given_adu if ceiling is None else min(given_adu, ceiling)
