"""Compressed tiles that lie are refused before the code that trusts them unpacks any; sound ones come back whole."""

import gzip
import os
import struct
import tracemalloc
import zlib
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from framecheck.errors import UnusableFrame
from framecheck.read.fits import read_frame

Write = Callable[..., Path]
CODES = ("RICE_1", "GZIP_1", "GZIP_2", "PLIO_1", "HCOMPRESS_1", "NOCOMPRESS")


def packed(write: Write, pixels: np.ndarray, code: str, **more: object) -> Path:
    return write(pixels, name="frame.fits.fz", hdu=partial(fits.CompImageHDU, compression_type=code, **more))


def refused(path: Path, *, most_bytes: float = 20e6) -> str:
    os.utime(path, (1e9, 1e9))
    tracemalloc.start()
    with pytest.raises(UnusableFrame) as caught:
        read_frame(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < most_bytes
    return str(caught.value)


def change(path: Path, keyword: str, value: str) -> None:
    """Let the last card of that keyword say something else."""
    raw = bytearray(path.read_bytes())
    at = raw.rindex(f"{keyword:8}=".encode())
    raw[at : at + 80] = f"{keyword:8}= {value:>20}".encode().ljust(80)
    path.write_bytes(raw)


def table_of(path: Path) -> int:
    """Where the table's first row begins: the block behind the second header."""
    with fits.open(path, disable_image_compression=True) as units:
        return units[1].fileinfo()["datLoc"]


@pytest.mark.parametrize("code", CODES)
@pytest.mark.parametrize("tile", [None, (16, 20)])
def test_sound_tiles_come_back_bit_by_bit(write: Write, code: str, tile: tuple[int, int] | None) -> None:
    pixels = np.random.default_rng(2).integers(100, 4000, (48, 64)).astype(np.int16)
    more = {} if tile is None else {"tile_shape": tile}
    np.testing.assert_array_equal(read_frame(packed(write, pixels, code, **more)).pixels, pixels)


@pytest.mark.parametrize("method", [-1, 1, 2])
def test_quantized_numbers_are_those_that_astropy_reads(write: Write, method: int) -> None:
    pixels = np.random.default_rng(3).normal(600, 17, (48, 64)).astype(np.float32)
    path = packed(write, pixels, "RICE_1", quantize_level=16, quantize_method=method, dither_seed=77)
    np.testing.assert_array_equal(read_frame(path).pixels, fits.getdata(path, 1))


@pytest.mark.parametrize(
    ("keyword", "value"),
    [
        ("TFIELDS", "999999999"),
        ("TFIELDS", "0"),
        ("TFORM1", "'1PB(999999999)X'"),
        ("TFORM1", "'999999999J'"),
        ("TFORM1", "'1QB'"),  # twice as wide as the rows are
        ("TTYPE1", "'OTHER'"),
        ("ZCMPTYPE", "'RICE_9'"),
        ("ZBITPIX", "17"),
        ("ZTILE1", "0"),
        ("ZTILE1", "-5"),
        ("ZVAL1", "0"),  # BLOCKSIZE
        ("ZVAL1", "2147483647"),
        ("ZVAL2", "8"),  # BYTEPIX: the code would hand out memory that is not its own
        ("ZVAL2", "3"),
        ("NAXIS1", "4"),
        ("PCOUNT", "-1"),
    ],
)
def test_headers_of_tiles_that_lie(write: Write, sky: np.ndarray, keyword: str, value: str) -> None:
    path = packed(write, sky, "RICE_1")
    change(path, keyword, value)
    said = refused(path)
    assert said.startswith("frame.fits.fz: ")
    assert said.endswith(".")


@pytest.mark.parametrize(
    ("length", "place", "words"),
    [
        (-1, 0, "lie outside of the file"),
        (2**31 - 1, 0, "lie outside of the file"),
        (100, 2**31 - 1, "lie outside of the file"),
        (100, -5, "lie outside of the file"),
    ],
)
def test_tiles_that_lie_elsewhere(write: Write, sky: np.ndarray, length: int, place: int, words: str) -> None:
    path = packed(write, sky, "RICE_1")
    raw, at = bytearray(path.read_bytes()), table_of(path)
    raw[at : at + 8] = struct.pack(">ii", length, place)
    path.write_bytes(raw)
    assert words in refused(path)


def test_tiles_that_share_their_bytes(write: Write, sky: np.ndarray) -> None:
    # a few bytes could otherwise be unpacked as often as there are tiles
    path = packed(write, sky, "RICE_1")
    raw, at = bytearray(path.read_bytes()), table_of(path)
    for row in range(48):
        raw[at + 8 * row : at + 8 * row + 8] = struct.pack(">ii", 400, 0)
    path.write_bytes(raw)
    assert "several lie in the same place" in refused(path)


def test_a_tile_that_unpacks_to_something_enormous(write: Write) -> None:
    pixels = np.random.default_rng(2).integers(100, 30000, (96, 96)).astype(np.int16)
    path = packed(write, pixels, "GZIP_1", tile_shape=(96, 96))
    bomb = gzip.compress(bytes(15_000_000), 9)
    raw, at = bytearray(path.read_bytes()), table_of(path)
    (length,) = struct.unpack(">i", raw[at : at + 4])
    assert len(bomb) < length
    raw[at : at + 8] = struct.pack(">ii", len(bomb), 0)
    raw[at + 8 : at + 8 + len(bomb)] = bomb
    path.write_bytes(raw)
    assert "unpack to more than a tile holds" in refused(path, most_bytes=2e6)


def test_a_list_of_runs_is_not_read_beyond_its_end(write: Write) -> None:
    pixels = np.random.default_rng(2).integers(100, 4000, (48, 64)).astype(np.int16)
    runs = packed(write, pixels, "PLIO_1")
    raw, at = bytearray(runs.read_bytes()), table_of(runs) + 48 * 8
    raw[at : at + 14] = struct.pack(">7h", 0, 7, -100, 32767, 32767, 0, 0)  # claims 2^30 words
    runs.write_bytes(raw)
    assert "claim more than they hold" in refused(runs)


def test_a_transform_is_not_written_beyond_its_tile(write: Write) -> None:
    pixels = np.random.default_rng(2).integers(100, 4000, (48, 64)).astype(np.int16)
    transform = packed(write, pixels, "HCOMPRESS_1", tile_shape=(48, 64))
    raw, at = bytearray(transform.read_bytes()), table_of(transform) + 8
    assert raw[at : at + 10] == b"\xdd\x99" + struct.pack(">ii", 48, 64)  # White 1992: rows, columns
    raw[at + 2 : at + 10] = struct.pack(">ii", 4800, 6400)
    transform.write_bytes(raw)
    assert "of another size" in refused(transform)


def zeros(head: bytes, n_megabytes: int) -> bytes:
    squeeze = zlib.compressobj(9, zlib.DEFLATED, 31)
    parts = [squeeze.compress(head)] + [squeeze.compress(bytes(2**20)) for _ in range(n_megabytes)]
    return b"".join([*parts, squeeze.flush()])


@pytest.mark.parametrize(
    "head",
    [
        ("SIMPLE  = T", "BITPIX  = 16", "NAXIS   = 2", "NAXIS1  = 10000", "NAXIS2  = 10000"),
        ("SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 1", "NAXIS1  = 900000000"),
        ("SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 0", "EXTEND  = T"),
    ],
    ids=["an image", "before the image", "after the header"],
)
def test_gzip_data_that_unpack_to_something_enormous(
    write_bytes: Callable[..., Path], blocks: Callable[..., bytes], head: tuple[str, ...]
) -> None:
    packed_zeros = zeros(blocks(*head), 200)
    assert len(packed_zeros) < 250_000
    refused(write_bytes(packed_zeros, "frame.fits.gz"), most_bytes=1e6)


def test_the_size_that_gzip_data_state_is_not_believed(
    write: Write, sky: np.ndarray, write_bytes: Callable[..., Path]
) -> None:
    # RFC 1952, section 2.3.1: ISIZE, the last four bytes, is the size modulo 2^32; nothing makes it true
    whole = gzip.compress(write(sky).read_bytes())
    lying = whole[:-4] + struct.pack("<I", 2**32 - 1)
    np.testing.assert_array_equal(read_frame(write_bytes(lying, "lying.fits.gz")).pixels, sky)


def test_many_long_headers_are_not_read_to_their_end(
    write_bytes: Callable[..., Path], blocks: Callable[..., bytes]
) -> None:
    comment = b"COMMENT".ljust(80) * 36 * 1500
    first = blocks("SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 0")
    more = b"XTENSION= 'IMAGE   '".ljust(80) + b"BITPIX  = 8".ljust(80) + b"NAXIS   = 0".ljust(80)
    unit = (more + comment + b"END".ljust(80)).ljust(-(-len(more + comment + b" " * 80) // 2880) * 2880)
    assert "ends inside its header" in refused(
        write_bytes(gzip.compress(first + unit * 6, 1), "frame.fits.gz"), most_bytes=60e6
    )
