"""Stored numbers become native pixels, block by block, so that only the result is ever held in memory."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.errors import UnusableFrame
from framecheck.read.layout import Layout

Stored = NDArray[Any]
Blocks = Callable[[], Iterator[Stored]]

_BLOCK_PIXELS: Final = 3 * 2**16
"""[px] Chosen: 400 kB of 16-bit pixels stay in the processor's cache; three, to hold whole colour pixels."""
SIGN_BIT: Final = 32768
"""[ADU] BZERO of unsigned 16-bit images, FITS Standard 3.0, Table 11."""
MOST_ADU: Final = 1e15
"""[ADU] Chosen: no converter, nor a sum of a million frames, counts so far; the squares of more overflow float32."""
_DTYPES: Final = {8: "u1", 16: ">i2", 32: ">i4", 64: ">i8", -32: ">f4", -64: ">f8"}


def read_plane(stream: BinaryIO, layout: Layout, path: Path) -> NDArray[Any]:
    """The pixels of an uncompressed image, shape (height, width); of a colour image, those of its green plane. [ADU]

    uint16 if that holds all values without loss, else float32 with NaN for undefined pixels. Raises `UnusableFrame` if
    the file ends early.
    """
    stored = np.dtype(_DTYPES[layout.bitpix])
    start, count, step = layout.offset, layout.plane_pixels, 1
    if layout.interleaved:
        count, step = 3 * count, 3
    elif layout.planes == 3:
        start += count * stored.itemsize  # red, green, blue: the second

    def blocks() -> Iterator[Stored]:
        stream.seek(start)
        buffer = np.empty(min(count, _BLOCK_PIXELS), stored)
        for first in range(0, count, _BLOCK_PIXELS):
            block = buffer[: count - first]
            if not fill(stream, block.view(np.uint8).data):
                raise UnusableFrame(path, "ends before its last pixel", "Copy it again from the camera, or delete it.")
            yield block if step == 1 else block[1::3]

    return native_pixels(blocks, layout).reshape(layout.height_px, layout.width_px)


def native_of_array(stored: Stored, layout: Layout) -> NDArray[Any]:
    """The same for an image that is already in memory as stored (unpacked tiles), without a copy where possible."""
    flat = stored.reshape(-1)
    if flat.dtype == np.int16 and _is_unsigned_16(layout) and layout.blank is None:
        unsigned = flat.view(np.uint16)
        np.bitwise_xor(unsigned, np.uint16(SIGN_BIT), out=unsigned)
        return unsigned.reshape(stored.shape)
    if flat.dtype == np.float32 and flat.dtype.isnative and layout.scale == 1 and layout.zero == 0:
        for first in range(0, flat.size, _BLOCK_PIXELS):
            block = flat[first : first + _BLOCK_PIXELS]
            block[~(np.abs(block) <= MOST_ADU)] = np.nan
        return stored

    def blocks() -> Iterator[Stored]:
        for first in range(0, flat.size, _BLOCK_PIXELS):
            yield flat[first : first + _BLOCK_PIXELS]

    return native_pixels(blocks, layout).reshape(stored.shape)


def native_pixels(blocks: Blocks, layout: Layout) -> NDArray[Any]:
    """Convert an image that comes in blocks; read anew as float32 where 16 bits turn out to be too few.

    Physical value = BZERO + BSCALE * stored value, and a stored value equal to BLANK is undefined (FITS Standard 3.0,
    section 4.4.2). Infinite values are undefined too, and those that no camera counts to.
    """
    if layout.bitpix > 0 and layout.scale % 1 == 0 and layout.zero % 1 == 0 and layout.bitpix < 64:
        unsigned = _as_uint16(blocks(), layout)
        if unsigned is not None:
            return unsigned
    return _as_float32(blocks(), layout)


def _is_unsigned_16(layout: Layout) -> bool:
    return layout.bitpix == 16 and layout.scale == 1 and layout.zero == SIGN_BIT


def _as_uint16(blocks: Iterator[Stored], layout: Layout) -> NDArray[np.uint16] | None:
    """None as soon as a value does not fit, or is undefined."""
    pixels = np.empty(layout.plane_pixels, np.uint16)
    filled = 0
    fast = _is_unsigned_16(layout)
    plain = layout.scale == 1 and layout.zero == 0
    if abs(layout.scale) > 2**16 or abs(layout.zero) > 2**40:
        return None
    for block in blocks:
        if layout.blank is not None and bool((block == layout.blank).any()):
            return None
        out = pixels[filled : filled + block.size]
        filled += block.size
        if fast:
            out[...] = block.view(block.dtype.str.replace("i", "u"))
            np.bitwise_xor(out, np.uint16(SIGN_BIT), out=out)
            continue
        physical = block if plain else block.astype(np.int64) * int(layout.scale) + int(layout.zero)
        if (layout.bitpix != 8 or not plain) and (physical.min() < 0 or physical.max() > np.iinfo(np.uint16).max):
            return None
        out[...] = physical
    return pixels


def _as_float32(blocks: Iterator[Stored], layout: Layout) -> NDArray[np.float32]:
    pixels = np.empty(layout.plane_pixels, np.float32)
    filled = 0
    plain = layout.scale == 1 and layout.zero == 0
    with np.errstate(all="ignore"):  # what float32 cannot hold becomes infinite, and that undefined
        for block in blocks:
            out = pixels[filled : filled + block.size]
            filled += block.size
            if plain:
                out[...] = block
            else:
                out[...] = block.astype(np.float64) * layout.scale + layout.zero
            if layout.bitpix not in (8, 16, 32) or not plain:
                out[~(np.abs(out) <= MOST_ADU)] = np.nan
            if layout.blank is not None:
                out[block == layout.blank] = np.nan
    return pixels


def fill(stream: BinaryIO, view: memoryview) -> bool:
    """Fill a buffer with what comes next in a stream; False if that ends before."""
    while len(view):
        got = stream.readinto(view)  # type: ignore[attr-defined]
        if not got:
            return False
        view = view[got:]
    return True


def refuse_worthless(pixels: NDArray[Any], path: Path, saturation_adu: float | None) -> None:
    """Raise if there is nothing to measure: no defined pixel, one value everywhere, or all of it clipped.

    A sample of pixels clears almost every frame; only if the sample is suspicious are all pixels looked at.
    """
    sample = pixels[:: max(1, pixels.shape[0] // 200), :: max(1, pixels.shape[1] // 200)]
    if not _defined(sample).size and not any(_defined(row).size for row in pixels):
        raise UnusableFrame(path, "has no defined pixel (all are NaN or BLANK)", "Export it again, or delete it.")
    values = _defined(sample)
    if not values.size or values.min() == values.max():
        low, high = np.nanmin(pixels), np.nanmax(pixels)
        if low == high:
            raise UnusableFrame(
                path, f"has the same value, {low:g}, in every pixel", "Check that camera and shutter worked."
            )
    if values.size and _is_clipped(values, saturation_adu):
        raise UnusableFrame(
            path, f"is saturated nearly everywhere, at {np.median(values):g}", "Expose shorter, or in darkness."
        )


def _is_clipped(values: NDArray[Any], saturation_adu: float | None) -> bool:
    top = values.max()
    bright = top > (_FAINT_ADU if values.dtype == np.uint16 else 0)
    if bright and np.count_nonzero(values == top) > _CLIPPED_SHARE * values.size:
        return True
    if saturation_adu is None:
        return False
    low, high = np.quantile(values, (1 - _CLIPPED_SHARE, _CLIPPED_SHARE))
    return bool(low >= saturation_adu and high - low < _CLIPPED_SPREAD * high)


_CLIPPED_SHARE: Final = 0.9
"""[dimensionless] Chosen: nine tenths of the pixels at the very highest value."""
_CLIPPED_SPREAD: Final = 0.02
"""[dimensionless] Chosen: a full well scatters by less; a sky above a wrong SATURATE card by more."""
_FAINT_ADU: Final = 250
"""[ADU] Chosen: below, a dark frame of a few whole numbers may have most of its pixels at the highest one; the
highest value of 8 bits is above."""


def _defined(values: NDArray[Any]) -> NDArray[Any]:
    flat: NDArray[Any] = values.reshape(-1)
    return flat[np.isfinite(flat)] if flat.dtype == np.float32 else flat
