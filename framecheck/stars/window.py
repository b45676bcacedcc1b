"""A window of the typical star's shape laid over stamps: where the light under it has its centre, and its sums."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import FWHM_PER_SIGMA
from framecheck.stars.pilot import Pilot
from framecheck.stars.stamps import Stamps

F32 = NDArray[np.float32]

NEARLY_ROUND: Final = 1.2
"""Up to this ratio of the axes a round window does as well. Chosen: it loses less than 1 % of a star's signal."""


@dataclass(frozen=True, slots=True)
class Contour:
    """The window as exp(-(xx x² + yy y² + xy x y)). [px⁻²]"""

    xx: np.float32
    yy: np.float32
    xy: np.float32

    def exponent(self, x: F32, y: F32) -> F32:
        """What stands in the bracket."""
        out: F32 = self.xx * x * x + self.yy * y * y + self.xy * x * y
        return out


def contour(shape: Pilot) -> Contour:
    """A Gaussian of the typical star's size and direction."""
    k = 4 * np.log(2)
    if _is_round(shape):
        both = np.float32(k / (shape.long_px * shape.short_px))
        return Contour(both, both, np.float32(0))
    c, s = np.cos(np.radians(shape.pa_deg)), np.sin(np.radians(shape.pa_deg))
    a, b = k / shape.long_px**2, k / shape.short_px**2
    xx, yy, xy = a * c * c + b * s * s, a * s * s + b * c * c, 2 * (a - b) * c * s
    return Contour(np.float32(xx), np.float32(yy), np.float32(xy))


def windows(side: int, dx: F32, dy: F32, shape: Pilot) -> F32:
    """The window around each centre, counted from the middle of its stamp, 1 there; shape (n, side, side)."""
    if _is_round(shape):
        along_x, along_y = (_along_axis(side, centre, shape) for centre in (dx, dy))
        return along_y[:, :, None] * along_x[:, None, :]
    grid = _grid(side)
    x, y = grid[None, None, :] - dx[:, None, None], grid[None, :, None] - dy[:, None, None]
    out: F32 = np.exp(-contour(shape).exponent(x, y))
    return out


def middle_window(side: int, shape: Pilot) -> F32:
    """The window in the middle of a stamp; shape (side * side,)."""
    middle = np.zeros(1, np.float32)
    return windows(side, middle, middle, shape).ravel()


def whitened(side: int, shape: Pilot) -> tuple[F32, F32, F32, F32]:
    """Places of a stamp's pixels along the window's axes, in its standard deviations, and along x and y [px].

    Four times shape (side * side,).
    """
    x, y = np.tile(_grid(side), side), np.repeat(_grid(side), side)
    if _is_round(shape):
        sigma = np.float32(1 / np.sqrt(2 * contour(shape).xx))
        return x / sigma, y / sigma, x, y
    c, s = np.float32(np.cos(np.radians(shape.pa_deg))), np.float32(np.sin(np.radians(shape.pa_deg)))
    along, across = np.float32(FWHM_PER_SIGMA / shape.long_px), np.float32(FWHM_PER_SIGMA / shape.short_px)
    return (c * x + s * y) * along, (c * y - s * x) * across, x, y


def with_moments(window: F32) -> F32:
    """A window, and the same times x and times y, to be multiplied with stamps; shape (side * side, 3)."""
    side = round(len(window) ** 0.5)
    x, y = np.tile(_grid(side), side), np.repeat(_grid(side), side)
    return np.stack([window, window * x, window * y], axis=1)


def centres(stamps: Stamps, shape: Pilot) -> tuple[F32, F32]:
    """Centre of the light under a window that follows it, from the middle of each stamp; shape (n_stars,) each. [px]

    Twice the window's offset undoes the window's pull.
    """
    side = 2 * stamps.half + 1
    total, across, down = (stamps.values @ with_moments(middle_window(side, shape))).T  # one window for all
    total = np.maximum(total, 1e-3)
    limit = max(1.5, 0.6 * shape.long_px)
    dx, dy = np.clip(2 * across / total, -1.5, 1.5), np.clip(2 * down / total, -1.5, 1.5)
    along_x, along_y = _marginals(stamps.values.reshape(-1, side, side), dx, dy, shape)
    total, grid = np.maximum(along_x.sum(axis=1), 1e-3), _grid(side)
    dx += np.clip(2 * (along_x @ grid / total - dx), -1.5, 1.5)
    dy += np.clip(2 * (along_y @ grid / total - dy), -1.5, 1.5)
    return np.clip(dx, -limit, limit), np.clip(dy, -limit, limit)


def _marginals(light: F32, dx: F32, dy: F32, shape: Pilot) -> tuple[F32, F32]:
    """Light under the window, added up along columns and along rows; shape (n, side) each."""
    side = light.shape[1]
    if not _is_round(shape):
        light = light * windows(side, dx, dy, shape)
        return light.sum(axis=1), light.sum(axis=2)
    # a round window is a product of two vectors, which spares most of the work
    along_x, along_y = (_along_axis(side, centre, shape) for centre in (dx, dy))
    columns = np.matmul(along_y[:, None, :], light)[:, 0]
    return columns * along_x, np.matmul(light, along_x[:, :, None])[:, :, 0] * along_y


def _is_round(shape: Pilot) -> bool:
    return shape.long_px < NEARLY_ROUND * shape.short_px


def _along_axis(side: int, centre: F32, shape: Pilot) -> F32:
    """One of the two vectors, one for each axis; shape (n, side)."""
    per_axis = contour(shape).xx
    out: F32 = np.exp(-per_axis * (_grid(side)[None, :] - centre[:, None]) ** 2)
    return out


def _grid(side: int) -> F32:
    return np.arange(-(side // 2), side // 2 + 1, dtype=np.float32)
