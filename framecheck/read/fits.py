"""Frames from FITS files: opened read-only, checked before memory is taken, read in one pass."""

import gzip
import os
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, BinaryIO, Final, cast

import numpy as np
from numpy.typing import NDArray

from framecheck.errors import UnusableFrame
from framecheck.read.exposure import Exposure, Frame, ValueScale
from framecheck.read.header import exposure_from_header
from framecheck.read.layout import Layout, find_image
from framecheck.read.light_area import cut_to, overscan_of_header, without_dark_edges
from framecheck.read.mosaic import pattern_in_filter_card, verified_pattern
from framecheck.read.paths import NoPlainFile, open_plain
from framecheck.read.pixels import SIGN_BIT, native_of_array, read_plane, refuse_worthless
from framecheck.read.tiles import unpack_tiles
from framecheck.read.unlit import level_and_noise

GREEN: Final = "green of red, green and blue"
_SCALED_TOP: Final = 2.0
"""[dimensionless] Chosen: values scaled to 0..1 overshoot 1 a little where an image was resampled; ADU go further."""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Open:
    """An open file: its bytes after unpacking, its state when opened."""

    stream: BinaryIO
    raw: BinaryIO
    """The same without unpacking."""
    state: os.stat_result
    gzipped: bool


def read_exposure(path: Path) -> Exposure:
    """As `frame_file.read_exposure`, of a FITS file, which may be gzipped or tile-compressed."""
    with _opened(path) as opened:
        layout = _find(opened, path)
        return _exposure(path, layout)


def read_layout(path: Path) -> Layout:
    """Where the image lies in a file and how large it is, from the headers alone; raises as `read_exposure`."""
    with _opened(path) as opened:
        return _find(opened, path)


def read_frame(path: Path) -> Frame:
    """As `frame_file.read_frame`, of a FITS file; overscan and other edges without sky are left out."""
    with _opened(path) as opened:
        layout = _find(opened, path)
        pixels = _read_tiles(opened, layout, path) if layout.tiled else read_plane(opened.stream, layout, path)
        after = os.fstat(opened.raw.fileno())
        if (after.st_size, after.st_mtime_ns) != (opened.state.st_size, opened.state.st_mtime_ns):
            raise UnusableFrame(
                path,
                "changed while it was read, so it is still being written",
                "Wait until it is complete, then run again.",
            )
    exposure = _exposure(path, layout)
    refuse_worthless(pixels, path, exposure.saturation_adu)
    exposure = replace(exposure, value_scale=value_scale(pixels, eight_bits=layout.bitpix == 8 and layout.scale == 1))
    exposure = _with_doubts_about_values(exposure, layout, pixels)
    whole = (0, 0, layout.width_px, layout.height_px)
    exposure = _with_overscan(exposure, layout, pixels)
    area = without_dark_edges(pixels, exposure.light_area or whole)
    exposure = replace(exposure, light_area=None if area == whole else area)
    pixels = cut_to(pixels, area)
    if layout.planes == 3:
        return Frame(exposure=exposure, pixels=pixels)
    return with_mosaic(exposure, pixels, pattern_in_filter_card(layout.header))


@contextmanager
def _opened(path: Path) -> Iterator[_Open]:
    """Open a regular file for reading; whatever goes wrong in it becomes an `UnusableFrame`."""
    try:
        with open_frame(path) as raw:
            state = os.fstat(raw.fileno())
            gzipped = raw.read(2) == b"\x1f\x8b"
            raw.seek(0)
            stream = cast(BinaryIO, gzip.GzipFile(fileobj=raw)) if gzipped else raw
            yield _Open(stream=stream, raw=raw, state=state, gzipped=gzipped)
    except UnusableFrame as unusable:
        raise _perhaps_growing(unusable) from None
    except (EOFError, zlib.error, gzip.BadGzipFile):
        fault = "is damaged or ends early inside its gzip data"
        raise UnusableFrame(path, fault, "Copy it again from the camera.") from None
    except MemoryError:
        raise UnusableFrame(path, "does not fit into memory", "Close other programs, or use another machine.") from None
    except OSError as why:
        raise UnusableFrame(path, f"cannot be read ({why.strerror or why})", "Check the disk it lies on.") from None


def open_frame(path: Path) -> BinaryIO:
    """Open a frame's file, read-only and without a buffer; never a pipe, which would wait for ever.

    Raises `UnusableFrame` if it cannot be opened.
    """
    try:
        return cast(BinaryIO, open_plain(path))
    except FileNotFoundError:
        raise UnusableFrame(path, "is not there", "Check the path, and whether it was moved or deleted.") from None
    except PermissionError:
        raise UnusableFrame(
            path, "may not be read (no permission)", "Change its permissions, then run again."
        ) from None
    except IsADirectoryError:
        raise UnusableFrame(path, "is a folder, not a file", "Give the files in it.") from None
    except NoPlainFile:
        fault = "isn't a regular file but a device or pipe"
        raise UnusableFrame(path, fault, "Leave it out of the folder of frames.") from None
    except OSError as why:  # a circle of links, a NUL in the name
        fault = f"cannot be opened ({why.strerror or why})"
        raise UnusableFrame(path, fault, "Check the link or the path.") from None


SHORT: Final = ("ends ", "is empty", "claims ", "is damaged or ends")
"""How the fault of a file begins that may still be growing."""


def _perhaps_growing(unusable: UnusableFrame) -> UnusableFrame:
    """The same fault; if the file is too short, with the remedy for one that is still being written as well.

    What is told of a file depends on the file alone, not on when it is asked: a report can be made again.
    """
    if not unusable.fault.startswith(("ends after", "ends before")):
        return unusable
    remedy = "If it is still being written, wait until it is complete; if not, copy it again from the camera."
    return UnusableFrame(unusable.path, unusable.fault, remedy)


def _find(opened: _Open, path: Path) -> Layout:
    size = opened.state.st_size
    return find_image(
        opened.stream,
        path,
        available=None if opened.gzipped else size,
        packed_bytes=size if opened.gzipped else None,
    )


def _exposure(path: Path, layout: Layout) -> Exposure:
    exposure = exposure_from_header(
        path,
        layout.header,
        width_px=layout.width_px,
        height_px=layout.height_px,
        plane=GREEN if layout.planes == 3 else None,
    )
    return replace(exposure, processed=exposure.processed or layout.bitpix < 0)


def _read_tiles(opened: _Open, layout: Layout, path: Path) -> NDArray[Any]:
    """Unpack an image that is stored as compressed tiles; of a colour image its green plane."""
    stored = unpack_tiles(opened.stream, layout, path)
    if layout.interleaved:
        stored = stored[..., 1]
    elif layout.planes == 3:
        stored = stored[1]
    return native_of_array(np.asarray(stored).reshape(layout.height_px, layout.width_px), layout)


def value_scale(pixels: NDArray[Any], *, eight_bits: bool) -> ValueScale:
    """What the pixel values count, as far as they tell: counts of frames on other scales cannot be compared."""
    if pixels.dtype == np.uint16:
        return "8 bit" if eight_bits else "ADU"
    sample = pixels[::16, ::16]
    if (sample > _SCALED_TOP).any() or (pixels > _SCALED_TOP).any():
        return "ADU"
    return "0 to 1"


def _with_doubts_about_values(exposure: Exposure, layout: Layout, pixels: NDArray[Any]) -> Exposure:
    """Note values that the header makes implausible: a BZERO left over, and ADU on a scale from 0 to 1."""
    if layout.bitpix > 0:
        return exposure
    sample = pixels[::16, ::16]
    sample = sample[np.isfinite(sample)]
    if not sample.size:
        return exposure
    if layout.zero == SIGN_BIT and np.percentile(sample, 1) >= 0.95 * SIGN_BIT:
        said = (
            "BZERO = 32768 stands over real numbers, probably left from an earlier format; it was added as the "
            f"standard asks, and puts the sky at {np.median(sample):.0f}."
        )
        return replace(exposure, conflicts=(*exposure.conflicts, said))
    if exposure.value_scale == "0 to 1" and (exposure.gain_e_per_adu or exposure.saturation_adu):
        said = "The pixels run from 0 to 1, so gain and saturation of the header, in ADU, were ignored."
        return replace(exposure, gain_e_per_adu=None, saturation_adu=None, conflicts=(*exposure.conflicts, said))
    return exposure


def _with_overscan(exposure: Exposure, layout: Layout, pixels: NDArray[Any]) -> Exposure:
    """The exposure with level and noise of its overscan, if the pixels there are as dark and quiet as that."""
    said = overscan_of_header(layout.header, width_px=layout.width_px, height_px=layout.height_px)
    if said.value is None or exposure.light_area is None:
        return exposure
    left, bottom, right, top = said.value
    level, noise = level_and_noise(pixels[bottom:top, left:right])
    left, bottom, right, top = exposure.light_area
    sky, sky_noise = level_and_noise(pixels[bottom:top, left:right:8])  # an even step: colours stay apart
    if not (level <= sky + noise and 0 < noise <= 1.1 * sky_noise):
        told = f"{said.source} names an overscan, but its pixels are not darker than the others; it was not used."
        return replace(exposure, conflicts=(*exposure.conflicts, told))
    return replace(exposure, overscan_adu=level, overscan_noise_adu=noise)


def with_mosaic(exposure: Exposure, pixels: NDArray[Any], hint: str | None = None) -> Frame:
    """The frame, with its mosaic's pattern, or one that something hints at, checked against the pixels."""
    said = verified_pattern(
        pixels,
        exposure.mosaic_pattern or hint,
        certain=exposure.mosaic_pattern is not None,
        binning=exposure.binning,
    )
    exposure = replace(exposure, mosaic_pattern=said.value, conflicts=(*exposure.conflicts, *said.conflicts))
    return Frame(exposure=exposure, pixels=pixels, mosaic=said.value)
