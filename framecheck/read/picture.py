"""Pictures: TIFF and PNG of 16 bits, which some cameras write instead of raws, and those of 8 bits, which tell less."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.errors import UnusableFrame
from framecheck.read.exposure import Exposure, Frame
from framecheck.read.fits import GREEN, value_scale, with_mosaic
from framecheck.read.layout import LEAST_SIDE_PX
from framecheck.read.light_area import cut_to, without_dark_edges
from framecheck.read.mosaic import green_on_main_diagonal
from framecheck.read.pixels import MOST_ADU, refuse_worthless
from framecheck.read.raw import exif_facts, exposure_of, whole_file
from framecheck.read.tiff import is_tiff
from framecheck.read.unpacking import How, told_of, unpacked

_BENT: Final = (
    "{kind}: its tone curve is unknown{more}. Widths, lengths and trails are measured as they look; how bright sky and "
    "stars are, how noisy, and what was clipped stay unknown."
)


def read_picture_exposure(path: Path) -> Exposure:
    """As `frame_file.read_exposure`, of a TIFF, PNG or JPEG picture: of kind "unknown"."""
    how, directories = _checked(path)
    return _exposure(path, directories, told_of(path, how))


def read_picture_frame(path: Path) -> Frame:
    """As `frame_file.read_frame`, of a picture; of a coloured one its green plane.

    One of 8 bits says so in its scale and in a sentence among the conflicts.
    """
    how, directories = _checked(path)
    about, stored = unpacked(path, how)
    pixels = _native(stored)
    exposure = _exposure(path, directories, about)
    refuse_worthless(pixels, path, exposure.saturation_adu)
    exposure = replace(exposure, value_scale=value_scale(pixels, eight_bits=about["bits"] == 8))
    height, width = pixels.shape
    whole = (0, 0, width, height)
    area = without_dark_edges(pixels, whole)
    pixels = cut_to(pixels, area)
    exposure = replace(exposure, light_area=None if area == whole else area)
    if exposure.plane is not None or about["bits"] == 8:
        return Frame(exposure=exposure, pixels=pixels, hidden_noise_adu=_hidden_noise(about.get("steps")))
    return _with_unnamed_mosaic(exposure, pixels)


def _checked(path: Path) -> tuple[How, tuple[Any, ...]]:
    """Which library reads the picture, and its tags where it has some; refused if it is cut short."""
    head, directories = whole_file(path)
    return "tiff" if is_tiff(head) or head[2:4] in (b"+\0", b"\0+") else "picture", directories


def _exposure(path: Path, directories: tuple[Any, ...], about: Mapping[str, Any]) -> Exposure:
    width, height = int(about["width"]), int(about["height"])
    if min(width, height) < LEAST_SIDE_PX:
        fault = f"has only {width} x {height} pixels, too few for a star"
        raise UnusableFrame(path, fault, "Leave it out of the folder of frames.")
    eight, coloured = about["bits"] == 8, about["planes"] >= 3
    exposure = exposure_of(
        path,
        exif_facts(directories, about),
        width_px=width,
        height_px=height,
        plane=GREEN if coloured else None,
        processed=eight or coloured,
        value_scale="8 bit" if eight else "ADU",
    )
    if not eight:
        return exposure
    jpeg = about.get("packing") == "JPEG"
    kind, more = ("A JPEG picture", ", and compression has taken fine detail") if jpeg else ("A picture of 8 bits", "")
    return replace(exposure, conflicts=(*exposure.conflicts, _BENT.format(kind=kind, more=more)))


def _hidden_noise(steps: Sequence[int] | None) -> float:
    """Noise that a JPEG's rounding may hide. [levels]

    A block of 8 x 8 pixels is kept as waves, each rounded to a step (ITU-T T.81 (1992), annex A.3). Noise of a third of
    a step falls to nothing in six waves of seven (1.5 sigma, closed form); the seventh stands in an empty block and
    looks like stars. The scale is such that white noise is as large in each wave as in each pixel.
    """
    if not steps or len(steps) != 64:
        return 0.0
    slow = np.array(steps, float).reshape(8, 8)[:5, :5].ravel()[1:]
    return float(np.median(slow)) / 3


def _native(stored: NDArray[Any]) -> NDArray[Any]:
    """uint16 where that holds all values, else float32 with NaN for undefined pixels."""
    if stored.dtype.kind in "iu" and (stored.dtype.itemsize == 1 or stored.dtype == np.uint16):
        return stored.astype(np.uint16, copy=False)
    if stored.dtype.kind in "iu" and stored.min() >= 0 and stored.max() < 2**16:
        return stored.astype(np.uint16)
    with np.errstate(all="ignore"):  # what float32 cannot hold becomes infinite, and that undefined
        pixels = stored.astype(np.float32)
    pixels[~(np.abs(pixels) <= MOST_ADU)] = np.nan
    return pixels


def _with_unnamed_mosaic(exposure: Exposure, pixels: NDArray[Any]) -> Frame:
    """A grey picture, whose pixels alone may show that it is a mosaic; which of the two others is red they cannot."""
    main_is_green = green_on_main_diagonal(pixels)
    if main_is_green is None:
        return Frame(exposure=exposure, pixels=pixels)
    pattern = "GRBG" if main_is_green else "RGGB"
    said = (
        f"The pixels show a colour mosaic that the file doesn't name; we used {pattern}, where red and "
        "blue may stand for each other. Green, which is measured, is certain."
    )
    exposure = replace(exposure, mosaic_pattern=pattern, conflicts=(*exposure.conflicts, said))
    return with_mosaic(exposure, pixels)
