"""Ground in view through a night: how much of it, and whether it moves over the sensor, as it does on a tracker."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.night.records import Group, NightFrame

Mask = NDArray[np.bool_]
F64 = NDArray[np.float64]

_REACH: Final = 6
_FIRST_REACH: Final = 20
"""Cells around the expected place in which ground is looked for again, and around its own at first. Chosen: it moves by
an eighth of the frame at most from one frame to the next, and after that its speed is known to a part of a cell."""
_MOST_MOVED: Final = 0.3
"""Share of the frame's side by which ground may have moved between two frames that are compared. Chosen: beyond, other
ground has come into view."""
_KNOWN_CELLS: Final = 0.25
"""Error of a displacement. [cells] Chosen: a line across the frame is placed by a hundred cells; what is drawn out or
overgrown moves its edges by part of one."""


@dataclass(frozen=True, kw_only=True, slots=True)
class GroundInView:
    """Ground in view of a night's frames."""

    share: float
    """Median share of the frames that is ground."""
    moves_px_per_frame: float | None
    """How far it moves over the sensor from one frame to the next; 0 where it stands, None if one frame is all there is
    or the frames do not say when they were taken."""
    smear_px: float | None
    """How far ground is drawn out in one exposure."""


def ground_in_view(night_frames: Sequence[NightFrame], groups: Sequence[Group]) -> GroundInView | None:
    """Ground in view of the group that shows it in most frames; None without any.

    The line between sky and ground is laid on that of the first frame, over longer and longer times, so that the
    coarse cells it is known in place it well. Ground that stands on a tripod is the still witness of all else.

    Parameters
    ----------
    night_frames : sequence of NightFrame
        Of a night, in order of time.
    groups : sequence of Group
        Of these frames.
    """
    shown = [[frame for frame in map(night_frames.__getitem__, group.members) if _shows(frame)] for group in groups]
    frames = max(shown, key=len, default=[])
    if not frames:
        return None
    share = median(frame.result.sky.ground_share or 0.0 for frame in frames)
    speed = _speed_px_per_s(frames)
    waits = [_second(later) - _second(earlier) for earlier, later in pairwise(frames)]
    exposure = median(frame.result.exposure.exposure_s or 0.0 for frame in frames)
    return GroundInView(
        share=share,
        moves_px_per_frame=None if speed is None else speed * median(waits),
        smear_px=None if speed is None or not exposure else speed * exposure,
    )


def _shows(frame: NightFrame) -> bool:
    return frame.result.sky.ground_cells is not None


def _second(frame: NightFrame) -> float:
    start = frame.result.exposure.start_by_clock
    return np.nan if start is None else start.timestamp()


def _speed_px_per_s(frames: Sequence[NightFrame]) -> float | None:
    """How fast ground moves over the sensor; 0 if that is within the error. [px/s]"""
    first = frames[0].result.sky
    cells, begin = first.ground_cells, _second(frames[0])
    assert cells is not None
    alike = []
    for frame in frames[1:]:
        sky = frame.result.sky
        same_grid = sky.ground_cells is not None and sky.ground_cells.shape == cells.shape
        if same_grid and sky.ground_cell_px == first.ground_cell_px and _second(frame) > begin:
            alike.append(frame)
    if not alike:
        return None
    per_s, speed, error = np.zeros(2), 0.0, np.inf
    step = 1
    while step <= len(alike):
        later = alike[step - 1]
        passed = _second(later) - begin
        assert later.result.sky.ground_cells is not None
        reach = _FIRST_REACH if step == 1 else _REACH
        moved = displacement(cells, later.result.sky.ground_cells, per_s * passed, reach)
        if moved is None or np.abs(moved / cells.shape).max() > _MOST_MOVED:
            break
        per_s, error = moved / passed, _KNOWN_CELLS / passed
        speed = float(np.hypot(*per_s))
        step *= 2
    if not np.isfinite(error):
        return None
    return 0.0 if speed < 2 * error else speed * first.ground_cell_px


def displacement(here: Mask, there: Mask, expected: F64, reach: int = _REACH) -> F64 | None:
    """By how many cells ground has moved from one mask to another, along y and x, near an expected place.

    Where fewest cells differ, to a fraction of a cell by a parabola along each axis; None if that is at the end of what
    was looked at. Along a line that is straight it stays as expected.
    """
    middle = np.rint(expected).astype(int)
    offsets = range(-reach, reach + 1)
    differ = np.array([[_differing(here, there, np.add(middle, (y, x))) for x in offsets] for y in offsets])
    away = np.add.outer(np.square(offsets), np.square(offsets))
    y, x = np.unravel_index(np.argmin(differ + 1e-9 * away), differ.shape)
    if not (0 < y < 2 * reach and 0 < x < 2 * reach):
        return None
    fine = [_valley(differ[y - 1 : y + 2, x]), _valley(differ[y, x - 1 : x + 2])]
    out: F64 = np.add(middle, (y, x)) - reach + np.array(fine)
    return out


def _differing(here: Mask, there: Mask, moved: NDArray[Any]) -> float:
    """Share of the cells in both masks that differ once one is moved; 1 if hardly any are."""
    n_y, n_x = here.shape
    if (np.abs(moved) >= here.shape).any():
        return 1.0
    (up, along), (down, back) = np.maximum(moved, 0), np.maximum(-moved, 0)
    one, other = here[down : n_y - up, back : n_x - along], there[up : n_y - down, along : n_x - back]
    return float(np.mean(one != other)) if one.size > here.size / 4 else 1.0


def _valley(three: F64) -> float:
    """Where the lowest point of a V through three values lies, the middle one being the lowest. [steps]

    The share of cells that differ grows in proportion to the distance, on either side alike.
    """
    left, low, right = three
    steepest = max(left, right) - low
    return 0.0 if steepest <= 0 else float((left - right) / (2 * steepest))
