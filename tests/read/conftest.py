"""Small frames and headers to read."""

import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from framecheck.read.cards import Header, parse_header

LONG_AGO = 1_000_000_000.0  # so that no file counts as still being written


@pytest.fixture
def sky() -> np.ndarray:
    """A plain sky of 1000 ADU, 48 by 64 pixels."""
    return np.random.default_rng(1).normal(1000, 20, (48, 64)).astype(np.uint16)


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    """Write pixels and cards with astropy, as a file of last decade."""

    def written(pixels: Any, cards: Mapping[str, Any] | None = None, name: str = "frame.fits", hdu: Any = None) -> Path:
        path = tmp_path / name
        unit = (hdu or fits.PrimaryHDU)(pixels)
        for keyword, value in (cards or {}).items():
            unit.header[keyword] = value
        units = [unit] if hdu in (None, fits.PrimaryHDU) else [fits.PrimaryHDU(), unit]
        fits.HDUList(units).writeto(path, output_verify="ignore")
        os.utime(path, (LONG_AGO, LONG_AGO))
        return path

    return written


@pytest.fixture
def write_bytes(tmp_path: Path) -> Callable[..., Path]:
    """Write bytes as they are, as a file of last decade."""

    def written(data: bytes, name: str = "frame.fits") -> Path:
        path = tmp_path / name
        path.write_bytes(data)
        os.utime(path, (LONG_AGO, LONG_AGO))
        return path

    return written


def header_bytes(*lines: str | bytes) -> bytes:
    """Header blocks of cards given as text, END added."""
    cards = [line if isinstance(line, bytes) else line.encode("latin-1") for line in (*lines, "END")]
    raw = b"".join(card[:80].ljust(80) for card in cards)
    return raw.ljust(-(-len(raw) // 2880) * 2880)


@pytest.fixture
def blocks() -> Callable[..., bytes]:
    return header_bytes


@pytest.fixture
def cards() -> Callable[..., Header]:
    """A header of cards given as text ("EXPTIME = 300.0 / seconds")."""

    def parsed(*lines: str) -> Header:
        laid_out = []
        for line in lines:
            keyword, _, rest = line.partition("=")
            laid_out.append(f"{keyword.strip():8}= {rest.strip()}" if rest else line)
        return parse_header(header_bytes(*laid_out))

    return parsed
