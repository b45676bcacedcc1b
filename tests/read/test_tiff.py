"""Tags of TIFF files, whatever they hold."""

import io
import struct

import numpy as np
import pytest
from dng import EXIF, dng
from hypothesis import given
from hypothesis import strategies as st

from framecheck.read.tiff import EXIF as EXIF_POINTER
from framecheck.read.tiff import last_byte, read_directories

RAW = dng(np.zeros((32, 32), np.uint16), behind_a_preview=True)


@pytest.mark.parametrize("order", "<>")
def test_directories_with_what_led_to_them(order: str) -> None:
    raw = dng(np.zeros((32, 32), np.uint16), order=order, behind_a_preview=True)
    first, *inner = read_directories(io.BytesIO(raw))
    assert first.pointer == 0
    assert first.text(272) == "Test Camera"
    exif = next(directory for directory in inner if directory.pointer == EXIF_POINTER)
    assert exif.number(33437) == pytest.approx(float(EXIF[33437][1]))
    assert exif.text(36867) == "2025:03:01 22:00:00"
    assert exif.numbers(36867) == ()
    assert exif.text(33437) is None


def test_where_pixels_end_is_known() -> None:
    end = last_byte(read_directories(io.BytesIO(RAW)))
    assert 8 + 32 * 32 * 2 <= end <= len(RAW)
    elsewhere = dng(np.zeros((32, 32), np.uint16), more={273: ("I", 2**32 - 1)})
    assert last_byte(read_directories(io.BytesIO(elsewhere))) == 0


@given(at=st.integers(0, len(RAW) - 1), rubbish=st.binary(min_size=1, max_size=40))
def test_any_bytes_have_directories_or_none(at: int, rubbish: bytes) -> None:
    raw = bytearray(RAW)
    raw[at : at + len(rubbish)] = rubbish
    for directory in read_directories(io.BytesIO(bytes(raw))):
        for tag in directory.tags:
            directory.text(tag)
            directory.number(tag)


def test_places_that_are_no_numbers_lead_nowhere() -> None:
    for value in (np.nan, np.inf, -np.inf, 1e38, -1.0):
        held = struct.pack("<f", value)
        for tag in (330, 34665, 273, 279):
            raw = bytearray(RAW)
            at = raw.rindex(struct.pack("<H", tag) + b"\4\0\1\0\0\0")
            raw[at + 2 : at + 4] = b"\x0b\0"  # a real number: TIFF 6.0, section 2
            raw[at + 8 : at + 12] = held
            last_byte(read_directories(io.BytesIO(bytes(raw))))  # and no error


def test_directories_in_a_circle_end() -> None:
    raw = bytearray(RAW)
    start = int.from_bytes(raw[4:8], "little")
    count = int.from_bytes(raw[start : start + 2], "little")
    following = start + 2 + 12 * count
    raw[following : following + 4] = raw[4:8]
    assert len(read_directories(io.BytesIO(bytes(raw)))) == len(read_directories(io.BytesIO(RAW)))
