"""The part of an array that sees the sky: overscan and other dark edges left out, by the header and by the pixels."""

import re
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import KNOWN_SIGMA
from framecheck.read import keywords
from framecheck.read.cards import Header, Said
from framecheck.read.cells import ROWS_TOGETHER

Box = tuple[int, int, int, int]
"""Left, bottom, right and top of a rectangle of pixels, 0-based as stored; right and top are just beyond it. [px]"""

_LEAST_KEPT: Final = 0.5
"""[share of the image] Chosen: overscan takes some per cent; a section that leaves less is that of one amplifier."""
_EDGE: Final = 8
"""Dark edges are looked for in one part of so many of each side. Chosen: overscan is narrower."""
_MOST_LINES: Final = 256
"""Lines looked at along each edge, at the most. [px] Chosen: masked pixels of large sensors take up to 160 or so."""
_PAIRS: Final = 32
"""Pairs of pixels looked at in each line. Chosen: a line's level comes out to a sixth of its noise."""
_LINES: Final = 4
"""Lines on either side of a step. Chosen: even, so that both hold all colours of a mosaic; narrower edges do no harm,
since no mesh of the sky follows them."""
_FLAT: Final = 0.3
"""Change on both sides of a step over the step itself, at the most. Chosen: a slope makes 0.67 (closed form); the
shadow of whatever lies before the sensor is blurred by the cone of light, the end of its pixels is not."""
_LOWER_PART: Final = 0.75
_SIGMA_OF_LOWER_PART: Final = 0.728
"""Mean of the lower three quarters of the differences of two normal numbers, over the noise of one. Closed form."""
_FILLED: Final = 0.1
"""Noise of a line over that of the sky beside it, below which it is filled with one value. Chosen."""


def area_of_header(header: Header, *, width_px: int, height_px: int) -> Said[Box]:
    """The part of the array that sees the sky, as the header claims it; None where it names none or all of it.

    A section that cannot be is left out with a sentence. One of just the array's own size was cut off before the file
    was written.

    `[x1:x2,y1:y2]` counts pixels from 1, both ends included; an end before the beginning is the same part read
    backwards. TRIMSEC is what to keep, DATASEC what holds data, BIASSEC overscan, all in pixels of the array as stored;
    CCDSEC and DETSEC count pixels of the detector. Common practice of observatories, no source.
    """
    conflicts: list[str] = []
    for keyword in keywords.LIGHT_SECTION:
        box = _section(header, keyword)
        if box is None:
            continue
        left, bottom, right, top = box
        if (right - left, top - bottom) == (width_px, height_px):
            return Said()
        doubt = _doubt(box, width_px, height_px)
        if doubt is None and (right - left) * (top - bottom) < _LEAST_KEPT * width_px * height_px:
            doubt = "leaves less than half of the image"
        if doubt is None:
            return Said(value=box, source=keyword, conflicts=tuple(conflicts))
        conflicts.append(f"{keyword} = {header.text(keyword)} {doubt}; it was ignored.")
    overscan = overscan_of_header(header, width_px=width_px, height_px=height_px)
    beside = None if overscan.value is None else _beside(overscan.value, width_px, height_px)
    return Said(value=beside, source=overscan.source, conflicts=(*conflicts, *overscan.conflicts))


def overscan_of_header(header: Header, *, width_px: int, height_px: int) -> Said[Box]:
    """The part of the array that holds overscan, as the header claims it; None where it names none."""
    for keyword in keywords.OVERSCAN_SECTION:
        box = _section(header, keyword)
        if box is not None:
            doubt = _doubt(box, width_px, height_px)
            if doubt is None:
                return Said(value=box, source=keyword)
            return Said(conflicts=(f"{keyword} = {header.text(keyword)} {doubt}; it was ignored.",))
    return Said()


def _section(header: Header, keyword: str) -> Box | None:
    """A section as a box; None where there is none, or an empty one that nobody filled in."""
    pixel = r"\s*(-?\d{1,9})\s*"
    numbers = re.fullmatch(rf"\[?{pixel}:{pixel},{pixel}:{pixel}\]?", header.text(keyword) or "")
    if numbers is None:
        return None
    x1, x2, y1, y2 = (int(number) for number in numbers.groups())
    return None if x1 == x2 or y1 == y2 else (min(x1, x2) - 1, min(y1, y2) - 1, max(x1, x2), max(y1, y2))


def _doubt(box: Box, width_px: int, height_px: int) -> str | None:
    left, bottom, right, top = box
    inside = left >= 0 and bottom >= 0 and right <= width_px and top <= height_px
    return None if inside else f"does not lie within the {width_px} x {height_px} pixels of the image"


def _beside(overscan: Box, width_px: int, height_px: int) -> Box | None:
    """The largest box beside the overscan, if that lies along an edge."""
    left, bottom, right, top = overscan
    boxes = [
        (right, 0, width_px, height_px),
        (0, 0, left, height_px),
        (0, top, width_px, height_px),
        (0, 0, width_px, bottom),
    ]
    largest = max(boxes, key=_area)
    return largest if _area(largest) >= _LEAST_KEPT * width_px * height_px else None


def _area(box: Box) -> int:
    left, bottom, right, top = box
    return (right - left) * (top - bottom)


def without_dark_edges(pixels: NDArray[Any], box: Box) -> Box:
    """The part of a box that sees the sky, by the pixels of the array as stored, shape (height, width).

    Along an edge without sky all lines lie a sharp step away from the lines beside them, and scatter less; or they are
    filled with one value. The corners begin at even pixels, so that the pattern of a mosaic stays what it was.
    """
    left, bottom, right, top = box
    inside = pixels[bottom:top, left:right]
    rows = _dark_lines(inside), _dark_lines(inside[::-1])
    columns = _dark_lines(inside.T), _dark_lines(inside.T[::-1])
    start_x, start_y = (-(-start // 2) * 2 for start in (left + columns[0], bottom + rows[0]))
    return start_x, start_y, right - columns[1], top - rows[1]


def _dark_lines(lines: NDArray[Any]) -> int:
    """How many of the first lines of an image see no sky."""
    n, length = lines.shape
    reach = min(n // _EDGE, _MOST_LINES)
    if reach < 3 * _LINES or length < 4 * _PAIRS:
        return 0
    first = np.linspace(length // 10, length - length // 10 - 3, _PAIRS).astype(np.intp)
    across = lines.T
    one, other = (np.nan_to_num(across[at, :reach].T.astype(np.float32, order="C")) for at in (first, first + 2))
    level = np.sort(np.concatenate([one, other], axis=1), axis=1)[:, _PAIRS - 1 : _PAIRS + 1].mean(axis=1, dtype=float)
    apart = np.sort(np.abs(one - other), axis=1)[:, : int(_LOWER_PART * _PAIRS)]
    noise = apart.mean(axis=1, dtype=float) / _SIGMA_OF_LOWER_PART
    return max(_lines_before_step(level, noise), _filled_lines(noise))


def _lines_before_step(level: NDArray[np.float64], noise: NDArray[np.float64]) -> int:
    """Lines up to the innermost sharp step to noisier ones; the two lines of the step itself go with them."""
    groups = np.lib.stride_tricks.sliding_window_view(level, _LINES)
    bent = np.abs(groups[:, :2].mean(axis=1) - groups[:, 2:].mean(axis=1))
    mean, scatter = groups.mean(axis=1), np.lib.stride_tricks.sliding_window_view(noise, _LINES).mean(axis=1)
    outer, inner = slice(None, -_LINES - 2), slice(_LINES + 2, None)
    step = np.abs(mean[inner] - mean[outer])
    ends = (step > KNOWN_SIGMA * scatter[inner]) & (scatter[outer] < scatter[inner])
    ends &= bent[outer] + bent[inner] < _FLAT * step
    for last in np.flatnonzero(ends)[::-1]:  # all lines outside lie where the last ones do
        if np.median(np.abs(level[: last + _LINES] - mean[last])) < _FLAT * step[last]:
            return int(last) + _LINES + 2
    return 0


def _filled_lines(noise: NDArray[np.float64]) -> int:
    """Lines at the edge that one value fills."""
    live = np.flatnonzero(noise > _FILLED * np.median(noise[len(noise) // 2 :]))
    return int(live[0]) if live.size else 0


def cut_to(pixels: NDArray[Any], box: Box) -> NDArray[Any]:
    """The pixels of a box, moved together band by band within the memory of the whole array, which is lost."""
    left, bottom, right, top = box
    kept = pixels[bottom:top, left:right]
    if kept.size == pixels.size:
        return pixels
    together = pixels.reshape(-1)[: kept.size].reshape(kept.shape)
    for row in range(0, len(kept), ROWS_TOGETHER):
        together[row : row + ROWS_TOGETHER] = kept[row : row + ROWS_TOGETHER]
    return together
