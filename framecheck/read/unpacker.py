"""A process by itself that unpacks raws and pictures: libraries in C and C++ that read foreign bytes fall here alone.

It is started with the path of this file, knows nothing of framecheck, and ends with its standard input. Each line there
is a request: how, 1 or 0 for pixels or none, and the path's bytes in hexadecimal. An answer is the length of a text in
8 bytes, the text, JSON, and, where they were asked for and nothing is wrong, the pixels, whose shape and type the text
tells.
"""

import contextlib
import json
import math
import os
import sys
from collections.abc import Callable
from typing import Any, BinaryIO

MOST_BYTES = 4 << 30
"""[byte] Chosen: raw, file and copies of 150 million pixels take 1.5 GB. Where the system knows such a limit."""
MOST_S = 60
"""[s of a processor] Chosen: the largest raws take 5 s."""
MOST_PIXELS = 10**9
"""[px] As of other frames."""
MOST_SQUEEZE = 100
LARGE_PIXELS = 2**26
"""[dimensionless, px] As of other frames: what a packed file may hold at most over its size, if it is much."""

NUMBERS = ("|u1", "<u2", "<u4", "<i2", "<i4", "<f2", "<f4", "<f8")
"""Types of pixels that are handed on."""

ROWS_TOGETHER = 128
"""Chosen: they stay in the cache between leaving the library and being sent."""

SHORTER = "Copy it again from the camera, or delete it."
BAYER_ONLY = (
    "Leave it out: only raws of cameras with a 2 x 2 mosaic of red, green and blue, or without colours, are read."
)
KEEP_RAWS = "Give the raws as the camera wrote them."


class Refused(Exception):  # noqa: N818 - says what is wrong
    """The file is none that can be measured; fault and remedy."""


def about_raw(path: str, pixels: bool, send: Callable[[dict[str, Any], Any], None]) -> None:
    """What the raw library tells of a raw, and the pixels in its active area; it unpacks all for most of it."""
    import rawpy

    with rawpy.RawPy() as raw:
        try:
            open_raw(raw, path)
            sizes = raw.sizes
            refuse_impossible(sizes.raw_width, sizes.raw_height, os.stat(path).st_size)  # noqa: PTH116
            if pixels:
                raw.unpack()
        except rawpy.LibRawFileUnsupportedError:
            raise Refused("isn't a raw file that the raw library knows", KEEP_RAWS) from None
        except rawpy.LibRawTooBigError:
            raise Refused("claims more pixels than any camera has", SHORTER) from None
        except rawpy.LibRawUnsufficientMemoryError:
            raise MemoryError from None
        except rawpy.LibRawError as why:
            fault = f"is damaged, or packed in a way that the raw library does not know ({said(why)})"
            raise Refused(fault, SHORTER) from None
        about: dict[str, Any] = {
            "width": sizes.raw_width,
            "height": sizes.raw_height,
            "left": sizes.left_margin,
            "top": sizes.top_margin,
            "right": sizes.left_margin + sizes.width,
            "bottom": sizes.top_margin + sizes.height,
        }
        if not pixels:
            send(about, None)
            return
        about["pattern"] = colours(raw)  # first: it refuses what has no mosaic
        visible = raw.raw_image_visible
        if visible.ndim != 2 or visible.dtype.str != "<u2":
            raise Refused("holds no mosaic of whole numbers", BAYER_ONLY)
        send(about | levels_and_settings(raw), visible)


def levels_and_settings(raw: Any) -> dict[str, Any]:
    """What the library tells of an unpacked raw beside its pixels."""
    other = raw.other
    return {
        "black": list(raw.black_level_per_channel),
        "white": raw.white_level,
        "iso": other.iso_speed,
        "exposure_s": other.shutter_speed,
        "f_number": other.aperture,
        "focal_length_mm": other.focal_length,
        "clock": None if other.timestamp is None else str(other.timestamp.replace(tzinfo=None)),
    }


def open_raw(raw: Any, path: str) -> None:
    """Open a raw by its name; one whose name is no text is read whole first, since the library wants text."""
    try:
        raw.open_file(path)
    except UnicodeEncodeError:
        with open(path, "rb") as file:  # noqa: PTH123
            raw.open_buffer(file)


def colours(raw: Any) -> str | None:
    """Colours of the first 2 x 2 pixels of the active area, None if there are none."""
    if raw.raw_type.name != "Flat":
        raise Refused("holds three colours a pixel: it is demosaiced, and what its stars were is lost", KEEP_RAWS)
    if raw.num_colors == 1:
        return None
    if raw.raw_pattern is None or raw.raw_pattern.shape != (2, 2):
        size = "another" if raw.raw_pattern is None else " x ".join(map(str, raw.raw_pattern.shape[::-1]))
        raise Refused(f"has a mosaic that repeats after {size} pixels", BAYER_ONLY)
    top, left, names = raw.sizes.top_margin, raw.sizes.left_margin, raw.color_desc.decode("latin-1")
    pattern = "".join(names[raw.raw_color(top + y, left + x)] for y in (0, 1) for x in (0, 1))
    if pattern not in ("RGGB", "BGGR", "GRBG", "GBRG"):
        raise Refused(f"has a mosaic of other colours ({pattern})", BAYER_ONLY)
    return pattern


def about_tiff(path: str, pixels: bool, send: Callable[[dict[str, Any], Any], None]) -> None:
    """The first picture of a TIFF file."""
    import tifffile

    with open(path, "rb") as file, tifffile.TiffFile(file) as tiff:  # noqa: PTH123
        page: Any = tiff.pages[0]
        height, width, planes = page.imagelength, page.imagewidth, page.samplesperpixel
        refuse_impossible(width, height, os.fstat(file.fileno()).st_size)
        refuse_holes(page)
        about = {"width": width, "height": height, "planes": planes, "bits": page.bitspersample, "clock": None}
        if page.imagedepth != 1 or page.photometric not in (0, 1, 2) or planes > 4:
            raise Refused(
                "is a TIFF picture of another kind than grey or red, green and blue", "Save it as one of those."
            )
        if not pixels:
            send(about, None)
            return
        whole = page.asarray()
        if page.planarconfig == 2 and whole.ndim == 3:
            whole = whole[min(1, planes - 1)]
        plane = green(whole)
        if plane.shape != (height, width) or plane.dtype.newbyteorder("<").str not in NUMBERS:
            raise Refused("is a TIFF picture of another kind than its tags say", SHORTER)
        send(about, plane)


def about_picture(path: str, pixels: bool, send: Callable[[dict[str, Any], Any], None]) -> None:
    """A JPEG or PNG picture."""
    from PIL import Image

    Image.MAX_IMAGE_PIXELS = MOST_PIXELS
    with open(path, "rb") as file, Image.open(file, formats=("JPEG", "PNG")) as picture:  # noqa: PTH123
        refuse_impossible(*picture.size, os.fstat(file.fileno()).st_size)
        if picture.mode not in ("L", "RGB", "RGBA", "LA", "I;16", "I"):
            raise Refused(f"is a picture of a kind that is not read ({picture.mode})", "Save it in grey or in colours.")
        deep = picture.mode in ("I;16", "I")
        if picture.format == "PNG" and not deep:
            file.seek(24)  # the depth of a sample: PNG specification, 11.2.2
            if file.read(1) == b"\x10":
                raise Refused(
                    "is a PNG picture of 16 bits a colour, of which the library gives 8", "Save it as TIFF of 16 bits."
                )
            file.seek(0)
        exif = picture.getexif()
        inner = exif.get_ifd(34665)
        clock = inner.get(36867) or exif.get(306)
        width, height = picture.size
        about = {
            "width": width,
            "height": height,
            "planes": len(picture.getbands()),
            "bits": 16 if deep else 8,
            "packing": picture.format,
            "steps": list(getattr(picture, "quantization", {}).get(0, [])),
            "clock": str(clock) if clock else None,
            "exposure_s": number(inner.get(33434)),
            "f_number": number(inner.get(33437)),
            "focal_length_mm": number(inner.get(37386)),
        }
        if not pixels:
            send(about, None)
            return
        import numpy as np

        send(about, green(np.asarray(picture)))


def green(whole: Any) -> Any:
    """Plane that is measured: the green one of colours, else the only or the first one."""
    if whole.ndim == 3:
        return whole[..., 1 if whole.shape[2] >= 3 else 0]
    return whole


def number(value: Any) -> float | None:
    """A number of Exif, None if it is none."""
    try:
        return float(value)
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None


def refuse_impossible(width: int, height: int, file_bytes: int) -> None:
    """Refuse sizes that no camera has or the file cannot hold, before memory is taken."""
    if not 0 < width * height <= min(MOST_PIXELS, max(LARGE_PIXELS, MOST_SQUEEZE * file_bytes)):
        raise Refused(f"claims {width:,} x {height:,} pixels, which it cannot hold", SHORTER)


def refuse_holes(page: Any) -> None:
    """Refuse a TIFF picture with fewer or smaller strips or tiles than its size asks for: the library fills in zeros.

    TIFF 6.0 (1992), sections 3 and 15; packed ones may be as small as they like.
    """
    bits = page.bitspersample if isinstance(page.bitspersample, int) else min(page.bitspersample)
    asked = page.imagelength * page.imagewidth * page.samplesperpixel * bits // 8
    plain = page.compression == 1
    if len(page.databytecounts) < math.prod(page.chunked) or (plain and sum(page.databytecounts) < asked):
        raise Refused(f"claims {page.imagewidth:,} x {page.imagelength:,} pixels, which it cannot hold", SHORTER)


def said(why: BaseException) -> str:
    """What a library says, in one line of plain signs."""
    text = why.args[0] if why.args else type(why).__name__
    text = text.decode("latin-1") if isinstance(text, bytes) else str(text)
    return "".join(sign for sign in " ".join(text.split())[:100] if sign.isprintable())


HOW = {"raw": about_raw, "tiff": about_tiff, "picture": about_picture}


def limit() -> None:
    """Memory once and for all, and a processor's time from now on, where the system knows such limits."""
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    with contextlib.suppress(ImportError, ValueError, OSError):
        spent = resource.getrusage(resource.RUSAGE_SELF)
        most = int(spent.ru_utime + spent.ru_stime) + 1 + MOST_S
        resource.setrlimit(resource.RLIMIT_CPU, (most, resource.getrlimit(resource.RLIMIT_CPU)[1]))


def answer(how: str, path: str, pixels: bool, out: BinaryIO) -> None:
    """Answer a request; whatever goes wrong before the answer began becomes a fault."""

    def send(about: dict[str, Any], pixels: Any) -> None:
        if pixels is not None:
            about |= {"shape": pixels.shape, "dtype": pixels.dtype.newbyteorder("<").str}
        text = json.dumps(about).encode("ascii")
        out.write(len(text).to_bytes(8, "little") + text)
        if pixels is None:
            out.flush()
            return
        for row in range(0, len(pixels), ROWS_TOGETHER):
            part = pixels[row : row + ROWS_TOGETHER]
            out.write(memoryview(part.astype(part.dtype.newbyteorder("<"), order="C", copy=False)).cast("B"))
        out.flush()

    try:
        HOW[how](path, pixels, send)
    except BrokenPipeError:
        raise SystemExit from None
    except Refused as why:
        send({"fault": why.args[0], "remedy": why.args[1]}, None)
    except MemoryError:
        send({"fault": "claims more than any camera's frame takes to be unpacked", "remedy": SHORTER}, None)
    except Exception:  # whatever the libraries raise: the file is to blame
        send({"fault": "is damaged, or of a kind that is not read", "remedy": SHORTER}, None)


def main() -> None:
    """Answer requests until there are no more. What libraries print goes nowhere."""
    out = os.fdopen(os.dup(1), "wb")
    nowhere = os.open(os.devnull, os.O_RDWR)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    for line in sys.stdin.buffer:
        limit()
        how, pixels, path = line.split()
        answer(how.decode("ascii"), os.fsdecode(bytes.fromhex(path.decode("ascii"))), pixels == b"1", out)


if __name__ == "__main__":
    main()
