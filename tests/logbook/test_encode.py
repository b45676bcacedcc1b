"""Records come back equal in every bit, and nothing but records comes back. All by closed form."""

import dataclasses
import json
import pickle
import tracemalloc
import zlib
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
    result = result_of(Path("a.fits"))
    _, text, held = encode(result)
    assert text.isascii()
    whole = json.loads(text)
    assert whole["record"]["exposure"]["kind"] == "light"
    assert whole["arrays"][".stars.table"] == [40]
    assert result.stars.table.tobytes() in zlib.decompress(held)


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
    for bad in (b"", held[:-50], held[: len(held) // 2], b"\0" * 100, pickle.dumps(print), held + b"more"):
        with pytest.raises(ValueError, match="not a record"):
            decode(word, text, bad)


@pytest.mark.parametrize("shape", ["[1000000000000]", "[40,40]", "[-40]", "[4e1]", "[41]", '"40"', "[[40]]", "[true]"])
def test_no_room_is_made_for_a_shape_that_no_record_has(shape: str) -> None:
    word, text, held = encode(result_of(Path("a.fits")))
    with pytest.raises(ValueError, match="not a record"):
        decode(word, text.replace('".stars.table":[40]', f'".stars.table":{shape}', 1), held)


def test_a_small_block_that_unpacks_to_much_is_not_unpacked() -> None:
    word, text, _ = encode(result_of(Path("a.fits")))
    tracemalloc.start()
    bomb = zlib.compress(bytes(1 << 28))
    tracemalloc.reset_peak()
    with pytest.raises(ValueError, match="another length"):
        decode(word, text, bomb)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 4 << 20


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"moffat_beta":3.1', '"moffat_beta":NaN'),
        ('"moffat_beta":3.1', '"moffat_beta":Infinity'),
        ('"moffat_beta":3.1', '"moffat_beta":1e308'),
        ('"width_px":4656', '"width_px":0'),
        ('"width_px":4656', '"width_px":' + "9" * 30),
        ('"width_px":4656', '"width_px":' + "9" * 5000),
        ('"start_utc":"2026-02-03T21:10:00.123457Z"', '"start_utc":"2026-02-03T21:10:00.123457"'),
        ('"start_utc":"2026-02-03T21:10:00.123457Z"', '"start_utc":"0001-01-01T00:00:00+23:59"'),
        ('"provenance":{"exposure_s":"EXPTIME"}', '"provenance":["exposure_s"]'),
        ('"table":".stars.table"', '"table":".stacked.image"'),
        ('"layout":2', '"layout":1'),
    ],
)
def test_what_no_frame_can_have_is_refused(old: str, new: str) -> None:
    word, text, held = encode(result_of(Path("a.fits")))
    assert old in text
    with pytest.raises(ValueError, match="not a record"):
        decode(word, text.replace(old, new, 1), held)


@pytest.mark.parametrize("number", [np.nan, np.inf, 1e30])
def test_stars_without_a_place_are_refused(number: float) -> None:
    result = result_of(Path("a.fits"))
    result.stars.table["x"][3] = number
    with pytest.raises(ValueError, match=r"stars\.table x"):
        encode(result)


def test_the_shape_of_the_records_tells_every_field() -> None:
    shape = record_shape()
    for word in ("fwhm_px_error: <class 'float'>", "north_up_deg", "level_mesh_adu", "third_error", "why"):
        assert word in shape
