"""Whether what looks like ground is opaque: no stars shine through ground, as they do through cloud and nebulae.

And whether a border without stars looks like nothing else: lit hills, trees at dusk, banks of fog.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framecheck.read.exposure import Frame
from framecheck.sky import Cover, Ground, Sky, measure_cells, measure_colours, measure_sky, sharp_bends
from framecheck.stars.find import MOSAIC_CELL, Found, find_stars
from framecheck.stars.peaks import Peaks, find_peaks
from framecheck.stars.pilot import UNKNOWN_STAR, Pilot, pilot_star
from framecheck.stars.vetting import vet_peaks

ENOUGH: Final = 10.0
"""Stars that must be missed behind ground before their number tells. Chosen: with fewer, none at all may be chance."""

MANY_BEHIND: Final = 0.3
"""Share of them from which stars shine through, if what shines there looks like stars. Chosen: cloud dims some."""

ALIKE: Final = 0.15
"""What the axes of the typical light may differ by on both sides if both are stars. Chosen: lamps and knots of texture
are half as wide again and more."""

NARROWER: Final = 0.7
ENOUGH_NARROW: Final = 16
"""Where so many lights have an area so much smaller than those of the other part, they are the stars. Chosen: lamps are
wider, and those that are not are few."""

EMPTY: Final = 0.35
"""Stars at a border over those expected there, at most, if it may be ground. Chosen: lamps pass for some."""

BY_CHANCE: Final = -8.0
"""Chance of so few, natural logarithm, at most. Chosen: the stars of real fields stand in groups."""

EDGE_ALONG: Final = 0.6
"""Share of such a border along which the level bends sharply. Chosen: glows and nebulae rarely hold so much."""

DEEPEST: Final = 0.6
"""How much of the frame such a border may take up. Chosen."""

DEPTHS: Final = 24
LEAST_STRIPS: Final = 2
"""Strips along each side whose stars are counted, and how many of them must lack stars. Chosen: finer than meshes, for
ground is higher here and there; a sensor's edge is darkened over less than a twelfth."""


def find_stars_in_view(frame: Frame, sky: Sky, clip_adu: float | None) -> tuple[Found, Sky]:
    """Stars of the part of a frame that no ground hides; of all of it, where stars show that there is no ground.

    The sky is the one given, with its ground if something looks like it, or one without, or one whose ground is the
    other part of the frame.
    """
    found, sky = _found_in_view(frame, sky, clip_adu)
    if sky.ground_told and _border_unlike_sky(sky, found, frame.pixels.shape):
        sky = replace(sky, ground_told=False)
    return found, sky


def _found_in_view(frame: Frame, sky: Sky, clip_adu: float | None) -> tuple[Found, Sky]:
    """Stars, and the sky with its ground or without."""
    if sky.ground is None:
        return find_stars(frame, sky, clip_adu), sky
    before, whole = sky.ground, measure_sky(frame)
    lights = _Lights.of(frame, whole, clip_adu)
    if not sky.ground.textured and lights.show_the_sky(sky.ground):
        sky = measure_sky(frame, ground=sky.ground.other_part())
    found, ground = find_stars(frame, sky, clip_adu), sky.ground
    assert ground is not None
    missed = len(found) * ground.cover.share / (1 - ground.cover.share)
    if before.smooth:  # nothing else speaks for it
        behind = lights.passing(ground, found.pilot or UNKNOWN_STAR)
        opaque = behind < EMPTY * missed and _chance_of_so_few(behind, missed) < BY_CHANCE
        return (found, sky) if opaque else (find_stars(frame, whole, clip_adu), whole)
    alike = lights.alike(ground)
    if missed >= ENOUGH:
        through = alike is True and lights.passing(ground, found.pilot or UNKNOWN_STAR) > MANY_BEHIND * missed
    else:
        through = alike is not False and not ground.textured
        whole = replace(whole, ground_told=alike is True)
    return (find_stars(frame, whole, clip_adu), whole) if through else (found, sky)


def _border_unlike_sky(sky: Sky, found: Found, shape: tuple[int, ...]) -> bool:
    """Whether one side of the frame has hardly a star, and the level bends sharply along it."""
    if min(sky.level_adu.shape) < 3 or not len(found):
        return False
    bends = _bends_in_the_sky(sky, shape)
    if all(bend.any(axis=axis).mean() < EDGE_ALONG for axis, bend in enumerate(bends)):
        return False
    clear = np.ones((DEPTHS, DEPTHS))
    if sky.ground is not None:
        rows, columns = (((np.arange(DEPTHS) + 0.5) * n / DEPTHS).astype(np.intp) for n in shape)
        clear -= sky.ground.cover.crossings(rows, columns)
    row, column = ((at * (DEPTHS / n)).astype(np.intp) for at, n in zip((found.y, found.x), shape, strict=True))
    count = np.zeros((DEPTHS, DEPTHS))
    np.add.at(count, (np.clip(row, 0, DEPTHS - 1), np.clip(column, 0, DEPTHS - 1)), 1)
    along_y, along_x = bends
    sides = [(count, clear, along_y), (count.T, clear.T, along_x.T)]
    sides += [(count[::-1], clear[::-1], bend[::-1]) for count, clear, bend in sides]
    return any(_hardly_a_star(count.sum(axis=1), clear.sum(axis=1), bend) for count, clear, bend in sides)


def _bends_in_the_sky(sky: Sky, shape: tuple[int, ...]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Sharp bends of the level that are not those beside ground which is known: low in the sky stars are dimmed."""
    from scipy.ndimage import binary_dilation

    along_y, along_x = sharp_bends(sky)
    if sky.ground is None:
        return along_y, along_x
    rows, columns = (
        ((np.arange(n) + 0.5) * side / n).astype(np.intp) for n, side in zip(sky.level_adu.shape, shape, strict=True)
    )
    beside = binary_dilation(sky.ground.cover.crossings(rows, columns), np.ones((3, 3)), iterations=2)
    return along_y & ~beside[1:-1], along_x & ~beside[:, 1:-1]


def _hardly_a_star(count: NDArray[np.floating], clear: NDArray[np.floating], bend: NDArray[np.bool_]) -> bool:
    """Whether some strips along a side have hardly a star, and bends along them, as the edge of ground does.

    Of each strip the number of stars and the area that is not covered; bends of meshes, with rows along the side.
    """
    inside, area = np.cumsum(count), np.cumsum(clear)
    expected = (inside[-1] - inside) * area / np.maximum(area[-1] - area, 1e-9)
    reach = np.ceil((np.arange(DEPTHS) + 1) / DEPTHS * (len(bend) + 2)).astype(np.intp)
    along = np.array([bend[:rows].any(axis=0).mean() for rows in reach])
    few = (inside < EMPTY * expected) & (along >= EDGE_ALONG) & (area < DEEPEST * area[-1])
    few[: LEAST_STRIPS - 1] = False
    return bool((_chance_of_so_few(inside, expected)[few] < BY_CHANCE).any())


def _chance_of_so_few(count: ArrayLike, expected: ArrayLike) -> NDArray[np.floating]:
    """Chance of so few stars, natural logarithm: Chernoff's bound for Poisson numbers."""
    n, mean = np.asarray(count, float), np.asarray(expected, float)
    return np.asarray(n - mean - n * np.log(np.maximum(n, 1.0) / np.maximum(mean, 1.0)))


@dataclass(frozen=True, slots=True)
class _Lights:
    """All that shines in a frame, whatever part of it is ground."""

    frame: Frame
    sky: Sky
    cells: Sky
    peaks: Peaks
    clip_adu: float | None

    @classmethod
    def of(cls, frame: Frame, sky: Sky, clip_adu: float | None) -> "_Lights":
        cells = sky if frame.mosaic is None else measure_cells(frame)
        return cls(frame, sky, cells, find_peaks(frame.pixels, cells, 2), clip_adu)

    def show_the_sky(self, ground: Ground) -> bool:
        """Whether the lights behind the line are the narrower ones, thus stars."""
        behind, before = self._typical(ground.cover, behind=True), self._typical(ground.cover, behind=False)
        if behind is None or behind.n < ENOUGH_NARROW:
            return False
        return before is None or behind.long_px * behind.short_px < NARROWER * before.long_px * before.short_px

    def alike(self, ground: Ground) -> bool | None:
        """Whether the typical light has the same axes on both sides of the line; None without enough lights to tell."""
        behind, before = self._typical(ground.cover, behind=True), self._typical(ground.cover, behind=False)
        if behind is None or before is None:
            return None
        axes = ((behind.long_px, before.long_px), (behind.short_px, before.short_px))
        return all(abs(here / there - 1) < ALIKE for here, there in axes)

    def passing(self, ground: Ground, star: Pilot) -> int:
        """How many lights behind the line pass for stars."""
        part, colours = self._part(ground.cover, behind=True), measure_colours(self.frame)
        return int(vet_peaks(self.frame, self.sky, part.x, part.y, star, self.clip_adu, colours).real.sum())

    def _typical(self, cover: Cover, *, behind: bool) -> Pilot | None:
        finest = 1 if self.frame.mosaic is None else MOSAIC_CELL
        part = self._part(cover, behind=behind)
        return pilot_star(self.frame.pixels, self.cells, part, 2, self.clip_adu, finest=finest)

    def _part(self, cover: Cover, *, behind: bool) -> Peaks:
        some = cover.at(self.peaks.x, self.peaks.y) == behind
        return Peaks(self.peaks.x[some], self.peaks.y[some], self.peaks.height[some])
