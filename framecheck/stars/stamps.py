"""Small cut-outs around stars, with what is needed to weigh their pixels."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framecheck.read.exposure import Frame
from framecheck.sky.model import Sky
from framecheck.stars.profile import PixelGrid, square_grid

F32 = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Stamps:
    """Cut-outs of one size, sky taken off, shape (n_stars, n_side * n_side)."""

    values: F32
    """Counts above the sky. [ADU]"""
    usable: F32
    """1 where a pixel counts, 0 where it is undefined, clipped, of another colour, or not the star's."""
    noise: F32
    """Noise of one pixel of blank sky under each star, shape (n_stars,). [ADU]"""
    x: NDArray[np.intp]
    y: NDArray[np.intp]
    """Pixel of the image at the centre of each stamp, shape (n_stars,)."""
    half: int
    """A stamp has 2 half + 1 pixels a side."""
    grid: PixelGrid
    """Its pixels: all of them, or a list of those near a trail."""

    def __len__(self) -> int:
        return len(self.values)

    def part(self, which: Any) -> "Stamps":
        """The stamps of some of the stars."""
        return replace(
            self,
            values=self.values[which],
            usable=self.usable[which],
            noise=self.noise[which],
            x=self.x[which],
            y=self.y[which],
        )

    def near_line(self, pa_deg: float, length_px: float, reach_px: float) -> "Stamps":
        """The stamps cut down to the pixels within a distance of a line through the middle."""
        c, s = np.cos(np.radians(pa_deg)), np.sin(np.radians(pa_deg))
        x, y = np.broadcast_arrays(self.grid.x, self.grid.y)
        beyond = np.maximum(np.abs(c * x + s * y) - length_px / 2, 0)
        near = np.hypot(beyond, c * y - s * x).ravel() <= reach_px
        grid = PixelGrid(x.ravel()[near], y.ravel()[near])
        return replace(self, values=self.values[:, near], usable=self.usable[:, near], grid=grid)

    def masked(self, keep: NDArray[np.bool_]) -> "Stamps":
        """The same stamps with fewer usable pixels."""
        return replace(self, usable=self.usable * keep)


def cut_stamps(
    frame: Frame,
    sky: Sky,
    x: NDArray[np.floating],
    y: NDArray[np.floating],
    half: int,
    clip_adu: float | None = None,
    *,
    colour_levels: NDArray[np.floating] | None = None,
) -> Stamps:
    """Cut stamps around points; beyond the image's edge pixels are unusable.

    Parameters
    ----------
    frame, sky
        The frame and its sky. Of a colour mosaic only green pixels are usable: the others would be another
        profile at another level.
    x, y : ndarray, shape (n,)
        Centres. [px]
    half : int
        Half side. [px]
    clip_adu : float or None
        Pixels at or above this level are unusable. [ADU]
    colour_levels : ndarray, shape (2, 2), optional
        Of a mosaic, how far the sky of each of the four places lies above that of green; all colours are usable then.
        [ADU]
    """
    height, width = frame.pixels.shape
    ix, iy = np.rint(x).astype(np.intp), np.rint(y).astype(np.intp)
    reach = np.arange(-half, half + 1)
    inside = (ix >= half) & (ix < width - half) & (iy >= half) & (iy < height - half)
    if inside.all() and len(ix):
        windows = np.lib.stride_tricks.sliding_window_view(frame.pixels, (2 * half + 1, 2 * half + 1))
        raw = windows[iy - half, ix - half]
        usable = np.ones(raw.shape, dtype=np.float32)
    else:
        rows, columns = iy[:, None] + reach, ix[:, None] + reach
        on_y, on_x = (rows >= 0) & (rows < height), (columns >= 0) & (columns < width)
        raw = frame.pixels[np.clip(rows, 0, height - 1)[:, :, None], np.clip(columns, 0, width - 1)[:, None, :]]
        usable = (on_y[:, :, None] & on_x[:, None, :]).astype(np.float32)
    if clip_adu is not None:
        usable *= raw < clip_adu
    values = raw.astype(np.float32)
    if frame.pixels.dtype == np.float32:
        defined = np.isfinite(values)
        usable *= defined
        values[~defined] = 0
    if colour_levels is not None:
        values -= colour_levels[((iy[:, None] + reach) % 2)[:, :, None], ((ix[:, None] + reach) % 2)[:, None, :]]
    elif frame.mosaic is not None:
        usable *= _green(frame.mosaic, iy[:, None] + reach, ix[:, None] + reach)
    values -= sky.level_at(ix, iy)[:, None, None]
    n = (2 * half + 1) ** 2
    return Stamps(values.reshape(-1, n), usable.reshape(-1, n), sky.noise_at(ix, iy), ix, iy, half, square_grid(half))


def colour_levels(frame: Frame) -> NDArray[np.float32] | None:
    """Sky of each place of a 2 x 2 mosaic less that of its green pixels; None without a mosaic. [ADU]"""
    if frame.mosaic is None:
        return None
    levels = np.array([np.nanmedian(frame.pixels[k // 2 :: 2, k % 2 :: 2][::6, ::6]) for k in range(4)])
    green = np.mean([level for level, letter in zip(levels, frame.mosaic, strict=True) if letter == "G"])
    return (levels - green).reshape(2, 2).astype(np.float32)


def _green(mosaic: str, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> NDArray[np.bool_]:
    pattern = np.array([letter == "G" for letter in mosaic]).reshape(2, 2)
    return pattern[(rows % 2)[:, :, None], (columns % 2)[:, None, :]]
