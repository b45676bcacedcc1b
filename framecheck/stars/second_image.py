"""A fainter second image of every star, close to it: seen where bright stars are laid on each other.

A finder that looks for one star at a time loses the fainter of two parts in the light of the brighter one, or takes
both for one wide star. It lies at the same offset beside every star, though, and where those are laid on each other
nothing else does.
"""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import SIGMA_PER_MAD
from framecheck.read.exposure import Frame
from framecheck.stars.doubled import FALSE_ALARM, FARTHEST_PX, NEAREST_FWHM, Doubled
from framecheck.stars.find import Found
from framecheck.stars.order import quantiles_of_rows
from framecheck.stars.pilot import Pilot

F64 = NDArray[np.float64]

MOST_STARS: Final = 120
FEWEST_STARS: Final = 12
"""Stars laid on each other, brightest first. Chosen: a median of so many is known to a tenth of what one is; with fewer
than the least a few neighbours make a common one."""

CLEAR_PEAK: Final = 20.0
"""Height of their peaks over the noise, at the least. [1] Chosen: a companion of a fifth of that is seen by itself."""

LEAST_RATIO: Final = 0.12
"""Height of the second image over the first from which it is told. [1] Chosen: a tenth of the light. Ghosts of glass
surfaces and oscillations that die away are far fainter."""

ONE_SIDE: Final = 0.6
"""Height at the opposite offset over that of the second image, at the most. [1] Chosen: spikes, rings and lines have it
on both sides, a knock has nothing there but the star's own wing."""

UNEXPLAINED: Final = 0.5
"""Light that two images of one form leave over, over that of the fainter. [1] Chosen: between the two ends of a swing,
or around a ring, there is as much light as in an end; noise and uneven fields leave a fifth."""

VALLEY: Final = 0.9
"""Lowest place on the way between the two, over the fainter, at the most. [1] Chosen: a sixth of the light two FWHM off
leaves 0.8; above it there is a shoulder, and one long star."""

ALIKE: Final = 1.6
SHARE_ALIKE: Final = 0.6
"""Factor by which a star's own ratio may differ from that of all, and share of stars that must be so. [1] Chosen: noise
of the faintest that count moves it by a fourth; neighbours spoil some."""

EVERY: Final = 3
"""Of the pixels around a star every third along each axis tells level and noise. Chosen: 700 of them do."""

_REACH: Final = int(FARTHEST_PX)


def second_image(frame: Frame, found: Found, pilot: Pilot) -> Doubled | None:
    """Find a second image of every star beside the brighter first one; None if there is none.

    Parameters
    ----------
    frame : Frame
    found : Found
        Its stars, brightest first.
    pilot : Pilot
        Their typical form; it may be that of both images together.

    Returns
    -------
    Doubled or None
        Offset in pixels and share of the light.

    Notes
    -----
    The median of cut-outs, each over its peak, is the form P(r) + q P(r - d). The wing of the first image under the
    second is taken from the opposite side, -d, and so is the form of both: what lies beyond the star as seen from d.
    The median forgets neighbours at random. How sure it is comes from the stars one by one: how many have light of that
    ratio at d, against the share that has it elsewhere at that distance (binomial, times the number of places).
    """
    cuts = _cut_outs(frame, found, pilot)
    if len(cuts) < FEWEST_STARS:
        return None
    stack = _median_of(cuts)
    fwhm = 2 * float(np.sqrt(np.count_nonzero(stack > 0.5) / np.pi))
    y, x = np.mgrid[-_REACH : _REACH + 1, -_REACH : _REACH + 1]
    far = np.hypot(x, y)
    looked_at = (far >= NEAREST_FWHM * fwhm) & (far < _REACH)
    opposite = stack[::-1, ::-1]
    beside = np.where(looked_at & _highest_around(stack), stack - opposite, 0.0)
    row, column = (int(k) for k in np.unravel_index(np.argmax(beside), beside.shape))
    height, against = float(stack[row, column]), float(opposite[row, column])
    if height - against < LEAST_RATIO or against > ONE_SIDE * height:
        return None
    if _valley(stack, row, column) > VALLEY * height or abs(_left_over(stack, row, column, fwhm)) > UNEXPLAINED:
        return None
    if _false_alarm(cuts, row, column, fwhm, far) > FALSE_ALARM:
        return None
    near = np.hypot(x - x[row, column], y - y[row, column]) <= max(0.6 * fwhm, 1.0)
    weight = np.maximum(stack - opposite, 0.0) * near
    dx, dy = (float((weight * at).sum() / weight.sum()) for at in (x, y))
    ratio = height - against
    return Doubled(dx, dy, ratio / (1 + ratio))


def _cut_outs(frame: Frame, found: Found, pilot: Pilot) -> NDArray[np.float32]:
    """Cut-outs around the brightest stars that stand beside no brighter one, over their peaks; shape (n, side, side).

    Means of 2 x 2 pixels, which hold all colours of a mosaic in equal parts wherever they lie.
    """
    from scipy.spatial import cKDTree

    seek = int(np.ceil(pilot.long_px / 2)) + 1
    margin = _REACH + seek + 1
    height, width = frame.pixels.shape
    inside = (found.x > margin) & (found.x < width - 1 - margin) & (found.y > margin) & (found.y < height - 1 - margin)
    places = np.column_stack([found.x, found.y]).astype(float)
    first = np.arange(len(found))
    if len(found) > 1:
        pairs = cKDTree(places).query_pairs(_REACH / 2, output_type="ndarray")
        inside[pairs.max(axis=1)] = False
    side = 2 * _REACH + 1
    cuts: list[NDArray[Any]] = []
    for star in first[inside & ~found.saturated][:MOST_STARS]:
        column, row = (int(k) for k in np.rint(places[star]))
        part = frame.pixels[row - margin : row + margin + 2, column - margin : column + margin + 2].astype(np.float32)
        rows = part[1:] + part[:-1]
        means = (rows[:, 1:] + rows[:, :-1]) / 4
        some = means[::EVERY, ::EVERY]
        level = float(np.median(some))
        if not np.isfinite(level):
            continue
        noise = SIGMA_PER_MAD * float(np.median(np.abs(some - level)))
        middle = means[_REACH + 1 : -_REACH - 1, _REACH + 1 : -_REACH - 1]
        top, left = (int(k) for k in np.unravel_index(np.argmax(middle), middle.shape))
        peak = float(middle[top, left]) - level
        if not peak > CLEAR_PEAK * noise:
            continue
        cuts.append((means[top + 1 : top + 1 + side, left + 1 : left + 1 + side] - level) / np.float32(peak))
    return np.array(cuts, np.float32).reshape(-1, side, side)


def _median_of(cuts: NDArray[np.float32]) -> F64:
    """The median of cut-outs, pixel by pixel."""
    each = np.ascontiguousarray(cuts.reshape(len(cuts), -1).T)
    return quantiles_of_rows(each, 0.5)[0].astype(float).reshape(cuts.shape[1:])


def _highest_around(stack: F64) -> NDArray[np.bool_]:
    """Pixels that none of the eight around them tops."""
    from scipy.ndimage import maximum_filter

    out: NDArray[np.bool_] = stack >= maximum_filter(stack, 3)
    return out


def _valley(stack: F64, row: int, column: int) -> float:
    """Lowest light on the straight way from the middle."""
    from scipy.ndimage import map_coordinates

    way = np.linspace(0, 1, 4 * _REACH)
    at = np.stack([_REACH + way * (row - _REACH), _REACH + way * (column - _REACH)])
    return float(map_coordinates(stack, at, order=1).min())


def _left_over(stack: F64, row: int, column: int, fwhm: float) -> float:
    """Light around both images that two of one form do not explain, over that of the fainter."""
    dy, dx = row - _REACH, column - _REACH
    y, x = np.mgrid[-_REACH : _REACH + 1, -_REACH : _REACH + 1]
    form = np.where(x * dx + y * dy <= 0, stack, stack[::-1, ::-1])
    ratio = stack[row, column] - form[row, column]
    second = np.zeros_like(form)
    to, start = _overlap(dy), _overlap(dx)
    second[to[0], start[0]] = ratio * form[to[1], start[1]]
    around = np.minimum(np.hypot(x, y), np.hypot(x - dx, y - dy)) < np.hypot(dx, dy) / 2 + fwhm
    core = np.hypot(x - dx, y - dy) < fwhm
    return float((stack - form - second)[around].sum() / second[core].sum())


def _overlap(by: int) -> tuple[slice, slice]:
    """Rows that a picture moved by so many covers, and those of the unmoved one that lie there."""
    n = 2 * _REACH + 1
    return slice(max(by, 0), n + min(by, 0)), slice(max(-by, 0), n - max(by, 0))


def _false_alarm(cuts: NDArray[np.float32], row: int, column: int, fwhm: float, far: F64) -> float:
    """Bound of the probability that stars at random make so many ratios alike, at whatever place."""
    from scipy.special import bdtrc

    light = np.stack([np.roll(cuts, (i, j), axis=(1, 2)) for i in (-1, 0, 1) for j in (-1, 0, 1)]).mean(axis=0)
    light = light / light[:, _REACH, _REACH][:, None, None]
    usual = float(np.median(light[:, row, column]))
    alike = (light > usual / ALIKE) & (light < usual * ALIKE)
    own = int(alike[:, row, column].sum())
    if own < SHARE_ALIKE * len(cuts):
        return 1.0
    y, x = np.mgrid[: far.shape[0], : far.shape[1]]
    elsewhere = (np.abs(far - far[row, column]) < max(fwhm, 2.0)) & (np.hypot(y - row, x - column) > 2 * fwhm)
    by_chance = max(float(alike[:, elsewhere].mean()) if elsewhere.any() else 1.0, 1 / len(cuts))
    places = np.pi * FARTHEST_PX**2 / fwhm**2
    return float(places * bdtrc(own - 1, len(cuts), by_chance))
