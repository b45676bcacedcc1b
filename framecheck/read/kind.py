"""Lights told from darks, flats and bias: by what the header says, and by the pixels where it says nothing."""

import re
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import BEYOND_NOISE_SIGMA, SIGMA_PER_MAD
from framecheck.read import keywords
from framecheck.read.cards import Header, Said
from framecheck.read.exposure import Frame, Kind

_KIND_NUMBERS: Final[dict[int, Kind]] = {1: "light", 2: "bias", 3: "dark", 4: "flat"}
"""PICTTYPE: 1 light, 2 bias, 3 dark, 4 flat (said by its own comment)."""
_WORDS: Final[tuple[tuple[str, Kind], ...]] = (
    # the first that fits: a dark for flats is a dark, and twilight is no light
    (r"dark", "dark"),
    (r"bias|zero|offset", "bias"),
    (r"flat|twilight", "flat"),
    (r"light|object|science|expose|^sky$|^target$|^tricolor$|^standard$", "light"),
)
_TILE_PX: Final = 256
"""[px] Chosen."""
_TILES_A_SIDE: Final = 4
"""Chosen: sixteen tiles see a million pixels, where any field but the emptiest has stars."""
_NEIGHBOUR_SHARE: Final = 0.1
"""[dimensionless] Least light of a neighbour against the peak: 0.2 for a Gaussian of 1.3 px FWHM, the sharpest star."""
_LEAST_STARS: Final = 3
"""Chosen: fewer may be particle tracks."""
_FLAT_LEVEL: Final = 0.15
"""[share of full scale] Chosen: flats are exposed to a third or a half."""
_BURNT_LEVEL: Final = 0.85
"""[share of full scale] Chosen: no flat is exposed so far; a bright sky is, when the exposure is far too long."""
_DARK_LEVEL: Final = 0.05
"""[share of full scale] Chosen: pedestal and dark current; a sky that bright has structure."""
_BIAS_S: Final = 0.1
"""[s] Chosen: no dark is that short."""


def kind_of_header(header: Header) -> Said[Kind]:
    """What was exposed, from IMAGETYP and its relatives in any spelling; None if the header does not say."""
    for keyword in (*keywords.KIND, *keywords.TARGET):
        words = re.sub(r"[^a-z]+", " ", (header.text(keyword) or "").lower()).strip()
        if keyword in keywords.TARGET and words not in ("dark", "bias", "flat", "dark frame", "bias frame"):
            continue  # targets have names of their own, such as the Dark Doodad
        for pattern, kind in _WORDS:
            if re.search(pattern, words):
                return Said(value=kind, source=keyword)
    for keyword in keywords.KIND_NUMBER:
        number = header.number(keyword)
        if number is not None and number in _KIND_NUMBERS:
            return Said(value=_KIND_NUMBERS[int(number)], source=keyword)
    return Said()


def kind_from_pixels(frame: Frame) -> Kind:
    """What a frame is, from its pixels alone.

    Where anything looks like stars it is a light. Without stars it is a flat if it is bright and not burnt out, a dark
    or bias if it is faint and even from side to side; what fits none of these is "unknown", not a guess.

    Parameters
    ----------
    frame : Frame
        The frame, pixels as stored.

    Returns
    -------
    Kind
        "light", "dark", "flat", "bias" or "unknown".
    """
    step = 1 if frame.mosaic is None else 2  # one colour of a mosaic
    tiles = [tile.astype(np.float32) for tile in _tiles(frame.pixels[::step, ::step])]
    stars = 0
    for tile in tiles:
        stars += _count_stars(tile)
        if stars >= _LEAST_STARS:
            return "light"
    levels, noises = np.array([_level_and_noise(tile) for tile in tiles]).T
    if not np.isfinite(levels).any():
        return "unknown"
    full = _full_scale(frame)
    level, noise = float(np.nanmedian(levels)), float(np.nanmedian(noises))
    pedestal = frame.exposure.pedestal_adu or 0.0
    if 0 < pedestal < full:  # of camera raws up to an eighth of the full scale
        level, full = level - pedestal, full - pedestal
    exposure_s = frame.exposure.exposure_s
    if level > _FLAT_LEVEL * full:
        return "flat" if level < _BURNT_LEVEL * full else "unknown"
    low, high = np.nanquantile(levels, (0.1, 0.8))  # the glow of an amplifier may brighten a corner of a dark
    uneven = float(high - low)
    if level > _DARK_LEVEL * full or not uneven <= max(1e-4 * full, noise):
        return "unknown"
    if exposure_s is None:
        return "dark" if _warm_pixels(tiles, level, noise) else "unknown"
    return "bias" if exposure_s <= _BIAS_S else "dark"


def _tiles(pixels: NDArray[Any]) -> list[NDArray[Any]]:
    """Squares spread evenly over the image, the whole image if it is small."""
    height, width = pixels.shape
    rows = np.linspace(0, max(0, height - _TILE_PX), _TILES_A_SIDE if height > _TILE_PX else 1).astype(int)
    columns = np.linspace(0, max(0, width - _TILE_PX), _TILES_A_SIDE if width > _TILE_PX else 1).astype(int)
    return [pixels[y : y + _TILE_PX, x : x + _TILE_PX] for y in rows for x in columns]


def _level_and_noise(tile: NDArray[np.float32]) -> tuple[float, float]:
    if not np.isfinite(tile).any():
        return np.nan, np.nan
    # differences of neighbours leave gradients out; noise of whole numbers is at least that of rounding
    steps = np.diff(tile, axis=1)
    noise = SIGMA_PER_MAD * float(np.nanmedian(np.abs(steps))) / np.sqrt(2) if np.isfinite(steps).any() else np.nan
    return float(np.nanmedian(tile)), max(noise, 1 / np.sqrt(12)) if float(np.nanmax(tile)) > 2 else noise


def _count_stars(tile: NDArray[np.float32]) -> int:
    """Stars in a tile, sharp ones on its pixels and blurred or faint ones on pixels summed 4 by 4."""
    return max(_count_peaks(tile, 16), _count_peaks(_summed(_without_spikes(tile), 4), 6))


def _without_spikes(tile: NDArray[np.float32]) -> NDArray[np.float32]:
    """Each pixel no brighter than the brightest of the four beside it: hot pixels go, stars stay."""
    padded = np.pad(tile, 1, mode="reflect")
    beside = np.maximum(
        np.maximum(padded[:-2, 1:-1], padded[2:, 1:-1]), np.maximum(padded[1:-1, :-2], padded[1:-1, 2:])
    )
    return np.minimum(tile, beside)


def _summed(tile: NDArray[np.float32], n: int) -> NDArray[np.float32]:
    height, width = tile.shape[0] // n * n, tile.shape[1] // n * n
    cells: NDArray[np.float32] = tile[:height, :width].reshape(height // n, n, width // n, n).sum(axis=(1, 3))
    return cells


def _count_peaks(tile: NDArray[np.float32], reach: int) -> int:
    """Local maxima with light in at least three of the eight pixels around: no hot pixel looks so.

    Light is what stands above the mean of the square of `2 reach + 1` pixels around, so that vignetting is none.
    """
    _, noise = _level_and_noise(tile)
    if min(tile.shape) < 2 * reach + 3 or not noise > 0:
        return 0
    light = tile[reach:-reach, reach:-reach] - _square_mean(tile, reach)
    inner = light[1:-1, 1:-1]
    around = [
        light[1 + dy : light.shape[0] - 1 + dy, 1 + dx : light.shape[1] - 1 + dx]
        for dy in (-1, 0, 1)
        for dx in (-1, 0, 1)
        if dy or dx
    ]
    peak = inner > BEYOND_NOISE_SIGMA * noise
    lit = np.zeros(inner.shape, np.uint8)
    for neighbour in around:
        peak &= inner >= neighbour
        lit += (neighbour > 3 * noise) & (neighbour > _NEIGHBOUR_SHARE * inner)
    return int(np.count_nonzero(peak & (lit >= 3)))


def _square_mean(tile: NDArray[np.float32], reach: int) -> NDArray[np.float64]:
    """Mean of the square around each pixel that has one inside the tile; undefined pixels count as the median."""
    filled = np.nan_to_num(tile, nan=float(np.nanmedian(tile)))
    side = 2 * reach + 1
    sums = np.pad(filled.cumsum(axis=0, dtype=np.float64).cumsum(axis=1), ((1, 0), (1, 0)))
    mean: NDArray[np.float64] = (
        sums[side:, side:] - sums[:-side, side:] - sums[side:, :-side] + sums[:-side, :-side]
    ) / side**2
    return mean


def _warm_pixels(tiles: list[NDArray[np.float32]], level: float, noise: float) -> bool:
    """Whether single pixels stand out by more than chance, as dark current makes them."""
    bright = sum(int(np.count_nonzero(tile > level + 6 * noise)) for tile in tiles)
    return bright > 1e-5 * sum(tile.size for tile in tiles)


def _full_scale(frame: Frame) -> float:
    if frame.exposure.saturation_adu is not None:
        return frame.exposure.saturation_adu
    top = float(np.nanmax(frame.pixels[::4, ::4]))
    return 1.0 if frame.pixels.dtype == np.float32 and top <= 1 else 65535.0
