"""Whether a file is all there."""

import gzip
import os
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from framecheck.read import whole
from framecheck.read.whole import what_is_missing


@pytest.fixture
def frame() -> bytes:
    """A small frame with a second unit after its image, as a standard FITS writer makes it."""
    pixels = np.random.default_rng(1).integers(0, 4000, (120, 160)).astype(np.uint16)
    units = fits.HDUList([fits.PrimaryHDU(pixels)])
    with fits.conf.set_temp("use_memmap", False):
        import io

        stream = io.BytesIO()
        units.writeto(stream)
    return stream.getvalue()


def missing(path: Path, content: bytes) -> str | None:
    path.write_bytes(content)
    os.utime(path, (1_740_000_000, 1_740_000_000))
    fault = what_is_missing(path)
    return None if fault is None else fault.fault


@pytest.mark.parametrize("share", [0.0, 0.01, 0.06, 0.3, 0.9])
def test_a_part_is_not_all(frame: bytes, share: float, tmp_path: Path) -> None:
    said = missing(tmp_path / "a.fits", frame[: int(share * len(frame))])
    assert said is not None
    assert said.startswith(("ends ", "is empty", "claims "))


def test_all_is_all(frame: bytes, tmp_path: Path) -> None:
    assert missing(tmp_path / "a.fits", frame) is None
    assert missing(tmp_path / "b.fits.gz", gzip.compress(frame)) is None


@pytest.mark.parametrize("share", [0.1, 0.5, 0.98])
def test_a_part_of_a_packed_file_is_not_all(frame: bytes, share: float, tmp_path: Path) -> None:
    packed = gzip.compress(frame)
    assert missing(tmp_path / "a.fits.gz", packed[: int(share * len(packed))]) is not None


def test_a_part_of_a_tiled_file_is_not_all(tmp_path: Path) -> None:
    pixels = np.random.default_rng(1).integers(0, 4000, (120, 160)).astype(np.int16)
    whole = tmp_path / "whole.fits.fz"
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(pixels, compression_type="RICE_1")]).writeto(whole)
    content = whole.read_bytes()
    assert missing(tmp_path / "a.fits.fz", content) is None
    assert missing(tmp_path / "a.fits.fz", content[: len(content) // 2]) is not None


def test_what_is_wrong_otherwise_is_left_to_measuring(tmp_path: Path) -> None:
    assert missing(tmp_path / "a.fits", b"no FITS at all" * 1000) is None
    assert what_is_missing(tmp_path / "none.fits") is None


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="permissions bind nobody here")
def test_a_file_that_is_held_is_not_there_yet(frame: bytes, tmp_path: Path) -> None:
    path = tmp_path / "a.fits"
    path.write_bytes(frame)
    path.chmod(0)
    fault = what_is_missing(path)
    assert fault is not None
    assert "may not be read" in fault.fault


def test_a_packed_file_that_holds_far_more_than_its_image_is_not_unpacked_to_its_end(
    frame: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(whole, "_LEAST_BYTES", 1 << 22)
    path = tmp_path / "bomb.fits.gz"
    with gzip.open(path, "wb", compresslevel=1) as packed:
        packed.write(frame)
        for _ in range(3):
            packed.write(bytes(1 << 24))
    path.write_bytes(path.read_bytes()[:-200])  # its end, which is missing, is never come to
    os.utime(path, (1_740_000_000, 1_740_000_000))
    assert what_is_missing(path) is None
