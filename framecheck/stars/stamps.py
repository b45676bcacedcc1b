"""Small cut-outs around stars, with what is needed to weigh their pixels."""

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import KNOWN_SIGMA
from framecheck.read.exposure import Frame
from framecheck.sky import Colours, Ground, Sky
from framecheck.stars.profile import StampGrid, square_grid

F32 = NDArray[np.float32]

PIXELS_TOGETHER: Final = 300_000
"""Pixels of the cut-outs looked at together. Chosen by timing: they stay in the processor's cache."""


def together(n: int, n_pixels: int, fewest: int = 1, most: int = PIXELS_TOGETHER) -> list[slice]:
    """Parts of so many cut-outs, of so many pixels each, that are looked at together."""
    size = max(fewest, most // n_pixels)
    return [slice(i, i + size) for i in range(0, n, size)]


@dataclass(frozen=True, slots=True)
class Stamps:
    """Cut-outs of one size, sky taken off, shape (n_stars, n_side * n_side)."""

    values: F32
    """Counts above the sky; 0 where a pixel does not count. [ADU]"""
    usable: F32
    """1 where a pixel counts, 0 where it is undefined, clipped, of another colour, of the ground, or not the star's."""
    noise: F32
    """Noise of one pixel of blank sky under each star, shape (n_stars,). [ADU]"""
    x: NDArray[np.intp]
    y: NDArray[np.intp]
    """Pixel of the image at the centre of each stamp, shape (n_stars,)."""
    half: int
    """A stamp has 2 half + 1 pixels a side."""
    grid: StampGrid
    """Its pixels: all of them, or a list of those near a trail."""
    pixel_px: int = 1
    """Side of the squares of pixels whose means are the values; `usable` then counts their pixels. [px]"""

    def __len__(self) -> int:
        return len(self.values)

    @property
    def pictures(self) -> F32:
        """The values of whole stamps with rows and columns, shape (n_stars, n_side, n_side)."""
        side = 2 * self.half + 1
        return self.values.reshape(-1, side, side)

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
        return self._at(np.hypot(beyond, c * y - s * x).ravel() <= reach_px)

    def like_the_middle(self) -> "Stamps":
        """The stamps cut down to every second pixel, as on a chessboard: the green ones of a mosaic."""
        x, y = np.broadcast_arrays(self.grid.x, self.grid.y)
        return self._at(((x + y) % 2 == 0).ravel())

    def in_squares(self, side_px: int) -> "Stamps":
        """The stamps with the means of squares of pixels instead; squares count if all their pixels do."""
        n, stamp_px = (2 * self.half + 1) // side_px, 2 * self.half + 1

        def means(of: F32) -> F32:
            whole = of.reshape(-1, stamp_px, stamp_px)[:, : n * side_px, : n * side_px]
            return whole.reshape(-1, n, side_px, n, side_px).mean(axis=(2, 4)).reshape(-1, n * n)

        usable = means(self.usable) == 1
        at = ((np.arange(n) + 0.5) * side_px - 0.5 - self.half).astype(np.float32)
        return replace(
            self,
            values=means(self.values) * usable,
            usable=usable * np.float32(side_px**2),
            grid=StampGrid(at[None, :], at[:, None]),
            pixel_px=side_px,
        )

    def _at(self, pixels: NDArray[np.bool_]) -> "Stamps":
        """The stamps cut down to some of their pixels."""
        x, y = (np.broadcast_to(at, self.grid.shape).ravel()[pixels] for at in (self.grid.x, self.grid.y))
        return replace(self, values=self.values[:, pixels], usable=self.usable[:, pixels], grid=StampGrid(x, y))

    def masked(self, keep: NDArray[np.bool_]) -> "Stamps":
        """The same stamps with fewer usable pixels."""
        return replace(self, usable=self.usable * keep)


def cut_stamps(
    frame: Frame,
    sky: Sky,
    x: NDArray[Any],
    y: NDArray[Any],
    half: int,
    clip_adu: float | None = None,
    *,
    colours: Colours | None = None,
    green_alone: bool = False,
) -> Stamps:
    """Cut stamps around points; pixels beyond the image's edge, or at the clipping level, are unusable.

    The sky of a colour mosaic is brought down to that of green by `colours`, which tell how far each lies above it:
    the two greens differ, too. Where green is to count alone, since the others see another profile, the middle pixel
    is a green one, beside the one at the point if that is not.
    """
    ix, iy = np.rint(x).astype(np.intp), np.rint(y).astype(np.intp)
    pattern = frame.mosaic if green_alone else None
    if pattern is not None:
        other = (ix + iy) % 2 != pattern.index("G") % 2
        ix = ix + np.where(other, np.where(x < ix, -1, 1), 0)
    raw, usable = _windows(frame.pixels, ix, iy, half)
    if clip_adu is not None and (clipped := raw >= clip_adu).any():
        usable[clipped] = 0
    values = raw.astype(np.float32)
    if frame.pixels.dtype == np.float32:
        undefined = ~np.isfinite(values)
        usable[undefined] = 0
        values[undefined] = 0
    if colours is not None:
        _take_off_colours(values, colours, ix, iy, half)
    if pattern is not None:
        usable[:, 1::2] = 0
    level, noise = sky.level_and_noise_at(ix, iy)
    values -= level[:, None]
    if sky.ground is not None:
        usable[_of_ground(values, noise, sky.ground, ix, iy, half)] = 0
    partial = np.flatnonzero(usable @ np.ones(usable.shape[1], np.float32) < usable.shape[1])
    values[partial] *= usable[partial]
    return Stamps(values, usable, noise, ix, iy, half, square_grid(half))


def _of_ground(
    values: F32, noise: F32, ground: Ground, x: NDArray[np.intp], y: NDArray[np.intp], half: int
) -> NDArray[np.bool_]:
    """Pixels of stamps that show ground: behind its line, or dark and at it, since cells are coarser than its teeth."""
    reach = np.arange(-half, half + 1)
    columns, rows = np.broadcast_arrays(x[:, None, None] + reach, y[:, None, None] + reach[:, None])
    behind, near = (cover.at(columns, rows).reshape(values.shape) for cover in (ground.cover, ground.fringe))
    out: NDArray[np.bool_] = behind | (near & (values < -KNOWN_SIGMA * noise[:, None]))
    return out


def _windows(
    pixels: NDArray[Any], x: NDArray[np.intp], y: NDArray[np.intp], half: int
) -> tuple[NDArray[Any], NDArray[np.float32]]:
    """Pixels around points, and 1 where there are any; shapes (n, n_side * n_side)."""
    raw, beyond = windows_around(pixels, x, y, half)
    usable = np.ones(raw.shape, np.float32)
    reach = np.arange(-half, half + 1)
    on_y, on_x = (
        (at >= 0) & (at < n)
        for at, n in zip((y[beyond, None] + reach, x[beyond, None] + reach), pixels.shape, strict=True)
    )
    usable[beyond] = (on_y[:, :, None] & on_x[:, None, :]).reshape(len(beyond), raw.shape[1])
    return raw, usable


def windows_around(
    pixels: NDArray[Any], x: NDArray[np.intp], y: NDArray[np.intp], half: int
) -> tuple[NDArray[Any], NDArray[np.intp]]:
    """Pixels around points, shape (n, n_side * n_side), and which of these reach beyond the image's edge.

    There the last pixels go on.
    """
    height, width = pixels.shape
    side = 2 * half + 1
    if min(height, width) < side:
        raw, beyond = np.empty((len(x), side * side), pixels.dtype), np.arange(len(x))
    else:
        left, top = np.clip(x - half, 0, width - side), np.clip(y - half, 0, height - side)
        raw = windows_at(pixels, left, top, side)
        beyond = np.flatnonzero((left != x - half) | (top != y - half))
    reach = np.arange(-half, half + 1)
    rows, columns = (np.clip(at[beyond, None] + reach, 0, n - 1) for at, n in zip((y, x), pixels.shape, strict=True))
    raw[beyond] = pixels[rows[:, :, None], columns[:, None, :]].reshape(len(beyond), side * side)
    return raw, beyond


def windows_at(pixels: NDArray[Any], left: NDArray[np.intp], top: NDArray[np.intp], side: int) -> NDArray[Any]:
    """Square windows that lie within the image, shape (n, side * side), by their first pixels.

    Each row of a window is copied as one item: three times as quick as pixel by pixel.
    """
    width = pixels.shape[1]
    row = np.dtype((np.void, side * pixels.itemsize))
    if not pixels.flags.c_contiguous:
        pixels = np.ascontiguousarray(pixels)
    at_each_pixel = np.ndarray((pixels.size - side + 1,), row, buffer=pixels, strides=(pixels.itemsize,))
    rows = at_each_pixel[(top * width + left)[:, None] + np.arange(side) * width]
    return rows.view(pixels.dtype).reshape(len(left), side * side)


def _take_off_colours(values: F32, colours: Colours, x: NDArray[np.intp], y: NDArray[np.intp], half: int) -> None:
    """Bring the sky of all colours in stamps down to that of green."""
    side, every = 2 * half + 1, np.arange(len(values))
    image, levels = values.reshape(-1, side, side), colours.at(x, y)
    for down in (0, 1):
        for right in (0, 1):
            place = 2 * ((y - half + down) % 2) + (x - half + right) % 2
            image[:, down::2, right::2] -= levels[every, place][:, None, None]
