"""Whether a file is all there: frames are watched as they arrive."""

import gzip
import zlib
from pathlib import Path
from typing import Final

from framecheck.errors import UnusableFrame
from framecheck.read.fits import SHORT
from framecheck.read.frame_file import read_exposure
from framecheck.read.paths import open_plain

_CHUNK_BYTES: Final = 1 << 22
_LEAST_BYTES: Final = 64 << 20
_BYTES_OF_PIXEL: Final = 32
"""[byte] Both chosen: three colours of the widest numbers, and 64 MB, are unpacked in seconds; a packed file of 90 MB
can hold 20 GB, which would keep a watch from its folder."""
_HELD: Final = ("may not be read", "cannot be opened", "cannot be read")
"""How the fault of a file begins that another program may hold open, or that a share does not yet give out."""


def what_is_missing(path: Path) -> UnusableFrame | None:
    """Why a file is not all there; None if it is, or if something else is wrong, which measuring it will tell."""
    try:
        exposure = read_exposure(path)
        _unpack(path, _LEAST_BYTES + _BYTES_OF_PIXEL * exposure.width_px * exposure.height_px)
    except UnusableFrame as fault:
        return fault if fault.fault.startswith((*SHORT, *_HELD)) else None
    return None


def _unpack(path: Path, most_bytes: int) -> None:
    """Read a gzipped file to its end, where its checksum is; one that holds far more than its image is left there."""
    try:
        with open_plain(path) as raw:
            if raw.read(2) != b"\x1f\x8b":
                return
            raw.seek(0)
            with gzip.GzipFile(fileobj=raw) as stream:
                while most_bytes > 0 and (chunk := stream.read(_CHUNK_BYTES)):
                    most_bytes -= len(chunk)
    except (EOFError, zlib.error, gzip.BadGzipFile):
        raise UnusableFrame(path, "ends inside its gzip data", "Copy it again from the camera.") from None
    except OSError as why:
        raise UnusableFrame(path, f"cannot be read ({why.strerror or why})", "Check the disk it lies on.") from None
