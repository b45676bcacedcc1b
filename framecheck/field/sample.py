"""Stars of many frames as quantities that add: what the model of the field is fitted to."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import shear
from framecheck.constants import FWHM_PER_SIGMA
from framecheck.field.result import FrameResult
from framecheck.field.same_stars import number_stars
from framecheck.field.similarity import Similarity

Floats = NDArray[np.float64]

FEWEST_IN_FRAME: Final = 6
"""Fitted stars below which a frame is left out. Chosen: it has three terms of its own, and six would fit anything."""

HELD_BACK_ONE_IN: Final = 5
"""Every fifth star judges the fit and takes no part in it."""

UNWEIGHTED: Final = 8.0
"""Third moment of a star over that under a weight as wide as the star. [dimensionless] Closed form for a Gaussian star
with a weak third moment k, k H3(x / s) / 6 s³: under the weight, widths shrink by sqrt 2 and k by its sixth power."""

SMALLEST_ERROR: Final = 1e-3
"""Relative error below which no star is believed. [dimensionless] Chosen: pixels are not known better."""

_COLUMNS: Final = (
    "x",
    "y",
    "fwhm_px",
    "fwhm_error_px",
    "e1",
    "e2",
    "e1_error",
    "e2_error",
    "coma1",
    "coma2",
    "trefoil1",
    "trefoil2",
    "third_error",
    "snr",
)


@dataclass(frozen=True, kw_only=True, slots=True)
class FieldSample:
    """Stars of all frames, frame by frame; n is their number."""

    frame: NDArray[np.intp]
    """Number of the star's frame among `results`, shape (n,), ascending."""
    results: tuple[int, ...]
    """Index, in the results given, of each frame that has enough stars."""
    z: NDArray[np.complex128]
    """Place x + iy from the sensor's centre; the corners have |z| = 1."""
    size: Floats
    """(a² + b²) / 2 of the full axes a, b at half maximum, shape (1, n). [px²]"""
    shape: Floats
    """(a² - b²) / 2 times cos and sin of twice the angle of a, shape (2, n). [px²]"""
    coma: Floats
    """Third moment of spin 1, the weight's effect undone, shape (2, n). [px³]"""
    trefoil: Floats
    """The same of spin 3."""
    size_error: Floats
    """Over `square`, shape (n,)."""
    shape_error: Floats
    third_error: Floats
    """Over `cube`."""
    square: Floats
    """Median size of the star's frame. [px²]"""
    cube: Floats
    """Unit of the frame's third moments: `UNWEIGHTED` times the cube of its typical star's standard deviation. [px³]"""
    held: NDArray[np.bool_]
    """True for stars that judge the fit."""
    star: NDArray[np.intp]
    """Number of the star, the same in all frames that show it, shape (n,)."""
    snr: Floats
    """Signal to noise, shape (n,)."""
    corner_px: float
    """Distance of the corner from the centre."""
    half_width: float
    """Distance of the left and right edge from the centre, in units of `corner_px`."""
    half_height: float


def gather_stars(
    results: Sequence[FrameResult], places: Sequence[Similarity | None] | None = None
) -> FieldSample | None:
    """Put the good stars of all frames, in order of time, together; None if no frame has enough of them.

    Places tell how each frame lies against one of them; without them every star counts as another one.
    """
    parts, numbers, scales = [], [], []
    for number, result in enumerate(results):
        good = result.stars.good
        table = np.stack([good[name].astype(float) for name in _COLUMNS]) if len(good) else np.empty((len(_COLUMNS), 0))
        keep = np.isfinite(table).all(axis=0) & (table[2] > 0)
        table = table[:, keep]
        if (~held_back(table[0], table[1])).sum() < FEWEST_IN_FRAME:
            continue
        parts.append(table)
        numbers.append(number)
        scales.append((_typical_size(table), UNWEIGHTED * _typical_sigma_px(good[keep]) ** 3))
    if not parts:
        return None
    counts = [part.shape[1] for part in parts]
    exposure = results[numbers[0]].exposure
    square, cube = np.repeat(np.array(scales), counts, axis=0).T
    where = [None] * len(numbers) if places is None else [places[i] for i in numbers]
    star = number_stars([part[:2].T for part in parts], where)
    return _sample(
        np.concatenate(parts, axis=1),
        np.repeat(np.arange(len(parts)), counts),
        tuple(numbers),
        square,
        cube,
        star,
        exposure.width_px,
        exposure.height_px,
    )


def held_back(x: Floats, y: Floats) -> NDArray[np.bool_]:
    """Every fifth star, chosen by its place alone: the same stars in every run, however the frames are ordered."""
    mixed = (8 * x).astype(np.int64).astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    mixed ^= (8 * y).astype(np.int64).astype(np.uint64) * np.uint64(0xC2B2AE3D27D4EB4F)
    mixed ^= mixed >> np.uint64(29)
    mixed *= np.uint64(0xBF58476D1CE4E5B9)
    chosen: NDArray[np.bool_] = (mixed >> np.uint64(32)) % np.uint64(HELD_BACK_ONE_IN) == 0
    return chosen


def _typical_size(table: Floats) -> float:
    return float(np.median(table[2] ** 2 * np.cosh(np.hypot(table[4], table[5]))))


def _typical_sigma_px(good: NDArray[np.void]) -> float:
    """Width of the weight that the third moments were taken under, which matches the median star."""
    variance = (good["moment_xx_px2"] + good["moment_yy_px2"]).astype(float) / 2
    known = variance[np.isfinite(variance) & (variance > 0)]
    return float(np.sqrt(np.median(known)) if len(known) else np.median(good["fwhm_px"]) / FWHM_PER_SIGMA)


def _sample(
    table: Floats,
    frame: NDArray[np.intp],
    numbers: tuple[int, ...],
    square: Floats,
    cube: Floats,
    star: NDArray[np.intp],
    width_px: int,
    height_px: int,
) -> FieldSample:
    x, y, width, width_error, e1, e2, e1_error, e2_error, coma1, coma2, trefoil1, trefoil2, third_error, snr = table
    half = np.array([max(width_px - 1, 1), max(height_px - 1, 1)]) / 2
    corner = float(np.hypot(*half))
    e_error = np.sqrt((e1_error**2 + e2_error**2) / 2)
    relative = np.maximum(width_error / width, SMALLEST_ERROR)
    size, shape, size_error, shape_error = shear.squares(width, relative, e1 + 1j * e2, e_error)
    return FieldSample(
        frame=frame,
        results=numbers,
        z=((x - half[0]) + 1j * (y - half[1])) / corner,
        size=size[None],
        shape=np.stack([shape.real, shape.imag]),
        coma=cube * np.stack([coma1, coma2]),
        trefoil=cube * np.stack([trefoil1, trefoil2]),
        size_error=size_error,
        shape_error=np.maximum(shape_error, SMALLEST_ERROR),
        third_error=np.maximum(third_error, SMALLEST_ERROR),
        square=square,
        cube=cube,
        held=held_back(x, y),
        star=star,
        snr=snr,
        corner_px=corner,
        half_width=float(half[0] / corner),
        half_height=float(half[1] / corner),
    )
