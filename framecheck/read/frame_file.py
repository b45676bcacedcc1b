"""Frames of every kind of file: which reader takes one is told by its content, and by its name where it says FITS."""

from pathlib import Path
from typing import Final, Literal

from framecheck.errors import UnusableFrame
from framecheck.read import fits
from framecheck.read.exposure import Exposure, Frame
from framecheck.read.folder import is_fits_name, is_picture_name, is_raw_name
from framecheck.read.picture import read_picture_exposure, read_picture_frame
from framecheck.read.raw import read_raw_exposure, read_raw_frame
from framecheck.read.tiff import CFA_PATTERN, DNG_VERSION, SUB_DIRECTORIES, Directory, is_tiff, read_directories

Form = Literal["FITS", "raw", "picture"]

_PICTURES: Final = (b"\xff\xd8\xff", b"\x89PNG")
_LARGE_TIFF: Final = (b"II+\0", b"MM\0+")
"""TIFF with places of 64 bits, as its library's documentation gives it."""
_FITS: Final = b"SIMPLE", b"\x1f\x8b"


def read_exposure(path: Path) -> Exposure:
    """Read what a frame's file says of it, without its pixels.

    Parameters
    ----------
    path : Path
        A FITS file, also gzipped or tile-compressed, a camera raw, or a TIFF, PNG or JPEG picture. It is opened
        read-only.

    Returns
    -------
    Exposure
        Kind "unknown" if the file does not tell it. A mosaic is as the file claims it.

    Raises
    ------
    UnusableFrame
        If the file cannot be opened, is none of these, or is cut short.
    """
    form = form_of(path)
    if form == "FITS":
        return fits.read_exposure(path)
    return read_raw_exposure(path) if form == "raw" else read_picture_exposure(path)


def read_frame(path: Path) -> Frame:
    """Read a frame with its pixels as they are stored, edges without sky left out.

    Parameters
    ----------
    path : Path
        As for `read_exposure`.

    Returns
    -------
    Frame
        Pixels that see the sky, in native byte order; `mosaic` as they bear it out.

    Raises
    ------
    UnusableFrame
        As for `read_exposure`; also if every pixel is undefined, clipped or the same, or if the file changes
        while it is read.
    """
    form = form_of(path)
    if form == "FITS":
        return fits.read_frame(path)
    return read_raw_frame(path) if form == "raw" else read_picture_frame(path)


def form_of(path: Path) -> Form:
    """Which reader takes a file; raises `UnusableFrame` if it cannot be opened.

    A library for raws opens plain TIFF pictures as if they were raws: tags tell, not its willingness. What is nothing
    known is left to the reader of FITS, which says so, or to that of raws where the name says that it is one.
    """
    if is_fits_name(path.name):
        return "FITS"
    try:
        with fits.open_frame(path) as file:
            head = file.read(16)
            if head.startswith(_FITS):
                return "FITS"
            if head.startswith(_PICTURES):
                return "picture"
            if head.startswith(_LARGE_TIFF):
                return "raw" if is_raw_name(path.name) else "picture"
            if is_tiff(head):
                return "raw" if _is_raw(read_directories(file), head, path.name) else "picture"
    except OSError as why:
        raise UnusableFrame(path, f"cannot be read ({why.strerror or why})", "Check the disk it lies on.") from None
    if is_raw_name(path.name):
        return "raw"
    return "picture" if is_picture_name(path.name) else "FITS"


def _is_raw(directories: tuple[Directory, ...], head: bytes, name: str) -> bool:
    """Whether tags are those of a raw: marks or a mosaic's; directories within directories where the name says so."""
    if not head.startswith((b"II*\0", b"MM\0*")) or head[8:10] == b"CR":
        return True
    telling = (CFA_PATTERN, DNG_VERSION, *((SUB_DIRECTORIES,) if is_raw_name(name) else ()))
    return any(tag in directory.tags for directory in directories for tag in telling)
