"""Stars of a night in cells over the field: what maps of shape and size show."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust, shear
from framecheck.constants import BY_CHANCE, FEWEST_OF_A_MEDIAN, SIGMA_PER_MAD
from framecheck.decision.grades import Grade
from framecheck.motion.night import Night
from framecheck.night.records import NightFrame
from framecheck.stars.table import STAR_DTYPE, StarTable

Values = NDArray[np.float64]

_COLUMNS: Final = 12
"""Chosen: cells across the field; on a phone a whisker still has room of its own."""
_CORNERS: Final = (
    ("upper left", False, True), ("upper right", True, True),
    ("lower left", False, False), ("lower right", True, False),
)  # fmt: skip
"""Name, whether it is at the right, whether it is at the top of the picture."""
_LEVEL: Final = 0.03
"""Range of the surface over the FWHM below which a field is level. Chosen: no eye sees three percent."""


@dataclass(frozen=True, kw_only=True)
class FieldCells:
    """Medians of the good stars of a night in cells over the field. Arrays have the shape (n_y, n_x)."""

    width_px: int
    height_px: int
    x: Values
    y: Values
    """Centres of the cells. [px]"""
    e1: Values
    e2: Values
    """ln(elongation) times cos and sin of twice the direction; NaN where stars are too few."""
    error: Values
    """Standard error of each of e1 and e2."""
    fwhm_px: Values
    n_stars: int
    n_frames: int
    only_rejects: bool
    """True if no frame was left but rejected ones."""
    first_row_on_top: bool = False
    """Of their pictures: where corners are."""

    @property
    def e(self) -> NDArray[np.complex128]:
        """ln(elongation) times exp(2i pa)."""
        return np.asarray(self.e1 + 1j * self.e2)

    @property
    def n_bare(self) -> int:
        """Cells with too few stars."""
        return int(np.sum(~np.isfinite(self.fwhm_px)))

    @property
    def wider(self) -> Values:
        """FWHM of each cell over the median of all, less 1. [share]"""
        known = self.fwhm_px[np.isfinite(self.fwhm_px)]
        return self.fwhm_px / (np.median(known) if len(known) else np.nan) - 1

    @property
    def corners(self) -> dict[str, float]:
        """The same in the four corners (a quarter of the sides each) against the middle; only those with stars."""
        u, v = self.x / self.width_px, self.y / self.height_px
        v = 1 - v if self.first_row_on_top else v
        middle = self.fwhm_px[(np.abs(u - 0.5) < 0.25) & (np.abs(v - 0.5) < 0.25)]
        middle = middle[np.isfinite(middle)]
        out = {}
        for name, right, top in _CORNERS:
            there = self.fwhm_px[((u > 0.75) if right else (u < 0.25)) & ((v > 0.75) if top else (v < 0.25))]
            there = there[np.isfinite(there)]
            if len(there) and len(middle):
                out[name] = float(np.median(there) / np.median(middle) - 1)
        return out

    @cached_property
    def smooth_fwhm_px(self) -> Values | None:
        """Surface through the cells, of second degree; None where it does not stand out of their scatter."""
        return _smooth_surface(self)


def field_cells(
    night: Night, grades: Sequence[Grade], *, still: bool = False, most_columns: int = _COLUMNS
) -> FieldCells | None:
    """The field of the night, from the frames that were not rejected (from all, if none is left).

    Only frames of the most common size count: their pixels look at the same part of the field. With `still`, the motion
    of the mount, common to all stars of a frame, is taken off each star: what remains is the optics'. None if there are
    too few stars, or, with `still`, if no motion was measured.
    """
    graded = zip(night.frames, grades, strict=True)
    worth_keeping = [frame for frame, grade in graded if grade.grade != "reject"]
    frames, width, height = _of_one_size(worth_keeping or night.frames)
    moved = _motion_of_frames(night) if still else {}
    if still:
        frames = [frame for frame in frames if frame.result.exposure.file in moved]
    tables = [_at_rest(frame.result.stars.good, moved.get(frame.result.exposure.file, 0j)) for frame in frames]
    stars: StarTable = np.concatenate([np.empty(0, STAR_DTYPE), *tables])
    if len(stars) < FEWEST_OF_A_MEDIAN:
        return None
    rows = max(2, round(most_columns * height / width))
    columns = most_columns
    if height > width:
        rows, columns = most_columns, max(2, round(most_columns * width / height))
    column = np.clip((stars["x"] + 0.5) * columns // width, 0, columns - 1).astype(int)
    row = np.clip((stars["y"] + 0.5) * rows // height, 0, rows - 1).astype(int)
    cell = row * columns + column
    medians = {name: _medians(stars[name], cell, rows * columns) for name in ("e1", "e2", "fwhm_px")}
    scatter = np.hypot(*(_scatter(stars[name], cell, medians[name]) for name in ("e1", "e2"))) / np.sqrt(2)
    count = np.bincount(cell, minlength=rows * columns)
    shape = (rows, columns)
    y, x = np.meshgrid(
        (np.arange(rows) + 0.5) * height / rows - 0.5, (np.arange(columns) + 0.5) * width / columns - 0.5, indexing="ij"
    )
    return FieldCells(
        width_px=width,
        height_px=height,
        x=x,
        y=y,
        e1=medians["e1"].reshape(shape),
        e2=medians["e2"].reshape(shape),
        error=(1.2533 * scatter / np.sqrt(np.maximum(count, 1))).reshape(shape),
        fwhm_px=medians["fwhm_px"].reshape(shape),
        n_stars=len(stars),
        n_frames=len(frames),
        only_rejects=not worth_keeping,
        first_row_on_top=frames[0].result.exposure.first_row_on_top,
    )


def _motion_of_frames(night: Night) -> dict[Path, complex]:
    """What the mount makes of (a² - b²) / 2 times exp(2 i pa) in each frame, along the frame's own axes. [px²]"""
    moved = {}
    for tracking in night.tracking.values():
        for index, spin2 in zip(tracking.smears.frames, tracking.smears.spin2_px2, strict=True):
            frame = night.frames[index]
            moved[frame.result.exposure.file] = complex(spin2 * shear.turning(frame.turned_deg))
    return moved


def _at_rest(stars: StarTable, spin2_px2: complex) -> StarTable:
    """Shapes as they were without a motion: second moments add, so (a² - b²) / 2 does."""
    if not spin2_px2 or not len(stars):
        return stars
    e = stars["e1"] + 1j * stars["e2"]
    square = stars["fwhm_px"].astype(float) ** 2
    at_rest = shear.e_of(shear.share_of(e) - spin2_px2 / square)
    out = stars.copy()
    out["e1"], out["e2"] = at_rest.real, at_rest.imag
    return out


def _of_one_size(frames: Sequence[NightFrame]) -> tuple[list[NightFrame], int, int]:
    sizes = [(frame.result.exposure.width_px, frame.result.exposure.height_px) for frame in frames]
    if not sizes:
        return [], 1, 1
    common = max(dict.fromkeys(sizes), key=sizes.count)
    return [frame for frame, size in zip(frames, sizes, strict=True) if size == common], *common


def _medians(values: NDArray[Any], cell: NDArray[np.intp], n: int) -> Values:
    """Median in each cell, NaN where it has too few."""
    return robust.medians_by(values, cell, n, FEWEST_OF_A_MEDIAN)


def _scatter(values: NDArray[Any], cell: NDArray[np.intp], medians: Values) -> Values:
    """Standard deviation about each cell's median, from the median absolute deviation."""
    return SIGMA_PER_MAD * _medians(np.abs(values - medians[cell]), cell, len(medians))


def _smooth_surface(cells: FieldCells) -> Values | None:
    """FWHM of the smooth surface through the cells, where it stands out of the scatter; None where it does not. [px]

    The surface has the shape that tilt and curvature give it, of second degree; F test against a level field.
    """
    from scipy.special import fdtrc  # scipy.stats takes as long to load as all pictures to draw

    fwhm = cells.fwhm_px
    u, v = 2 * cells.x / cells.width_px - 1, 2 * cells.y / cells.height_px - 1
    terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)
    known = np.isfinite(fwhm)
    n, k = int(known.sum()), terms.shape[-1]
    if n < 2 * k:
        return None
    middle, spread = float(np.median(fwhm[known])), float(np.median(np.abs(fwhm[known] - np.median(fwhm[known]))))
    used = known & (np.abs(fwhm - middle) < max(6 * spread, 0.02 * middle))  # one odd cell bends no surface
    surface: Values = terms @ np.linalg.lstsq(terms[used], fwhm[used], rcond=None)[0]
    left = float(np.sum((fwhm - surface)[used] ** 2))
    taken = float(np.sum((fwhm[used] - fwhm[used].mean()) ** 2)) - left
    free = int(used.sum()) - k
    chance = fdtrc(k - 1, free, taken / (k - 1) / max(left / free, 1e-12))
    return None if chance > BY_CHANCE or np.ptp(surface) < _LEVEL * middle else surface
