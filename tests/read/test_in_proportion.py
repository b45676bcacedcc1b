"""Reading takes time in proportion to what is read, whatever is made long: cards, strings, units, tiles, lists.

Four times as much may take nine times as long: eight or so would be left of a busy machine's noise, while what grows by
the square takes sixteen times. Processor time counts, the least of several.
"""

import gzip
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from framecheck.errors import FramecheckError
from framecheck.read.cards import MOST_SIGNS, parse_header
from framecheck.read.fits import read_exposure
from framecheck.read.folder import find_frames
from framecheck.read.rig_file import load_rig
from framecheck.read.tiles import _unpacks_to_more

MOST = 9.0
FEW = 4000


def card(text: str) -> bytes:
    return text.encode().ljust(80)


def unit(first: str, n_cards: int) -> bytes:
    cards = [card(first), card("BITPIX  = 8"), card("NAXIS   = 0"), *(card(f"K{n} = {n}") for n in range(n_cards))]
    raw = b"".join([*cards, card("END")])
    return raw.ljust(-(-len(raw) // 2880) * 2880)


def long_string(n: int, path: Path) -> Callable[[], object]:
    raw = card("OBJECT  = 'a&'") + card("CONTINUE  '" + "x" * 60 + "&'") * n + card("END")
    return lambda: parse_header(raw)


def many_cards(n: int, path: Path) -> Callable[[], object]:
    raw = b"".join(card(f"HIERARCH KEY {number} = {number}") for number in range(n)) + card("END")
    return lambda: parse_header(raw)


def many_units(n: int, path: Path) -> Callable[[], object]:
    path.write_bytes(unit("SIMPLE  =                    T", 1) + unit("XTENSION= 'BINTABLE'", 300) * (n // 100))
    return lambda: read_exposure(path)


def many_members(n: int, path: Path) -> Callable[[], object]:
    path.write_bytes(gzip.compress(b"") * n)
    return lambda: read_exposure(path)


def tile_of_members(n: int, path: Path) -> Callable[[], object]:
    tile = memoryview(gzip.compress(b"") * (4 * n))
    return lambda: _unpacks_to_more(tile, 1000)


def many_names(n: int, path: Path) -> Callable[[], object]:
    path.with_suffix(".txt").write_text("".join(f"night/frame {number}.fits\n" for number in range(n)))
    return lambda: find_frames(path.with_suffix(".txt"))


def key_of_many_parts(n: int, path: Path) -> Callable[[], object]:
    path.write_text(".".join("a" * n) + " = 1")
    return lambda: load_rig(path)


def many_tables(n: int, path: Path) -> Callable[[], object]:
    path.write_text("".join(f"[a{number}]\n" for number in range(n)))
    return lambda: load_rig(path)


MADE = (
    long_string, many_cards, many_units, many_members, tile_of_members, many_names, key_of_many_parts, many_tables,
)  # fmt: skip


def spent_s(read: Callable[[], object]) -> float:
    least = float("inf")
    for _ in range(3):
        start = time.process_time()
        with suppress(FramecheckError):
            read()
        least = min(least, time.process_time() - start)
    return least


@pytest.mark.parametrize("made", MADE)
def test_reading_takes_time_in_proportion(made: Callable[[int, Path], Callable[[], object]], tmp_path: Path) -> None:
    few, many = spent_s(made(FEW, tmp_path / "few")), spent_s(made(4 * FEW, tmp_path / "many"))
    assert many < MOST * max(few, 0.002), f"{few:.4f} s, four times as much {many:.4f} s"


def test_what_a_header_may_say_has_an_end() -> None:
    raw = card("OBJECT  = 'a&'") + card("CONTINUE  '" + "x" * 60 + "&'") * 1000 + card("GAIN    = 2") + card("END")
    header = parse_header(raw)
    assert header.value("OBJECT") == "a" + "x" * (MOST_SIGNS - 1)
    assert header.value("GAIN") == 2


def test_a_number_of_many_digits_is_not_searched_for_ever() -> None:
    raw = card("GAIN    = '1&'") + card("CONTINUE  '" + "1" * 60 + "&'") * 30_000 + card("CONTINUE  'x:'") + card("END")
    assert spent_s(lambda: parse_header(raw).number("GAIN")) < 1
