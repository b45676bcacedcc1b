"""Cards are read as the standard writes them, and never raise."""

import warnings
from collections.abc import Callable

import pytest
from astropy.io import fits
from hypothesis import given
from hypothesis import strategies as st

from framecheck.read.cards import Header, merge_headers, parse_header


@pytest.mark.parametrize(
    ("card", "value"),
    [
        # FITS Standard 3.0, section 4.2: fixed and free format
        ("SIMPLE  =                    T / conforms", True),
        ("EXTEND  = F", False),
        ("BITPIX  =                  -32 / bits", -32),
        ("EXPTIME = 060.00 / seconds", 60.0),
        ("GAIN    = 1.5D2", 150.0),
        ("GAIN    = -.5e-1", -0.05),
        ("OBJECT  = 'M 31    '           / target", "M 31"),
        ("OBSERVER= 'O''Hara'", "O'Hara"),
        ("OBJECT  = ''", ""),
        ("FILTER  =                      / nothing here", None),
        # common practice: cards of writers that do not keep to the standard
        ("OBJECT  = M 31", "M 31"),
        ("OBJECT  = 'M 31", "M 31"),
        ("OBJECT  ='M 31'", "M 31"),
        ("exptime = 30.0", 30.0),
    ],
)
def test_values(blocks: Callable[..., bytes], card: str, value: object) -> None:
    keyword = card[:8].strip().upper()
    assert parse_header(blocks(card)).value(keyword) == value


def test_long_strings_and_long_keywords(blocks: Callable[..., bytes]) -> None:
    # CONTINUE and HIERARCH as astropy.io.fits writes them
    header = fits.Header()
    header["OBJECT"] = "a name that is much longer than one card can hold " * 3
    header["HIERARCH CAMERA GAIN"] = 2.5
    ours = parse_header(blocks(*_lines(header)))
    assert ours.value("OBJECT") == header["OBJECT"].rstrip()
    assert ours.value("CAMERA GAIN") == 2.5


def _lines(header: fits.Header) -> list[str]:
    text = header.tostring(endcard=False, padding=False)
    return [text[i : i + 80] for i in range(0, len(text), 80)]


def test_first_of_two_and_primary_header_behind_the_extension(cards: Callable[..., Header]) -> None:
    # astropy.io.fits takes the first of two, too
    assert cards("GAIN = 1", "GAIN = 2").value("GAIN") == 1
    merged = merge_headers(cards("GAIN = 1"), cards("GAIN = 2", "OBJECT = 'M 31'"))
    assert (merged.value("GAIN"), merged.value("OBJECT")) == (1, "M 31")


@pytest.mark.parametrize(
    ("text", "number"),
    [("'14.0    '", 14.0), ("'44 C'", 44.0), ("'1e400'", None), ("'12:30:00'", None), ("'M31'", None), ("T", None)],
)
def test_numbers_in_strings(cards: Callable[..., Header], text: str, number: float | None) -> None:
    assert cards(f"KEY = {text}").number("KEY") == number


@pytest.mark.parametrize("text", ["''", "'N/A'", "'UNKNOWN '", "'None'", "'-'"])
def test_words_that_say_nothing(cards: Callable[..., Header], text: str) -> None:
    assert cards(f"OBJECT = {text}").text("OBJECT") is None


def test_control_characters_do_not_get_through(blocks: Callable[..., bytes]) -> None:
    header = parse_header(blocks(b"OBJECT  = 'M\x1b[31m 31\x07'"))
    assert (header.text("OBJECT") or "").isprintable()


def test_foreign_letters(blocks: Callable[..., bytes]) -> None:
    assert parse_header(blocks("OBSERVER= 'Jürgen'".encode())).text("OBSERVER") == "Jürgen"
    assert parse_header(blocks("OBSERVER= 'Jürgen'".encode("latin-1"))).text("OBSERVER") == "Jürgen"


VALUES = st.one_of(
    st.booleans(),
    st.integers(-(10**15), 10**15),
    st.floats(allow_nan=False, allow_infinity=False, width=32),
    st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=150),
)


@given(VALUES)
def test_what_astropy_writes_is_read_back(value: bool | int | float | str) -> None:
    # independent route: astropy.io.fits writes and reads the same card
    header = fits.Header()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        header["KEY"] = value
        lines = _lines(header)
        theirs = fits.Header.fromstring("".join(lines))["KEY"]
    raw = "".join(line.ljust(80) for line in (*lines, "END")).encode()
    ours = parse_header(raw).value("KEY")
    assert ours == (theirs.rstrip() if isinstance(theirs, str) else theirs)


@given(st.binary(max_size=400))
def test_any_bytes_make_a_header(raw: bytes) -> None:
    header = parse_header(raw)
    for keyword in header.cards:
        header.number(keyword), header.text(keyword), header.comment(keyword)
