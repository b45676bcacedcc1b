"""Colour-filter mosaics: pattern as stored, and the pixels' own word on it."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from framecheck.read.cards import Header
from framecheck.read.fits import read_exposure, read_frame
from framecheck.read.mosaic import PATTERNS, green_on_main_diagonal, pattern_of_header, turned_over

Write = Callable[..., Path]
LEVELS = {"R": 900.0, "G": 1000.0, "B": 850.0}


def mosaic(pattern: str, shape: tuple[int, int] = (240, 320), levels: dict[str, float] = LEVELS) -> np.ndarray:
    """Sky of three colours under a filter mosaic, with noise of 20 ADU and a gradient."""
    y, x = np.indices(shape)
    cell = np.array([levels[colour] for colour in pattern]).reshape(2, 2)
    light = cell[y % 2, x % 2] * (1 + 1e-4 * x)
    return (light + np.random.default_rng(6).normal(0, 20, shape)).astype(np.uint16)


@pytest.mark.parametrize(
    ("lines", "height", "stored"),
    [
        (["BAYERPAT= 'RGGB'"], 48, "RGGB"),
        (["BAYERPAT= 'RGGB'", "ROWORDER= 'TOP-DOWN'"], 48, "RGGB"),
        # common practice: an even number of rows turns RGGB into GBRG, an odd one leaves it
        (["BAYERPAT= 'RGGB'", "ROWORDER= 'BOTTOM-UP'"], 48, "GBRG"),
        (["BAYERPAT= 'RGGB'", "ROWORDER= 'BOTTOM-UP'"], 49, "RGGB"),
        (["BAYERPAT= 'RGGB'", "XBAYROFF= 1"], 48, "GRBG"),
        (["BAYERPAT= 'RGGB'", "YBAYROFF= 1"], 48, "GBRG"),
        (["BAYERPAT= 'RGGB'", "XBAYROFF= 1", "YBAYROFF= 1"], 48, "BGGR"),
        (["BAYERPAT= 'RGGB'", "XBAYROFF= 2", "YBAYROFF= 0"], 48, "RGGB"),
        (["COLORTYP= 'gbrg'"], 48, "GBRG"),
        (["BAYERPAT= 'TRUE'"], 48, None),
        (["COLORTYP= 'MONO'"], 48, None),
        (["FILTER = 'RGGB'"], 48, None),
    ],
)
def test_pattern_of_the_header(cards: Callable[..., Header], lines: list[str], height: int, stored: str | None) -> None:
    assert pattern_of_header(cards(*lines), height).value == stored


@pytest.mark.parametrize("height", [4, 5])
@pytest.mark.parametrize("pattern", PATTERNS)
def test_turning_rows_over(pattern: str, height: int) -> None:
    # closed form: flip an array of letters
    letters = np.array([[pattern[2 * (y % 2) + x % 2] for x in range(4)] for y in range(height)])
    assert "".join(letters[::-1][:2, :2].ravel()) == turned_over(pattern, height_px=height)


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("claimed", PATTERNS)
def test_the_pixels_have_the_last_word(write: Write, pattern: str, claimed: str) -> None:
    frame = read_frame(write(mosaic(pattern), {"BAYERPAT": claimed}))
    green_agrees = (pattern[0] == "G") == (claimed[0] == "G")
    assert frame.mosaic == (claimed if green_agrees else turned_over(claimed, height_px=2))
    assert frame.exposure.mosaic_pattern == frame.mosaic
    assert bool(frame.exposure.conflicts) is not green_agrees
    assert read_exposure(frame.exposure.file).mosaic_pattern == claimed


def test_a_filter_called_rggb(write: Write) -> None:
    # met in public frames: FILTER = 'RGGB', no BAYERPAT, and rows the other way than it says
    frame = read_frame(write(mosaic("GBRG"), {"FILTER": "RGGB"}))
    assert frame.mosaic == "GBRG"
    assert frame.exposure.filter is None
    assert "GBRG" in frame.exposure.conflicts[0]
    plain = read_frame(write(mosaic("RGGB", levels=dict.fromkeys("RGB", 900.0)), {"FILTER": "RGGB"}, name="plain.fits"))
    assert plain.mosaic is None


def test_pixels_that_do_not_tell(write: Write) -> None:
    # one level for all colours, as through a narrow filter: the header is believed, unless the pixels are binned
    grey = mosaic("RGGB", levels=dict.fromkeys("RGB", 900.0))
    assert green_on_main_diagonal(grey) is None
    assert read_frame(write(grey, {"BAYERPAT": "BGGR"}, name="a.fits")).mosaic == "BGGR"
    binned = read_frame(write(grey, {"BAYERPAT": "BGGR", "XBINNING": 2, "YBINNING": 2}, name="b.fits"))
    assert binned.mosaic is None
    assert "binned" in binned.exposure.conflicts[0]
    assert read_frame(write(grey, name="c.fits")).mosaic is None


@pytest.mark.parametrize("difference", [3.0, 30.0])
def test_small_differences_are_enough(difference: float) -> None:
    # red and blue 3 ADU apart under noise of 20 ADU: 0.15 sigma a pixel, over 19200 cells 15 standard errors
    levels = {"R": 1000 - difference / 2, "G": 1010.0, "B": 1000 + difference / 2}
    assert green_on_main_diagonal(mosaic("GRBG", levels=levels)) is True
    assert green_on_main_diagonal(mosaic("RGGB", levels=levels)) is False
