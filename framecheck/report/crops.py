"""Pixels of frames as they are: a star of its own, and pieces of middle and corners side by side."""

import io
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.field.result import StackedStar
from framecheck.report.thumbnail import Shades, as_jpeg, stretched

TILES: Final = ("upper left", "upper right", "middle", "lower left", "lower right")
"""Pieces of a sheet, from left to right."""
_TILE_PX: Final = (112, 88, 64, 48, 36)
"""Side of a piece, the largest that there is room for. Chosen: a dozen stars' widths."""
_WIDTHS_SHOWN: Final = 9.0
"""Side of a star's picture over its FWHM. Chosen: wings and neighbours are seen."""
_LEAST_PX: Final = 21
_MEAN_STAR_PX: Final = 31
"""Side of a mean star's picture at most. Chosen: 0.2 pixels of the frame each, for the typical star."""


@dataclass(frozen=True, kw_only=True, slots=True)
class FramePictures:
    """What a frame looks like, packed; each is None if it was not asked for or could not be made."""

    whole: bytes | None = None
    """The frame stretched small, JPEG."""
    sheet: bytes | None = None
    """Pieces of it pixel by pixel, in the order of `TILES`, JPEG."""
    star: bytes | None = None
    """One of its stars pixel by pixel, PNG."""

    @property
    def n_bytes(self) -> int:
        """Of all of them."""
        return sum(len(one) for one in (self.whole, self.sheet, self.star) if one is not None)


def corner_sheet(pixels: NDArray[Any], most_bytes: int, *, is_mosaic: bool = False) -> bytes:
    """Middle and corners at one pixel of the frame to one of the picture, the first row of the file lowest.

    Of a colour mosaic a pixel of the picture is the mean of a 2 x 2 cell.
    """
    grey = cells_of(pixels) if is_mosaic else pixels
    packed = b""
    for side in _TILE_PX:
        tiles = [stretched(np.asarray(grey[rows, columns], dtype=np.float32)) for rows, columns in _places(grey, side)]
        packed = as_jpeg(np.concatenate([tile[::-1] for tile in tiles], axis=1), most_bytes)
        if len(packed) <= most_bytes:
            break
    return packed


def _places(pixels: NDArray[Any], side: int) -> list[tuple[slice, slice]]:
    """Rows and columns of each piece; a little in from the edge, where overscan and dark edges lie."""
    n_y, n_x = pixels.shape
    side = min(side, n_y, n_x)
    edge_y, edge_x = min(n_y // 50, (n_y - side) // 2), min(n_x // 50, (n_x - side) // 2)
    low, high = edge_y, n_y - side - edge_y
    left, right = edge_x, n_x - side - edge_x
    corners = ((high, left), (high, right), ((n_y - side) // 2, (n_x - side) // 2), (low, left), (low, right))
    return [(slice(y, y + side), slice(x, x + side)) for y, x in corners]


def star_crop(pixels: NDArray[Any], x_px: float, y_px: float, side_px: int, *, is_mosaic: bool = False) -> bytes:
    """A star in its own pixels as a PNG, from the sky's level to its peak by the square root of the light."""
    half = side_px // 2
    y, x = round(y_px), round(x_px)
    piece = np.full((2 * half + 1, 2 * half + 1), np.nan)
    rows, columns = np.arange(y - half, y + half + 1), np.arange(x - half, x + half + 1)
    inside = np.ix_((rows >= 0) & (rows < pixels.shape[0]), (columns >= 0) & (columns < pixels.shape[1]))
    cut = pixels[np.ix_(rows[inside[0].ravel()], columns[inside[1].ravel()])]
    piece[inside] = cut
    if is_mosaic:
        piece = cells_of(piece)
    sky, peak = np.nanpercentile(piece, 30), np.nanmax(piece)
    light = np.sqrt(np.clip((np.nan_to_num(piece, nan=sky) - sky) / max(peak - sky, 1e-9), 0, 1))
    return _png(light)


def side_of_stars(fwhm_px: list[float]) -> int:
    """Side of the pictures of stars that are shown beside each other, so that all have one scale. [px]"""
    return max(_LEAST_PX, round(_WIDTHS_SHOWN * max(fwhm_px))) | 1


def cells_of(pixels: NDArray[Any]) -> NDArray[np.float32]:
    """Means of 2 x 2 pixels: a colour mosaic turns grey."""
    n_y, n_x = (side // 2 for side in pixels.shape)
    cells = np.asarray(pixels[: 2 * n_y, : 2 * n_x], dtype=np.float32).reshape(n_y, 2, n_x, 2)
    out: Shades | NDArray[np.float32] = cells.mean(axis=(1, 3))
    return np.asarray(out, dtype=np.float32)


def mean_star_png(star: StackedStar, *, first_row_on_top: bool) -> bytes:
    """A frame's mean star in grey shades by the square root of the light."""
    image = np.asarray(star.image[::-1] if first_row_on_top else star.image, dtype=float)
    step = -(-len(image) // _MEAN_STAR_PX)
    side = len(image) // step * step
    small = image[:side, :side].reshape(side // step, step, side // step, step).mean(axis=(1, 3))
    return _png(np.sqrt(np.clip(small / small.max(), 0, 1)))


def _png(light: NDArray[np.float64]) -> bytes:
    from PIL import Image

    file = io.BytesIO()
    Image.fromarray(np.asarray(np.round(255 * light), dtype=np.uint8)[::-1]).save(file, format="PNG", optimize=True)
    return file.getvalue()
