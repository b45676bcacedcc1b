"""Records come back equal in every bit, and nothing but records comes back. All by closed form."""

import dataclasses
import io
import json
from pathlib import Path

import numpy as np
import pytest
from kept_frames import bits, result_of

from framecheck.logbook.encode import decode, encode, record_shape
from framecheck.night.records import Skipped


@pytest.mark.parametrize("seed", range(3))
def test_a_result_comes_back_in_every_bit(seed: int) -> None:
    result = result_of(Path("/night/light \udcff.fits"), seed)
    assert bits(decode(*encode(result))) == bits(result)


def test_what_is_unknown_stays_unknown() -> None:
    result = dataclasses.replace(result_of(Path("a.fits"), n_stars=0), shape=None, stacked=None, saturation_adu=None)
    assert bits(decode(*encode(result))) == bits(result)


def test_a_skipped_file_comes_back() -> None:
    skipped = Skipped(file=Path("/n/dark.fits"), kind="dark", why="the header says it is a dark frame")
    assert decode(*encode(skipped)) == skipped


def test_the_formats_are_plain() -> None:
    _, text, held = encode(result_of(Path("a.fits")))
    assert text.isascii()
    assert json.loads(text)["exposure"]["kind"] == "light"
    with np.load(io.BytesIO(held), allow_pickle=False) as arrays:
        assert len(arrays[".stars.table"]) == 40


def pickled() -> bytes:
    held = io.BytesIO()
    np.savez(held, **{".stars.table": np.array([print, "x"], dtype=object)})
    return held.getvalue()


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"n_found":99', '"n_found":"many"'),
        ('"n_found":99', '"n_found":true'),
        ('"kind":"light"', '"kind":"evil"'),
        ('"n_found":99', '"found":99'),
        ('"conflicts":["one","two"]', '"conflicts":"one"'),
        ("{", "["),
        ("}", ""),
    ],
)
def test_what_is_no_record_is_refused(old: str, new: str) -> None:
    word, text, held = encode(result_of(Path("a.fits")))
    assert old in text
    with pytest.raises(ValueError, match="not a record"):
        decode(word, text.replace(old, new, 1), held)


def test_damaged_or_executable_arrays_are_refused() -> None:
    word, text, held = encode(result_of(Path("a.fits")))
    for bad in (b"", held[:-50], held[: len(held) // 2], b"\0" * 100, pickled()):
        with pytest.raises(ValueError, match="not a record"):
            decode(word, text, bad)
    flipped = bytearray(held)
    flipped[len(held) // 2] ^= 0xFF
    with pytest.raises(ValueError, match="not a record"):
        decode(word, text, bytes(flipped))


def test_the_shape_of_the_records_tells_every_field() -> None:
    shape = record_shape()
    for word in ("fwhm_px_error: <class 'float'>", "north_up_deg", "level_mesh_adu", "third_error", "why"):
        assert word in shape
