"""Each bad file is one sentence that names fault and remedy; nothing hangs, nothing takes memory in vain."""

import contextlib
import gzip
import os
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from framecheck.errors import UnusableFrame
from framecheck.read import fits as reader
from framecheck.read.fits import read_exposure, read_frame

Write = Callable[..., Path]
Blocks = Callable[..., bytes]
IMAGE = ("SIMPLE  = T", "BITPIX  = 16", "NAXIS   = 2", "NAXIS1  = 64", "NAXIS2  = 48", "BZERO   = 32768")


def sentence(path: Path, read: Callable[[Path], object] = read_frame) -> str:
    tracemalloc.start()
    with pytest.raises(UnusableFrame) as caught:
        read(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 20e6  # [byte] no bad file takes memory worth speaking of
    text = str(caught.value)
    assert text.startswith(path.name + ": ")
    assert "\n" not in text
    assert text.endswith(".")
    assert len(text) < 250
    return text


GOLDEN = [
    (b"", "frame.fits: is empty (0 bytes). Copy it again from the camera, or delete it."),
    (
        b"SIMPLE  =                    T",
        "frame.fits: ends inside its header. Copy it again from the camera, or delete it.",
    ),
    (
        b"hello world" * 1000,
        "frame.fits: isn't a FITS file: it does not begin with SIMPLE. Save or export the frames as FITS.",
    ),
    (
        b"II*\0" + bytes(5000),
        "frame.fits: isn't a FITS file but a TIFF picture or a raw file of a camera. "
        "Save or export the frames as FITS.",
    ),
    (
        b"\xff\xd8\xff\xe0" + bytes(5000),
        "frame.fits: isn't a FITS file but a JPEG picture. Save or export the frames as FITS.",
    ),
    (
        b"\x1f\x8b" + bytes(100),
        "frame.fits: is damaged or ends early inside its gzip data. Copy it again from the camera.",
    ),
]


@pytest.mark.parametrize(("data", "expected"), GOLDEN)
@pytest.mark.parametrize("read", [read_frame, read_exposure])
def test_no_fits(write_bytes: Write, data: bytes, expected: str, read: Callable[[Path], object]) -> None:
    assert sentence(write_bytes(data), read) == expected


GOLDEN_HEADERS = [
    (("SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 0"), "holds no image. Leave it out of the folder of frames."),
    (
        ("SIMPLE  = T", "BITPIX  = 16", "NAXIS   = 1", "NAXIS1  = 100"),
        "has an image of one dimension (100 pixels). Leave it out of the folder of frames.",
    ),
    (
        ("SIMPLE  = T", "BITPIX  = 12", "NAXIS   = 2", "NAXIS1  = 64", "NAXIS2  = 48"),
        "has a header that gives BITPIX = 12, which is none of 8, 16, 32, 64, -32, -64. "
        "Save or export the frame again.",
    ),
    (
        ("SIMPLE  = T", "BITPIX  = 16", "NAXIS   = 2", "NAXIS1  = 64"),
        "has a header that gives NAXIS2 = None. Save or export the frame again.",
    ),
    (
        ("SIMPLE  = T", "BITPIX  = 16", "NAXIS   = 2", "NAXIS1  = 64", "NAXIS2  = -48"),
        "has a header that gives NAXIS2 = -48. Save or export the frame again.",
    ),
    (
        ("SIMPLE  = T", "BITPIX  = 16", "NAXIS   = 3", "NAXIS1  = 64", "NAXIS2  = 48", "NAXIS3  = 5"),
        "holds a cube of 64 x 48 x 5 pixels, not one exposure. Save each plane as a frame of its own.",
    ),
    (
        ("SIMPLE  = T", "BITPIX  = 16", "NAXIS   = 2", "NAXIS1  = 8", "NAXIS2  = 8"),
        "has only 8 x 8 pixels, too few for a star. Leave it out of the folder of frames.",
    ),
    (
        ("SIMPLE  = T", "BITPIX  = 16", "NAXIS   = 2", "NAXIS1  = 100000", "NAXIS2  = 100000"),
        "claims 100,000 x 100,000 pixels (20.0 GB) in its header. Copy it again from the camera, or delete it.",
    ),
    (
        ("SIMPLE  = T", "BITPIX  = 16", "NAXIS   = 2", "NAXIS1  = 9999999999", "NAXIS2  = 9999999999"),
        "claims 9,999,999,999 x 9,999,999,999 pixels (200000 PB) in its header. "
        "Copy it again from the camera, or delete it.",
    ),
    (
        ("SIMPLE  = T", "BITPIX  = 16", "NAXIS   = 2", "NAXIS1  = 30000", "NAXIS2  = 30000"),
        "claims 30,000 x 30,000 pixels (1.8 GB) in its header, but holds 6.1 kB of them. "
        "Copy it again from the camera, or delete it.",
    ),
]


@pytest.mark.parametrize(("head", "expected"), GOLDEN_HEADERS)
@pytest.mark.parametrize("read", [read_frame, read_exposure])
def test_headers_that_cannot_be(
    write_bytes: Write, blocks: Blocks, head: tuple[str, ...], expected: str, read: Callable[[Path], object]
) -> None:
    assert sentence(write_bytes(blocks(*head) + bytes(6144)), read) == f"frame.fits: {expected}"


def test_a_gzipped_header_that_lies(write_bytes: Write, blocks: Blocks) -> None:
    # deflate packs at most 1032 : 1, so this cannot be in there
    head = ("SIMPLE  = T", "BITPIX  = 16", "NAXIS   = 2", "NAXIS1  = 20000", "NAXIS2  = 20000")
    text = sentence(write_bytes(gzip.compress(blocks(*head) + bytes(5760)), "frame.fits.gz"))
    assert "claims 20,000 x 20,000 pixels (800 MB)" in text


def test_compressed_tiles_that_lie(write: Write, sky: np.ndarray) -> None:
    path = write(sky, name="frame.fits.fz", hdu=fits.CompImageHDU)
    raw = path.read_bytes()
    for width, height in ((64, 48000), (30000, 30000), (99999999, 48)):
        lying = raw.replace(b"ZNAXIS1 =                   64", b"ZNAXIS1 =%21d" % width)
        lying = lying.replace(b"ZNAXIS2 =                   48", b"ZNAXIS2 =%21d" % height)
        path.write_bytes(lying)
        os.utime(path, (1e9, 1e9))
        assert "in its header" in sentence(path) or "header asks for" in sentence(path)


def test_damaged_tiles(write: Write, sky: np.ndarray) -> None:
    path = write(sky, name="frame.fits.fz", hdu=fits.CompImageHDU)
    raw = bytearray(path.read_bytes())
    raw[-2880 - 2880 : -2880] = b"\xff" * 2880
    path.write_bytes(raw)
    os.utime(path, (1e9, 1e9))
    with contextlib.suppress(UnusableFrame):  # some codecs cannot tell rubbish from pixels
        read_frame(path)


@pytest.mark.parametrize("kept", [0.4, 0.999])
@pytest.mark.parametrize("read", [read_frame, read_exposure])
def test_truncated(write_bytes: Write, blocks: Blocks, kept: float, read: Callable[[Path], object]) -> None:
    whole = blocks(*IMAGE) + bytes(64 * 48 * 2)
    text = sentence(write_bytes(whole[: round(len(whole) * kept)]), read)
    assert " of 9.0 kB" in text


def test_truncated_gzip(write_bytes: Write, write: Write, sky: np.ndarray) -> None:
    packed = gzip.compress(write(sky).read_bytes())
    path = write_bytes(packed[: len(packed) // 2], "frame.fits.gz")
    assert "ends early inside its gzip data" in sentence(path)


def test_truncated_tiles(write: Write, sky: np.ndarray) -> None:
    path = write(sky, name="frame.fits.fz", hdu=fits.CompImageHDU)
    raw = path.read_bytes()
    path.write_bytes(raw[:-2880])
    os.utime(path, (1e9, 1e9))
    assert "ends after" in sentence(path)


def test_what_is_told_of_a_short_file_does_not_depend_on_the_clock(write_bytes: Write, blocks: Blocks) -> None:
    path = write_bytes(blocks(*IMAGE) + bytes(3000))
    told = (
        "frame.fits: ends after 5.9 kB of 9.0 kB. If it is still being written, wait until it is complete; if not, "
        "copy it again from the camera."
    )
    for written_s in (None, (1e9, 1e9), (9e9, 9e9)):
        os.utime(path, written_s)
        assert sentence(path) == told


def test_growing_while_it_is_read(write: Write, sky: np.ndarray, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(sky)

    def meanwhile(stream: object, layout: object, name: Path) -> np.ndarray:
        with path.open("ab") as other:
            other.write(bytes(2880))
        return sky

    monkeypatch.setattr(reader, "read_plane", meanwhile)
    assert "changed while it was read" in sentence(path)


def test_vanishing(write: Write, sky: np.ndarray, tmp_path: Path) -> None:
    assert (
        sentence(tmp_path / "gone.fits")
        == "gone.fits: is not there. Check the path, and whether it was moved or deleted."
    )


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_unreadable(write: Write, sky: np.ndarray) -> None:
    path = write(sky)
    path.chmod(0)
    assert "no permission" in sentence(path)


def test_no_permission(write: Write, sky: np.ndarray, monkeypatch: pytest.MonkeyPatch) -> None:
    def forbidden(*_: object) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "open", forbidden)
    expected = "frame.fits: may not be read (no permission). Change its permissions, then run again."
    assert sentence(write(sky)) == expected


def test_a_failing_disk(write: Write, sky: np.ndarray, monkeypatch: pytest.MonkeyPatch) -> None:
    def failing(*_: object) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(reader, "read_plane", failing)
    expected = "frame.fits: cannot be read (Input/output error). Check the disk it lies on."
    assert sentence(write(sky)) == expected


def test_folders_pipes_devices_and_circles_of_links(tmp_path: Path) -> None:
    assert "is a folder" in sentence(tmp_path)
    pipe = tmp_path / "pipe.fits"
    os.mkfifo(pipe)
    assert "device or pipe" in sentence(pipe)  # and does not wait for a writer
    assert "device or pipe" in sentence(Path("/dev/null"))
    circle = tmp_path / "circle.fits"
    circle.symlink_to(circle)
    assert "cannot be opened" in sentence(circle)
    assert "cannot be opened" in sentence(Path("a\0b.fits"))


@pytest.mark.parametrize("compressed", [False, True])
@pytest.mark.parametrize(
    ("pixels", "fault"),
    [
        (np.full((48, 64), np.nan, np.float32), "has no defined pixel"),
        (np.full((48, 64), 1000, np.uint16), "has the same value, 1000, in every pixel"),
        (np.zeros((48, 64), np.float32), "has the same value, 0, in every pixel"),
        (
            np.where(np.arange(48 * 64).reshape(48, 64) % 50, 65535, 60000).astype(np.uint16),
            "is saturated nearly everywhere",
        ),
        (
            np.where(np.arange(48 * 64).reshape(48, 64) % 50, 1, 0.9).astype(np.float32),
            "is saturated nearly everywhere",
        ),
    ],
)
def test_nothing_to_measure(write: Write, pixels: np.ndarray, fault: str, compressed: bool) -> None:
    path = write(pixels, hdu=fits.CompImageHDU if compressed and pixels.dtype == np.uint16 else None)
    assert fault in sentence(path)
    assert read_exposure(path).width_px == 64


def test_saturated_by_the_header_s_own_level(write: Write) -> None:
    # a full well below the converter's range scatters a little
    pixels = np.random.default_rng(5).normal(51000, 100, (48, 64)).astype(np.uint16)
    assert "saturated" in sentence(write(pixels, {"SATURATE": 50000.0}))


def test_what_is_dark_but_sound_passes(write: Write) -> None:
    one_hot = np.zeros((480, 640), np.uint16)
    one_hot[333, 517] = 900
    read_frame(write(one_hot))
    one_defined = np.full((480, 640), np.nan, np.float32)
    one_defined[333, 517:519] = 900, 901
    read_frame(write(one_defined, {"EGAIN": 1.0}, name="other.fits"))
    mostly_black = np.zeros((48, 64), np.uint8)
    mostly_black[10:20] = 255
    read_frame(write(mostly_black, name="third.fits"))
