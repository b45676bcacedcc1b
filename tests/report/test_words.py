"""How numbers and foreign text read."""

import math
import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from framecheck import words


@pytest.mark.parametrize(
    ("hostile", "shown"),
    [
        ("\x1b[31mred\x07", "\\x1b[31mred\\x07"),  # ECMA-48 control sequence, BEL
        ("light\r\nrm", "light\\x0d\\x0arm"),
        ("gpj.\u202efits", "gpj.\\u202efits"),  # Unicode UAX #9: right-to-left override
        ("a\u200bb", "a\\u200bb"),  # zero width space
        ("\x9b2J", "\\x9b2J"),  # CSI in its 8-bit form, ECMA-48
        ("Ørsted Ångström 星", "Ørsted Ångström 星"),
    ],
)
def test_what_could_steer_a_terminal_is_made_visible(hostile: str, shown: str) -> None:
    assert words.plain(hostile) == shown


@given(st.text())
def test_plain_text_has_no_control_and_can_be_written(text: str) -> None:
    shown = words.plain(text)
    assert not any(ord(sign) < 0x20 or 0x7F <= ord(sign) < 0xA0 for sign in shown)
    shown.encode()


def test_bytes_that_are_no_text_become_escapes_in_a_path() -> None:
    name = os.fsdecode(b"caf\xe9.fits")  # Latin-1, not UTF-8
    assert words.path_in(Path("n"), Path("n") / name) == "caf\\xe9.fits"


def test_a_path_elsewhere_stays_as_it_is() -> None:
    assert words.path_in(Path("night"), Path("other/a.fits")) == "other/a.fits"
    assert words.path_in(Path("night"), Path("night/sub dir/a.fits")) == "sub dir/a.fits"


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"),
        (3.14159, "3.14"),
        (-0.05, "−0.0500"),
        (65535.0, "65\u202f500"),
        (9.996, "10.0"),
        (1234.4, "1\u202f230"),
    ],
)
def test_a_number_has_three_significant_digits(value: float, text: str) -> None:
    assert words.number(value) == text


@pytest.mark.parametrize("value", [None, math.nan, math.inf])
def test_what_is_not_known_is_a_dash(value: float | None) -> None:
    assert {words.number(value), words.fixed(value, 2), words.duration(value), words.percent(value)} == {"–"}
    assert words.known(value) is None


def test_no_minus_before_zero() -> None:
    assert words.fixed(-0.001, 2) == "0.00"
    assert words.fixed(-1.5, 1) == "−1.5"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.25, "0.250 s"), (42, "42 s"), (99.6, "2 min"), (3540, "59 min"), (3599, "1 h"), (5760, "1 h 36 min")],
)
def test_a_length_of_time_reads_as_one_says_it(seconds: float, text: str) -> None:
    assert words.duration(seconds) == text


def test_sentences_and_clauses() -> None:
    assert words.sentence("ends after 12 of 40 MB") == "Ends after 12 of 40 MB."
    assert words.sentence("Copy it again.") == "Copy it again."
    assert words.clause("The axis is off the pole.") == "the axis is off the pole"
    assert words.clause("RA drifts.") == "RA drifts"
    assert words.listed(["a", "b", "c"]) == "a, b and c"
    assert words.listed(["a"]) == "a"
    assert words.counted(1, "frame") == "1 frame"
    assert words.counted(20000, "star") == "20\u202f000 stars"


def test_likelihood_names_its_number() -> None:
    assert words.likelihood(0.86) == "very likely (86 %)"
    assert words.likelihood(0.3) == "possible (30 %)"


def test_bounds_of_an_axis_that_is_far_off_are_told_apart() -> None:
    assert [words.arcminutes(one) for one in (110.3, 112.4, 83.1, 8.44, 0.0, None)] == [
        "110",
        "112",
        "83",
        "8.4",
        "0",
        "–",
    ]
