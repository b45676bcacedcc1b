"""Where in a file the image lies, found from its headers alone and checked against the bytes that are there."""

import math
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

from framecheck.errors import UnusableFrame
from framecheck.read.cards import CARD_BYTES, Header, merge_headers, parse_header

BLOCK_BYTES: Final = 2880
"""[byte] FITS Standard 3.0, section 3.1."""
BITPIX_ALLOWED: Final = (8, 16, 32, 64, -32, -64)
"""[bit] FITS Standard 3.0, Table 8; negative for real numbers."""
MOST_PIXELS: Final = 10**9
"""[px] Chosen: five times the largest sensors on sale, and 2 GB of memory."""
LEAST_SIDE_PX: Final = 16
"""[px] Chosen: less holds no star with its sky around."""
_MOST_HEADER_BLOCKS: Final = 4000
"""Chosen: 144,000 cards in all headers of a file; one without END is not read to its end for nothing."""
_MOST_LENGTH: Final = 10**18
"""Chosen: a longer axis is no number of pixels but rubbish."""
_MOST_HDUS: Final = 200
"""Chosen: mosaics of many chips have fewer."""
_MOST_SQUEEZE: Final = 2000
"""[dimensionless] Chosen: deflate reaches 1032 : 1 on constant data, tile compression less on noise."""
_LARGE_BYTES: Final = 2**26
"""[byte] Chosen: 64 MB are unpacked in a moment; of more the packed size must bear witness."""
_LARGE_SQUEEZE: Final = 100
"""[dimensionless] Chosen: noise keeps real exposures below 10 : 1, black borders of stacks below 100 : 1."""
_MOST_TABLE: Final = 4
"""[dimensionless] Chosen: compressed tiles with their table take no more room than four times the image itself."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Layout:
    """The image of a file: its numbers, their order, and where they begin."""

    header: Header
    """Cards of the image, with those of the primary header where it is silent."""
    offset: int
    """First byte of the data. [byte]"""
    bitpix: int
    width_px: int
    height_px: int
    planes: int
    """1, or 3 for a colour image."""
    interleaved: bool
    """True if the three colours of a pixel lie side by side (NAXIS1 = 3)."""
    tiled: bool
    """True if the image is stored as compressed tiles."""
    scale: float
    zero: float
    blank: int | None
    """BSCALE, BZERO and BLANK of the image itself."""

    @property
    def plane_pixels(self) -> int:
        """Pixels of one plane."""
        return self.width_px * self.height_px


def find_image(stream: BinaryIO, path: Path, *, available: int | None, packed_bytes: int | None) -> Layout:
    """Find the first image: that of the primary header, else of an extension, plain or in compressed tiles.

    Only headers are read. `available` is the size of the stream, None if it is not known before unpacking,
    `packed_bytes` that of the packed file where it is unpacked as it is read. Raises `UnusableFrame` if there is no
    such image, or if the headers ask for more bytes than the file can hold.
    """
    primary: Header | None = None
    flat: str | None = None  # why an image that was found does not serve
    room = _MOST_HEADER_BLOCKS * BLOCK_BYTES
    for hdu in range(_MOST_HDUS):
        start = stream.tell()
        header = _read_header(stream, path, first=hdu == 0, room=room)
        if header is None:
            break
        primary = primary or header
        offset = stream.tell()
        room -= offset - start
        tiled = header.value("ZIMAGE") is True
        axes = _axes(header, path, "ZNAXIS" if tiled else "NAXIS")
        if _is_image(header, tiled=tiled, first=hdu == 0) and len(axes) > 1:
            layout = _layout(merge_headers(header, primary), header, path, axes, offset=offset, tiled=tiled)
            _refuse_impossible(layout, header, path, available=available, packed_bytes=packed_bytes)
            return layout
        if axes and _is_image(header, tiled=tiled, first=hdu == 0):
            flat = f"has an image of one dimension ({axes[0]:,} pixels)"
        end = offset + _padded(_data_bytes(header, path))
        if available is not None and end >= available:
            break
        if packed_bytes is not None and end > _most_unpacked(packed_bytes):
            fault = f"claims {amount(end)} before its image, which {amount(packed_bytes)} cannot hold"
            raise UnusableFrame(path, fault, "Copy it again from the camera, or delete it.")
        stream.seek(end)
    raise UnusableFrame(path, flat or "holds no image", "Leave it out of the folder of frames.")


def _read_header(stream: BinaryIO, path: Path, *, first: bool, room: int) -> Header | None:
    """The next header, no longer than so many bytes; None where no further one begins."""
    raw = bytearray()
    while len(raw) < room:
        block = stream.read(BLOCK_BYTES)
        if not raw:
            if first:
                _refuse_other_formats(block, path)
            elif not block.startswith(b"XTENSION"):
                return None
        raw += block
        if any(block[at : at + 8].rstrip(b" \0") == b"END" for at in range(0, len(block), CARD_BYTES)):
            return parse_header(bytes(raw))
        if len(block) < BLOCK_BYTES:
            break
    raise UnusableFrame(path, "ends inside its header", "Copy it again from the camera, or delete it.")


_MAGIC: Final = (
    (b"II*\0", "a TIFF picture or a raw file of a camera"),
    (b"MM\0*", "a TIFF picture or a raw file of a camera"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"\x89PNG", "a PNG picture"),
    (b"PK\x03\x04", "a ZIP archive"),
    (b"BZh", "packed with bzip2"),
)


def _refuse_other_formats(block: bytes, path: Path) -> None:
    if not block:
        raise UnusableFrame(path, "is empty (0 bytes)", "Copy it again from the camera, or delete it.")
    if block.startswith(b"SIMPLE") and block[6:10].strip() == b"=":
        return
    for magic, name in _MAGIC:
        if block.startswith(magic):
            raise UnusableFrame(path, f"isn't a FITS file but {name}", "Save or export the frames as FITS.")
    raise UnusableFrame(path, "isn't a FITS file: it does not begin with SIMPLE", "Save or export the frames as FITS.")


def _axes(header: Header, path: Path, keyword: str) -> tuple[int, ...]:
    """Lengths of the axes, those of length 1 at the end left out."""
    count = _whole(header, keyword)
    if count is None or not 0 <= count <= 999:  # FITS Standard 3.0, section 4.4.1.1
        raise UnusableFrame(
            path, f"has a header that gives {keyword} = {header.value(keyword)}", "Save or export the frame again."
        )
    axes: list[int] = []
    for n in range(1, count + 1):
        length = _whole(header, f"{keyword}{n}")
        if length is None or not 0 <= length <= _MOST_LENGTH:
            value = header.value(f"{keyword}{n}")
            raise UnusableFrame(
                path, f"has a header that gives {keyword}{n} = {value}", "Save or export the frame again."
            )
        axes.append(length)
    while len(axes) > 1 and axes[-1] == 1:
        axes.pop()
    return () if 0 in axes else tuple(axes)


def _whole(header: Header, keyword: str) -> int | None:
    value = header.value(keyword)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value) or value % 1:
        return None
    return int(value)


def _is_image(header: Header, *, tiled: bool, first: bool) -> bool:
    if first:
        return header.value("GROUPS") is not True
    return tiled or header.text("XTENSION") in ("IMAGE", "IUEIMAGE")


def _data_bytes(header: Header, path: Path) -> int:
    """Size of a unit's data: |BITPIX| GCOUNT (PCOUNT + NAXIS1 ... NAXISn) / 8. FITS Standard 3.0, eq. 2."""
    axes = _axes(header, path, "NAXIS")
    if not axes and header.value("GROUPS") is not True:
        return 0
    parameters, groups = _whole(header, "PCOUNT") or 0, _whole(header, "GCOUNT")
    bits = abs(_whole(header, "BITPIX") or 0)
    return max(0, bits // 8 * (1 if groups is None else groups) * (parameters + math.prod(axes)))


def _padded(size: int) -> int:
    return -(-size // BLOCK_BYTES) * BLOCK_BYTES


def _layout(merged: Header, header: Header, path: Path, axes: tuple[int, ...], *, offset: int, tiled: bool) -> Layout:
    bitpix = _whole(header, "ZBITPIX" if tiled else "BITPIX")
    if bitpix not in BITPIX_ALLOWED:
        allowed = ", ".join(map(str, BITPIX_ALLOWED))
        fault = f"has a header that gives BITPIX = {header.value('BITPIX')}, which is none of {allowed}"
        raise UnusableFrame(path, fault, "Save or export the frame again.")
    interleaved = len(axes) == 3 and axes[0] == 3 and axes[2] != 3
    width, height, planes = (axes[1], axes[2], 3) if interleaved else (*axes, 1)[:3]
    if len(axes) > 3 or planes not in (1, 3):
        shape = " x ".join(map(str, axes))
        raise UnusableFrame(
            path, f"holds a cube of {shape} pixels, not one exposure", "Save each plane as a frame of its own."
        )
    scale, zero = header.number("BSCALE"), header.number("BZERO")
    blank = _whole(header, "BLANK")
    if blank is None:
        blank = _whole(header, "ZBLANK") if tiled else None
    return Layout(
        header=merged,
        offset=offset,
        bitpix=bitpix,
        width_px=width,
        height_px=height,
        planes=planes,
        interleaved=interleaved,
        tiled=tiled,
        scale=1.0 if scale is None or scale == 0 else scale,
        zero=0.0 if zero is None else zero,
        blank=blank if bitpix > 0 else None,  # BLANK means nothing for real numbers
    )


def _refuse_impossible(
    layout: Layout, header: Header, path: Path, *, available: int | None, packed_bytes: int | None
) -> None:
    """Compare what the header asks for with what is there, before any memory is taken."""
    demanded = abs(layout.bitpix) // 8 * layout.plane_pixels * layout.planes
    size = f"{layout.width_px:,} x {layout.height_px:,} pixels"
    if layout.plane_pixels > MOST_PIXELS:
        raise UnusableFrame(
            path, f"claims {size} ({amount(demanded)}) in its header", "Copy it again from the camera, or delete it."
        )
    if min(layout.width_px, layout.height_px) < LEAST_SIDE_PX:
        if min(layout.width_px, layout.height_px) == 1:
            raise UnusableFrame(path, f"has an image of one dimension ({size})", "Leave it out of the frames.")
        raise UnusableFrame(path, f"has only {size}, too few for a star", "Leave it out of the folder of frames.")
    stored = _data_bytes(header, path) if layout.tiled else demanded
    if available is not None and layout.offset + stored > available:
        held = max(0, available - layout.offset)
        if 20 * held < stored:
            fault = f"claims {size} ({amount(stored)}) in its header, but holds {amount(held)} of them"
        else:
            fault = f"ends after {amount(available)} of {amount(layout.offset + stored)}"
        raise UnusableFrame(path, fault, "Copy it again from the camera, or delete it.")
    squeezed = packed_bytes if packed_bytes is not None else stored if layout.tiled else demanded
    if demanded > _MOST_SQUEEZE * squeezed or demanded > _most_unpacked(squeezed):
        raise UnusableFrame(
            path,
            f"claims {size} ({amount(demanded)}) in its header, which no exposure packed into {amount(squeezed)} holds",
            "Copy it again from the camera, or delete it.",
        )
    if layout.tiled and stored > _MOST_TABLE * demanded + BLOCK_BYTES * 100:
        fault = f"claims {amount(stored)} of compressed tiles for an image of {amount(demanded)}"
        raise UnusableFrame(path, fault, "Copy it again from the camera, or delete it.")
    if layout.tiled:
        _refuse_wrong_tiles(layout, header, path)


def _most_unpacked(packed_bytes: int) -> int:
    """The most that a packed file is unpacked to. [byte]"""
    return max(_LARGE_BYTES, _LARGE_SQUEEZE * packed_bytes)


def _refuse_wrong_tiles(layout: Layout, header: Header, path: Path) -> None:
    axes = _axes(header, path, "ZNAXIS")
    tiles = [_whole(header, f"ZTILE{n}") or (axes[0] if n == 1 else 1) for n in range(1, len(axes) + 1)]
    expected = math.prod(-(-axis // max(1, tile)) for axis, tile in zip(axes, tiles, strict=True))
    rows = _whole(header, "NAXIS2")
    if rows != expected:
        raise UnusableFrame(
            path, f"has {rows} compressed tiles where its header asks for {expected}", "Copy it again from the camera."
        )


def amount(n_bytes: float) -> str:
    """A number of bytes in words, 1 MB = 10^6 bytes."""
    n_bytes = float(min(n_bytes, 10**24))  # a header may name more than a float can hold
    for unit in ("bytes", "kB", "MB", "GB", "TB", "PB"):
        if n_bytes < 1000 or unit == "PB":
            break
        n_bytes /= 1000
    return f"{n_bytes:.0f} {unit}" if unit == "bytes" or n_bytes >= 100 else f"{n_bytes:.1f} {unit}"
