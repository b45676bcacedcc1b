"""Whether what looks like ground is opaque: no stars shine through ground, as they do through cloud and nebulae."""

from dataclasses import dataclass, replace
from typing import Final

from framecheck.read.exposure import Frame
from framecheck.sky import Cover, Ground, Sky, measure_cells, measure_colours, measure_sky
from framecheck.stars.find import MOSAIC_CELL, PEAK_SIGMA, Found, find_stars
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


def find_stars_in_view(frame: Frame, sky: Sky, clip_adu: float | None) -> tuple[Found, Sky]:
    """Stars of the part of a frame that no ground hides; of all of it, where stars show that there is no ground.

    Parameters
    ----------
    frame : Frame
    sky : Sky
        With its ground, if something looks like it.
    clip_adu : float or None
        Level at which the camera clips. [ADU]

    Returns
    -------
    Found
    Sky
        The one given, or one without ground, or one whose ground is the other part of the frame.
    """
    if sky.ground is None:
        return find_stars(frame, sky, clip_adu), sky
    whole = measure_sky(frame)
    lights = _Lights.of(frame, whole, clip_adu)
    if not sky.ground.textured and lights.show_the_sky(sky.ground):
        sky = measure_sky(frame, ground=sky.ground.other_part())
    found, ground = find_stars(frame, sky, clip_adu), sky.ground
    assert ground is not None
    missed = len(found) * ground.cover.share / (1 - ground.cover.share)
    alike = lights.alike(ground)
    if missed >= ENOUGH:
        through = alike is True and lights.passing(ground, found.pilot or UNKNOWN_STAR) > MANY_BEHIND * missed
    else:
        through = alike is not False and not ground.textured
        whole = replace(whole, ground_told=alike is True)
    return (find_stars(frame, whole, clip_adu), whole) if through else (found, sky)


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
        return cls(frame, sky, cells, find_peaks(frame.pixels, cells, 2, PEAK_SIGMA), clip_adu)

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
