"""Frames that stand for a group by the elongation of their mean stars, and what their stars drew."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from framecheck.field.result import FrameShape, StackedStar
from framecheck.motion.night import Night
from framecheck.night.records import Group

_THREE: Final = ("roundest", "typical", "longest")


@dataclass(frozen=True, kw_only=True, slots=True)
class MeanStarShown:
    """The mean star of one frame, and what it drew."""

    role: str
    """What the frame stands for in its group."""
    frame: int
    """Index in `Night.frames`."""
    star: StackedStar
    shape: FrameShape
    path: str | None
    """Name of what the stars drew in the exposure; None where no motion was measured."""
    ends_px: tuple[complex, complex] | None
    """Ends of that path, x + iy from its middle along the frame's own axes; None if it is round or not known. [px]"""


def mean_stars(night: Night, group: Group) -> tuple[MeanStarShown, ...]:
    """Frames of a group that stand for it by the elongation of their stars: three, or the longest alone."""
    drew = _paths(night, group)
    known = []
    for index in group.members:
        result = night.frames[index].result
        if result.stacked is not None and result.shape is not None:
            known.append((result.shape.elongation, index, result.stacked, result.shape))
    known.sort(key=lambda one: one[:2])
    if not known:
        return ()
    chosen = (known[0], known[len(known) // 2], known[-1]) if len(known) >= len(_THREE) else (known[-1],)
    return tuple(
        MeanStarShown(role=role, frame=index, star=star, shape=shape, path=path, ends_px=ends)
        for role, (_, index, star, shape) in zip(_THREE[-len(chosen) :], chosen, strict=True)
        for path, ends in [drew.get(index, (None, None))]
    )


def _paths(night: Night, group: Group) -> dict[int, tuple[str, tuple[complex, complex] | None]]:
    """What the stars of each frame drew, and its ends along the frame's own axes."""
    tracking = night.tracking.get(group.id)
    if tracking is None:
        return {}
    out: dict[int, tuple[str, tuple[complex, complex] | None]] = {}
    smears = tracking.smears
    for index, path, spin2, rms_px in zip(smears.frames, smears.path, smears.spin2_px2, smears.rms_px, strict=True):
        frame = night.frames[index]
        angle = np.angle(spin2) / 2 + np.radians(frame.turned_deg)
        half = np.sqrt(3) * rms_px * np.exp(1j * angle)  # rms of a line, closed form
        if frame.result.stars.doubled_px is not None:
            half = complex(*frame.result.stars.doubled_px) / 2
        out[index] = path, None if path == "round" else (complex(-half), complex(half))
    return out
