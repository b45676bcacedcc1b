"""A lens wide open and stopped down: what its corners add to the stars at each f-number of a night."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, hypot, nan, sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust
from framecheck.constants import FEWEST_OF_A_MEDIAN, FEWEST_THAT_AGREE, KNOWN_SIGMA
from framecheck.night.records import NightFrame
from framecheck.stars.table import StarTable

FEWEST_CORNERS: Final = 2
"""Chosen: ground hides the others."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ApertureFigures:
    """What a lens makes of the stars at one f-number; errors are standard errors, by the scatter between frames."""

    f_number: float
    n_frames: int
    middle_fwhm_px: float
    corner_fwhm_px: float
    """Mean of the corners with stars, a quarter of the sides each."""
    added_px2: float
    """Squared FWHM of the corners less that of the middle: the lens's own, for air, trails and focus are in both."""
    added_error_px2: float
    corner_elongation: float
    """Of the corners' stars, what they share with the middle taken off: coma, astigmatism, curvature."""
    corner_elongation_error: float
    added_px: float
    """FWHM that corners add to the stars; 0 where they are no wider."""


def apertures(frames: Sequence[NightFrame]) -> tuple[ApertureFigures, ...]:
    """Figures of each f-number of a night, widest open first; empty with fewer than two.

    Parameters
    ----------
    frames : sequence of NightFrame
        Those of the most common size and focal length count.

    Notes
    -----
    Where a wide lens stands still, trails are longer in the corners as well, and grow with the exposure: exposures of
    one length tell the lens best.
    """
    by_lens: dict[tuple[int, int, float | None], dict[float, list[NightFrame]]] = defaultdict(lambda: defaultdict(list))
    for frame in frames:
        exposure = frame.result.exposure
        if exposure.lens_f_number is not None:
            lens = exposure.width_px, exposure.height_px, exposure.focal_length_mm
            by_lens[lens][exposure.lens_f_number].append(frame)
    if not by_lens:
        return ()
    of_lens = max(by_lens.values(), key=lambda one: sum(map(len, one.values())))
    if len(of_lens) < 2:
        return ()
    found = [_figures(f_number, of_lens[f_number]) for f_number in sorted(of_lens)]
    known = tuple(one for one in found if one is not None)
    return known if len(known) > 1 else ()


def _figures(f_number: float, frames: Sequence[NightFrame]) -> ApertureFigures | None:
    rows = [row for row in map(_middle_and_corners, frames) if row is not None]
    if len(rows) < FEWEST_THAT_AGREE:
        return None
    middle, corner = (np.array([row[i] for row in rows]) for i in (0, 1))
    drawn = _drawn_out(np.array([row[2] for row in rows]))
    if drawn is None:
        return None
    added = corner**2 - middle**2
    usual = float(np.median(added))
    return ApertureFigures(
        f_number=f_number,
        n_frames=len(rows),
        middle_fwhm_px=float(np.median(middle)),
        corner_fwhm_px=float(np.median(corner)),
        added_px2=usual,
        added_error_px2=robust.mad_std(added) / sqrt(len(rows)),
        corner_elongation=exp(drawn[0]),
        corner_elongation_error=exp(drawn[0]) * drawn[1],
        added_px=sqrt(max(usual, 0.0)),
    )


def best_aperture(found: Sequence[ApertureFigures]) -> ApertureFigures:
    """The f-number whose corners add least; of those that hardly differ, the widest open."""
    least = min(found, key=lambda one: one.added_px2)
    return next(one for one in found if not _differ(one, least))


def _differ(one: ApertureFigures, other: ApertureFigures) -> bool:
    error = hypot(one.added_error_px2, other.added_error_px2)
    return abs(one.added_px2 - other.added_px2) > KNOWN_SIGMA * error


def _drawn_out(e: NDArray[np.complex128]) -> tuple[float, float] | None:
    """ln(elongation) of the corners, and its error; `e` of each frame and corner, shape (n, 4), NaN where unknown.

    What the scatter between frames makes of the mean is taken off its square, or noise would draw out round stars.
    """
    sizes, variances = [], []
    for of_corner in e.T:
        known = of_corner[np.isfinite(of_corner)]
        if len(known) >= FEWEST_THAT_AGREE:
            variance = float(np.var(known, ddof=1)) / len(known)
            sizes.append(sqrt(max(abs(complex(known.mean())) ** 2 - variance, 0.0)))
            variances.append(variance / 2)
    return (float(np.mean(sizes)), sqrt(sum(variances)) / len(sizes)) if sizes else None


def _middle_and_corners(frame: NightFrame) -> tuple[float, float, list[complex]] | None:
    """FWHM in the middle and in the corners [px], and how these are drawn out beyond it; None with too few stars."""
    stars, exposure = frame.result.stars.good, frame.result.exposure
    u, v = stars["x"] / exposure.width_px - 0.5, stars["y"] / exposure.height_px - 0.5
    inner = (np.abs(u) < 0.25) & (np.abs(v) < 0.25)
    if np.count_nonzero(inner) < FEWEST_OF_A_MEDIAN:
        return None
    middle_fwhm, middle_e = _of_zone(stars, inner)
    widths, drawn = [], []
    for right, top in ((-1, -1), (1, -1), (-1, 1), (1, 1)):
        corner = (right * u > 0.25) & (top * v > 0.25)
        seen = np.count_nonzero(corner) >= FEWEST_OF_A_MEDIAN
        fwhm, e = _of_zone(stars, corner) if seen else (nan, complex(nan, nan))
        widths += [fwhm] if seen else []
        drawn.append(e - middle_e)
    return (middle_fwhm, float(np.mean(widths)), drawn) if len(widths) >= FEWEST_CORNERS else None


def _of_zone(stars: StarTable, zone: NDArray[np.bool_]) -> tuple[float, complex]:
    """Median FWHM, and ln(elongation) times exp(2i pa)."""
    there = stars[zone]
    e = complex(float(np.median(there["e1"])), float(np.median(there["e2"])))
    return float(np.median(there["fwhm_px"])), e
