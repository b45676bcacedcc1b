"""Whether what looks like ground is opaque: no stars shine through ground, as they do through cloud and nebulae."""

from dataclasses import dataclass, replace
from typing import Final

from framecheck.read.exposure import Frame
from framecheck.sky import Ground, Sky, measure_cells, measure_colours, measure_sky
from framecheck.stars.find import MOSAIC_CELL, PEAK_SIGMA, Found, find_stars
from framecheck.stars.peaks import Peaks, find_peaks
from framecheck.stars.pilot import UNKNOWN_STAR, Pilot, pilot_star
from framecheck.stars.vetting import vet_peaks

ENOUGH: Final = 10.0
"""Stars that must be missed behind plain ground. Chosen: with fewer, none at all may be chance or a dark cloud."""

FEW_BEHIND: Final = 0.3
"""Share of them that may be seen there all the same. Chosen: lamps and windows, of which nine are usual."""

ALIKE: Final = 0.15
"""What lights behind textured ground differ from stars by, in either axis, where they are stars. Chosen: lamps and
knots of texture differ by a half and more."""


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
        The one given, or that of the whole frame.
    """
    found = find_stars(frame, sky, clip_adu)
    if sky.ground is None:
        return found, sky
    share, star = sky.ground.cover.share, found.pilot or UNKNOWN_STAR
    missed = len(found) * share / (1 - share)
    whole = measure_sky(frame)
    lights = _lights_behind(frame, whole, sky.ground, star, clip_adu)
    if sky.ground.textured:
        clear = missed >= ENOUGH and lights.count > missed / 2 and lights.like(star)
    else:
        clear = lights.count > FEW_BEHIND * missed
        whole = replace(whole, ground_told=clear and lights.like(star))
        clear |= missed < ENOUGH
    return (find_stars(frame, whole, clip_adu), whole) if clear else (found, sky)


@dataclass(frozen=True, slots=True)
class _Lights:
    count: int
    """Peaks that pass for stars."""
    typical: Pilot | None
    """The typical one among the brightest peaks."""

    def like(self, star: Pilot) -> bool:
        """Whether they look like stars."""
        if self.typical is None:
            return False
        axes = ((self.typical.long_px, star.long_px), (self.typical.short_px, star.short_px))
        return all(abs(here / there - 1) < ALIKE for here, there in axes)


def _lights_behind(frame: Frame, whole: Sky, ground: Ground, star: Pilot, clip_adu: float | None) -> _Lights:
    """What shines behind what looks like ground."""
    finest, cells = (1, whole) if frame.mosaic is None else (MOSAIC_CELL, measure_cells(frame))
    peaks = find_peaks(frame.pixels, cells, 2, PEAK_SIGMA)
    hidden = ground.cover.at(peaks.x, peaks.y)
    peaks = Peaks(peaks.x[hidden], peaks.y[hidden], peaks.height[hidden])
    vetted = vet_peaks(frame, whole, peaks.x, peaks.y, star, clip_adu, measure_colours(frame))
    return _Lights(int(vetted.real.sum()), pilot_star(frame.pixels, cells, peaks, 2, clip_adu, finest=finest))
