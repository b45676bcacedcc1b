"""Colour-filter mosaics: which colour each pixel of the array sees, and whether the pixels bear it out.

A mosaic is measured on its own pixel grid. Nothing is interpolated, so no resolution is invented.
"""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.read import keywords
from framecheck.read.cards import Header, Said

PATTERNS: Final = ("RGGB", "BGGR", "GRBG", "GBRG")
"""The first 2 x 2 pixels, row by row."""

_SAMPLED_CELLS: Final = 60_000
"""[cells] Chosen: they place each median to a two-hundredth of the noise."""
_SAMPLED_ROWS: Final = 64
"""[rows of cells] Chosen: whole rows are quicker to read than as many cells strewn about."""
_CLEAR: Final = 8.0
"""[standard errors] Chosen: two phases that differ this much see different light."""
_BALANCE: Final = 4.0
"""[dimensionless] Chosen: red and blue differ this many times more than the two greens do."""


def pattern_of_header(header: Header, height_px: int) -> Said[str]:
    """Pattern of the array as stored, one of `PATTERNS`, from BAYERPAT, its offsets and the order of rows.

    The pattern is stated for the picture with its top row first. Where rows are stored bottom up it is turned over:
    RGGB is read as GBRG if the number of rows is even, and stays RGGB if it is odd (common practice).
    """
    for keyword in keywords.BAYER:
        pattern = (header.text(keyword) or "").upper()
        if pattern in PATTERNS:
            break
    else:
        return Said()
    if _odd(header, keywords.BAYER_OFFSET_X):
        pattern = pattern[1] + pattern[0] + pattern[3] + pattern[2]
    if _odd(header, keywords.BAYER_OFFSET_Y):
        pattern = turned_over(pattern, height_px=2)
    if read_row_order(header).value is False:
        pattern = turned_over(pattern, height_px=height_px)
    return Said(value=pattern, source=keyword)


def read_row_order(header: Header) -> Said[bool]:
    """True if the first row stored is the top of the picture."""
    for keyword in keywords.ROW_ORDER:
        words = "".join(filter(str.isalpha, (header.text(keyword) or "").upper()))
        if words in ("TOPDOWN", "BOTTOMUP"):
            return Said(value=words == "TOPDOWN", source=keyword)
    return Said()


def pattern_in_filter_card(header: Header) -> str | None:
    """A mosaic's pattern where the filter's name should be."""
    for keyword in keywords.FILTER:
        words = (header.text(keyword) or "").upper()
        if words in PATTERNS:
            return words
    return None


def turned_over(pattern: str, *, height_px: int) -> str:
    """The pattern of an array whose rows are stored in the other order."""
    return pattern if height_px % 2 else pattern[2:] + pattern[:2]


def verified_pattern(pixels: NDArray[Any], claimed: str | None, *, certain: bool, binning: int | None) -> Said[str]:
    """Pattern of the array as its pixels, shape (height, width), show it; None if all see the same light.

    The two green phases see the same light and lie on one diagonal of the cell; red and blue lie on the other. Which
    diagonal is green tells whether the rows are turned over; red from blue the pixels cannot tell. `certain` is False
    if only the filter's name hints at a mosaic; binned pixels usually mix the colours.
    """
    if claimed is None:
        return Said()
    main_is_green = green_on_main_diagonal(pixels)
    if main_is_green is None:
        if not certain:
            return Said()
        if binning is not None and binning > 1:
            said = (
                f"The header names a colour mosaic ({claimed}), but the pixels are binned and all see the same light."
            )
            return Said(conflicts=(said,))
        return Said(value=claimed)
    if main_is_green == (claimed[0] == "G"):
        return Said(value=claimed)
    stored = turned_over(claimed, height_px=2)
    said = f"The header names the mosaic {claimed}, the pixels show {stored} (rows turned over), so we used that."
    return Said(value=stored, conflicts=(said,))


def green_on_main_diagonal(pixels: NDArray[Any]) -> bool | None:
    """Whether the equal (green) phases are (0, 0) and (1, 1) of the 2 x 2 cell; None if the pixels do not show it."""
    rows, columns = pixels.shape[0] // 2, pixels.shape[1] // 2
    down = max(1, rows // _SAMPLED_ROWS)
    along = max(1, columns * len(range(0, rows, down)) // _SAMPLED_CELLS)

    def phase(y: int, x: int) -> NDArray[np.float32]:
        sampled = pixels[y : 2 * rows : 2 * down, x : 2 * columns : 2 * along]
        return sampled.astype(np.float32)

    main, main_error = _median_difference(phase(0, 0), phase(1, 1))
    anti, anti_error = _median_difference(phase(0, 1), phase(1, 0))
    larger_is_main = abs(main) > abs(anti)
    larger, error = (main, main_error) if larger_is_main else (anti, anti_error)
    smaller = anti if larger_is_main else main
    if not abs(larger) > _CLEAR * error or abs(larger) < _BALANCE * abs(smaller):
        return None
    return not larger_is_main


def _median_difference(one: NDArray[np.float32], other: NDArray[np.float32]) -> tuple[float, float]:
    """Difference of two phases, cell by cell so that gradients drop out, with its standard error.

    The mean of the middle half of the values stands in for the median: whole numbers would make the median jump.
    """
    difference = (one - other).ravel()
    difference = difference[np.isfinite(difference)]
    if difference.size < 64:
        return 0.0, np.inf
    low, high = difference.size // 4, difference.size - difference.size // 4
    middle = np.partition(difference, (low, high - 1))[low:high]
    # for normal noise the midmean has 1.19 times the variance of the mean; the quartiles are 1.349 sigma apart
    sigma = max(float(middle[-1] - middle[0]) / 1.349, 0.3)
    return float(middle.mean(dtype=np.float64)), 1.09 * sigma / float(np.sqrt(difference.size))


def _odd(header: Header, names: tuple[str, ...]) -> bool:
    number = header.number(header.first(names) or "")
    return number is not None and round(number) % 2 == 1
