"""Trails of a night: lines of light that are in one frame, or walk from frame to frame, and stay with nothing."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from framecheck.night.records import Group, NightFrame
from framecheck.stars.line import Line
from framecheck.stars.short_lines import LONGEST

PLACE_FWHM: Final = 1.5
"""How far apart two lines may run and be one, in widths of the wider one. Chosen: two ridges so close are not told
apart."""

SHARED: Final = 0.3
"""Part of the shorter of two lines that the other must run beside, to be the same. Chosen: of what walks, one frame
begins where the one before ended."""

COMPARED: Final = 8
"""Frames before and after one that it is compared with. Chosen: what stays is in most of them, and a long night of
satellites takes no longer a frame than a short one."""

GAP: Final = 0.5
"""Gap between the ends of two such pieces over the longer's length, at most. Chosen: cameras rest between exposures
for less."""


MISSED: Final = 2
"""Frames that show the place of a short line and none there, from which on it is believed if it does not walk. Chosen:
one may have missed a small galaxy."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Trail:
    """A line that flew across a frame, as far as its pixels tell, beside the other frames."""

    frame: int
    """Index in `Night.frames`."""
    line: Line
    fixed: bool
    """Whether it lies at the same place of the sensor or of the sky in another frame: then it is no trail."""
    walks: bool
    """Whether another frame shows its continuation."""
    without_it: int
    """Frames near in time that show its place in the sky, and no line there."""


def trails_of(frames: Sequence[NightFrame], groups: Sequence[Group]) -> tuple[Trail, ...]:
    """All lines that look like trails, compared with the lines of the other frames.

    Parameters
    ----------
    frames : sequence of NightFrame
        Of a night, near ones are compared on the sensor if they are of one size and session, on the sky if they are
        registered to one reference.
    groups : sequence of Group
        Of these frames.

    Returns
    -------
    tuple of Trail
        In order of the frames. Short lines with both ends in the frame only if other frames tell of them.

    Notes
    -----
    Nebulae, spikes and clusters stay with the stars, columns, reflections and lit ridges with the sensor. A satellite
    that is slower than the exposure draws the next piece of its line in the next frame: on the sky of a camera that
    follows it is the same straight line, but another part of it.
    """
    session = {i: group.session for group in groups for i in group.members}
    lined = sorted(i for i in session if frames[i].result.stars.lines)
    trails = (
        _beside_others(frames, i, line, [j for j in _near(lined, i) if session[j] == session[i]])
        for i in lined
        for line in frames[i].result.stars.lines
        if line.flown
    )
    return tuple(one for one in trails if not _is_short(frames[one.frame], one.line) or _told(one))


def _is_short(frame: NightFrame, line: Line) -> bool:
    """Whether a line is so short that galaxies look like it, if they are seen from their edge."""
    exposure = frame.result.exposure
    diagonal = np.hypot(exposure.width_px, exposure.height_px)
    return bool(line.open_ends == 2 and line.length_px < LONGEST * diagonal)


def _told(one: Trail) -> bool:
    """Whether other frames tell what a line is."""
    return one.fixed or one.walks or one.without_it >= MISSED


def _near(frames: Sequence[int], i: int) -> list[int]:
    """Of some frames in order of time, those before and after one."""
    before, after = bisect_left(frames, i), bisect_right(frames, i)
    return [*frames[max(before - COMPARED, 0) : before], *frames[after : after + COMPARED]]


def _beside_others(frames: Sequence[NightFrame], i: int, line: Line, others: list[int]) -> Trail:
    """A line held against those of other frames."""
    one = frames[i]
    fixed = walks = False
    with_it = set()
    for j in others:
        for place in _places_in(one, frames[j], line):
            for other in frames[j].result.stars.lines:
                shared, gap = _together(place, other)
                if shared > SHARED:
                    fixed = True
                    with_it.add(j)
                elif gap < GAP and other.flown and line.open_ends and other.open_ends:
                    walks = True
    alike = [j for j in _near(range(len(frames)), i) if frames[j].group == one.group]
    without = sum(j not in with_it and _shows(one, frames[j], line) for j in alike)
    return Trail(frame=i, line=line, fixed=fixed, walks=walks, without_it=without)


def _places_in(one: NightFrame, other: NightFrame, line: Line) -> Iterator[Line]:
    """Where a line would lie in another frame if it stayed with the sensor, and if it stayed with the sky."""
    a, b = one.result.exposure, other.result.exposure
    if (a.width_px, a.height_px) == (b.width_px, b.height_px):
        yield line
    on_sky = _on_sky(one, other, line)
    if on_sky is not None:
        yield on_sky


def _on_sky(one: NightFrame, other: NightFrame, line: Line) -> Line | None:
    """Where the part of the sky under a line lies in another frame of the group; None if that is unknown."""
    here, there = one.place, other.place
    if one.group != other.group or here is None or there is None:
        return None
    ends = np.array([[line.x0_px, line.y0_px], [line.x1_px, line.y1_px]])
    (x0, y0), (x1, y1) = there.apply(here.undo(ends))
    return line.moved_to(float(x0), float(y0), float(x1), float(y1))


def _together(one: Line, other: Line) -> tuple[float, float]:
    """Part of the shorter line that runs beside the longer one, and the gap between them over the longer's length.

    If they do not lie on one line, the gap is infinite.
    """
    longer, shorter = (one, other) if one.length_px >= other.length_px else (other, one)
    ends = np.array([[shorter.x0_px, shorter.x1_px], [shorter.y0_px, shorter.y1_px]])
    along, across = longer.along_and_across(*ends)
    reach = PLACE_FWHM * max(one.fwhm_px, other.fwhm_px)
    if np.abs(across).max() > reach:
        return 0.0, np.inf
    begin, end = sorted(float(at) for at in along)
    beside = min(end, longer.length_px) - max(begin, 0.0)
    return beside / max(shorter.length_px, 1.0), max(-beside, 0.0) / max(longer.length_px, 1.0)


def _shows(one: NightFrame, other: NightFrame, line: Line) -> bool:
    """Whether another frame shows the place in the sky where a line's middle lies."""
    there = _on_sky(one, other, line)
    if there is None:
        return False
    x, y = (there.x0_px + there.x1_px) / 2, (there.y0_px + there.y1_px) / 2
    exposure = other.result.exposure
    return bool(0 <= x < exposure.width_px and 0 <= y < exposure.height_px)
