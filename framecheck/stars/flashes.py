"""Flashes of an aeroplane along a line: narrow, on the line, and at even distances."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust
from framecheck.constants import BEYOND_NOISE_SIGMA, BY_CHANCE
from framecheck.stars.line import Line
from framecheck.stars.line_light import F64, LineStrip

FEWEST: Final = 6
"""Flashes that show a rhythm, at least. Chosen."""

OFF_LINE_FWHM: Final = 0.3
"""Scatter of flashes about the line, at most. [FWHM] Chosen: lamps and stars in a row scatter by half of its width."""

WIDEST: Final = 2.0
"""Width of flashes across the line over that of a star, at most. Chosen."""


def flashes_along(strip: LineStrip) -> Line | None:
    """The line of something that blinks; None if its lights keep no rhythm, lie beside the line, or are no points.

    Places t of n lights have a period p with clearness R = |sum of exp(2 pi i t / p)| / n. Without rhythm a period
    reaches R with a chance of exp(-n R²) (Rayleigh's test, N. I. Fisher, Statistical Analysis of Circular Data, 1993,
    from memory), times the number of independent periods that are tried.
    """
    light = strip.ridge
    dark = np.median(light)
    scatter = robust.mad_std(light)
    lit = np.flatnonzero(light - dark > BEYOND_NOISE_SIGMA * scatter)
    runs = [run for run in np.split(lit, np.flatnonzero(np.diff(lit) > 2) + 1) if len(run)]
    if len(runs) < FEWEST:
        return None
    place = np.array([np.average(strip.along[run], weights=light[run]) for run in runs])
    cuts = np.array([strip.light[run].mean(axis=0) for run in runs], dtype=float)
    cuts -= np.median(cuts[:, strip.sides], axis=1, keepdims=True)
    near = np.abs(strip.across) <= 1.5 * strip.star_px
    weight = np.maximum(cuts[:, near], 0)
    centre = (weight @ strip.across[near]) / np.maximum(weight.sum(axis=1), 1e-9)
    slope, offset = np.polyfit(place, centre, 1)
    off = robust.spread(centre - offset - slope * place)
    if off > OFF_LINE_FWHM * strip.star_px or not _rhythmic(place):
        return None
    return _line(strip, place, cuts, slope, offset)


def _rhythmic(place: F64) -> bool:
    """Whether points on a line lie at even distances, some perhaps missing, some others among them."""
    gaps, length = np.diff(place), np.ptp(place)
    slowest, fastest = 1 / (1.5 * np.median(gaps)), 1 / (0.6 * np.median(gaps))
    tried = max(length * (fastest - slowest), 1.0)
    per_px = np.linspace(slowest, fastest, int(8 * tried) + 2)
    clear = np.abs(np.exp(2j * np.pi * per_px[:, None] * place).mean(axis=1)).max()
    return bool(tried * np.exp(-len(place) * clear**2) < BY_CHANCE)


def _line(strip: LineStrip, place: F64, cuts: F64, slope: float, offset: float) -> Line | None:
    """The record of a blinking line; None if its lights are too wide for points."""
    height = cuts[:, strip.middle].max(axis=1)
    section: F64 = np.median(cuts / np.maximum(height, 1e-9)[:, None], axis=0)
    wide = float(np.count_nonzero(section > 0.5) * strip.pitch)
    if wide > WIDEST * strip.star_px:
        return None
    gap = float(np.median(np.diff(place)))
    first, last = float(place[0]), float(place[-1])
    open_ends = int(first - strip.along[0] > 2 * gap) + int(strip.along[-1] - last > 2 * gap)
    one = strip.course

    def at(along: float) -> tuple[float, float]:
        across = offset + slope * along
        return one.x + one.c * along - one.s * across, one.y + one.s * along + one.c * across

    (x0, y0), (x1, y1) = at(first), at(last)
    total = cuts.sum(axis=1) * strip.pitch
    lit = float(np.median(total))
    return Line(
        x0_px=float(x0),
        y0_px=float(y0),
        x1_px=float(x1),
        y1_px=float(y1),
        fwhm_px=wide,
        reach_px=float(_reach(strip, section * float(np.median(height)), wide)),
        light_adu_per_px=lit,
        light_error_adu_per_px=float(strip.noise_adu * np.sqrt(wide * strip.pitch / len(place))),
        unevenness=robust.mad_std(total) / max(lit, 1e-9),
        open_ends=open_ends,
        look="flashes",
    )


def _reach(strip: LineStrip, light: F64, wide: float) -> float:
    seen: NDArray[np.intp] = np.flatnonzero((light > strip.noise_adu) & (np.abs(strip.across) < 2.5 * strip.star_px))
    return max(float(np.abs(strip.across[seen]).max(initial=0.0)), wide)
