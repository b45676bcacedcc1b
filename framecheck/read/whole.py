"""Whether a file is all there: frames are watched as they arrive."""

import gzip
import zlib
from pathlib import Path
from typing import Final

from framecheck.errors import UnusableFrame
from framecheck.read.fits import SHORT, read_exposure
from framecheck.read.paths import open_plain

_CHUNK_BYTES: Final = 1 << 22
_HELD: Final = ("may not be read", "cannot be opened", "cannot be read")
"""How the fault of a file begins that another program may hold open, or that a share does not yet give out."""


def what_is_missing(path: Path) -> UnusableFrame | None:
    """Why a file is not all there.

    Parameters
    ----------
    path : Path
        A file whose name says FITS.

    Returns
    -------
    UnusableFrame or None
        None if it holds what its header declares, or if something else is wrong with it, which measuring it will tell.
    """
    try:
        read_exposure(path)
        _unpack(path)
    except UnusableFrame as fault:
        return fault if fault.fault.startswith((*SHORT, *_HELD)) else None
    return None


def _unpack(path: Path) -> None:
    """Read a gzipped file to its end, where its checksum is."""
    try:
        with open_plain(path) as raw:
            if raw.read(2) != b"\x1f\x8b":
                return
            raw.seek(0)
            with gzip.GzipFile(fileobj=raw) as stream:
                while stream.read(_CHUNK_BYTES):
                    pass
    except (EOFError, zlib.error, gzip.BadGzipFile):
        raise UnusableFrame(path, "ends inside its gzip data", "Copy it again from the camera.") from None
    except OSError as why:
        raise UnusableFrame(path, f"cannot be read ({why.strerror or why})", "Check the disk it lies on.") from None
