"""A frame stretched small: enough to see cloud, gradients and lines of light, too little to judge a star by."""

import io
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust

Shades = NDArray[np.uint8]

WIDEST_PX: Final = 256
"""Longer side at most. Chosen: two fit side by side on a phone."""
_ROWS_READ: Final = 8
"""Rows averaged in each block at most. Chosen: a third of a frame of 26 megapixels, in a third of the time."""
_SOFTENING: Final = 3.0
"""[standard deviations] Where the stretch turns from linear to logarithmic. Chosen: faint haze shows."""
_BLACK: Final = 2.5
"""[standard deviations] Below the sky. Chosen."""
_WHITE_PERCENT: Final = 99.7
"""Share of the small picture's pixels that are not white. Chosen."""
_QUALITIES: Final = (75, 60, 45, 30)
"""JPEG quality, the best first."""


def shrunk(pixels: NDArray[Any], widest_px: int = WIDEST_PX) -> NDArray[np.float32]:
    """Means of square blocks of pixels, of even side so that a colour mosaic turns grey.

    Parameters
    ----------
    pixels : ndarray, shape (n_y, n_x)
    widest_px : int
        Longer side of the result at most.

    Returns
    -------
    ndarray, shape (m_y, m_x)
        Each from some rows of its block; what fills no whole block is left out. The frame itself, if it is that small.
    """
    block = -(-max(pixels.shape) // widest_px)
    if block == 1:
        return np.asarray(pixels, dtype=np.float32)
    block += block % 2
    n_y, n_x = (max(1, side // block) for side in pixels.shape)
    tall, wide = min(block, pixels.shape[0]), min(block, pixels.shape[1])
    rows = pixels[: n_y * tall, : n_x * wide].reshape(n_y, tall, n_x * wide)
    odd = max(1, tall // _ROWS_READ) | 1  # an odd step meets both rows of a mosaic
    means = rows[:, ::odd].mean(axis=1, dtype=np.float32)
    small: NDArray[np.float32] = means.reshape(n_y, n_x, wide).mean(axis=2)
    return small


def stretched(small: NDArray[Any]) -> Shades:
    """Grey shades from black below the sky to white at the brightest stars, as the inverse hyperbolic sine.

    The stretch is that of Lupton et al. 2004, PASP 116, 133, eq. 2, for one colour. Pixels without a value are black.
    """
    known = small[np.isfinite(small)]
    if not known.size:
        return np.zeros(small.shape, dtype=np.uint8)
    sky = float(np.median(known))
    spread = max(robust.mad_std(known), 1e-6)
    top = max(float(np.percentile(known, _WHITE_PERCENT)), sky + 4 * spread)

    def curve(level: Any) -> Any:
        return np.arcsinh((level - sky + _BLACK * spread) / (_SOFTENING * spread))

    light = curve(np.nan_to_num(small, nan=sky - _BLACK * spread)) / curve(top)
    return np.asarray(255 * np.clip(light, 0, 1), dtype=np.uint8)


def thumbnail(pixels: NDArray[Any], most_bytes: int, widest_px: int = WIDEST_PX) -> bytes:
    """The frame as a JPEG of at most so many bytes (or as small as it gets), the first row of the file lowest."""
    return as_jpeg(stretched(shrunk(pixels, widest_px))[::-1], most_bytes, (1, 2, 4))


def as_jpeg(shades: Shades, most_bytes: int, reductions: Sequence[int] = (1,)) -> bytes:
    """Grey shades as a JPEG of at most so many bytes, or as small as it gets."""
    from PIL import Image

    picture = Image.fromarray(np.ascontiguousarray(shades))
    packed = b""
    for reduction in reductions:
        smaller = picture.resize((max(1, picture.width // reduction), max(1, picture.height // reduction)))
        for quality in _QUALITIES:
            file = io.BytesIO()
            smaller.save(file, format="JPEG", quality=quality, optimize=True)
            packed = file.getvalue()
            if len(packed) <= most_bytes:
                return packed
    return packed
