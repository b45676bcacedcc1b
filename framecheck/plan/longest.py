"""How long a camera may expose that stands still, or that a tracker carries whose axis is off the pole."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from framecheck.decision.records import Range
from framecheck.document import shared_fields
from framecheck.motion.polar_by_turning import LONGEST_LENS_MM
from framecheck.motion.standing import StandingCamera
from framecheck.plan.tolerances import polar_exposure_s, trail_on_print
from framecheck.read.rig import Rig

SCREEN_PX: Final = 3.0
"""Trail that is lost when the whole picture is looked at. [px] Chosen: a frame 6000 pixels wide on a screen of 2000."""

RULE_MM_S: Final = 500.0
"""Exposure by the old rule times the focal length. [mm s] Common practice, no source."""

OTHER_LENSES_MM: Final = (50.0, 85.0, 135.0, 200.0)
"""Focal lengths at which a tracker's alignment is told as well. Chosen: lenses that such mounts carry."""


@dataclass(frozen=True, kw_only=True, slots=True)
class StandingFigures(StandingCamera):
    """How stars run over a camera that stands still, and how long it may expose for all that."""

    longest_exposure_s: Mapping[str, float]
    """For trails that are short enough in the worst corner, by what the picture is for; nothing shows less than a
    pixel."""
    rule_of_500_s: float | None
    """By the old rule; None without a focal length."""


@dataclass(frozen=True, kw_only=True, slots=True)
class LongestTracked:
    """How long trails stay within a pixel, wherever in the sky, on an axis that is off the pole."""

    focal_length_mm: float
    longest_exposure_s: float
    low_s: float | None
    """With the axis as far off as it may be, and as near as it may be."""
    high_s: float | None


def standing_figures(camera: StandingCamera | None, focal_length_mm: float | None) -> StandingFigures | None:
    """Of a night's camera; None where the mount follows, or nothing tells."""
    if camera is None:
        return None
    trails_px = {"pixel": 1.0, "screen": SCREEN_PX, "print": max(1.0, trail_on_print(camera.diagonal_px))}
    return StandingFigures(
        **shared_fields(camera, StandingFigures),
        longest_exposure_s={use: trail / camera.worst_px_per_s for use, trail in trails_px.items()},
        rule_of_500_s=None if focal_length_mm is None else RULE_MM_S / focal_length_mm,
    )


def longest_tracked(rig: Rig, off: Range | None) -> tuple[LongestTracked, ...] | None:
    """Longest exposures at the rig's focal length and at others; None where no lens is on a mount of known error.

    Parameters
    ----------
    rig : Rig
    off : Range or None
        How far its axis is off the pole. [arcmin]
    """
    pixel, focal = rig.pixel_um, rig.focal_length_mm
    if pixel is None or focal is None or off is None or not off.value:
        return None
    if rig.mount_type != "tracker" and (rig.mount_type is not None or focal > LONGEST_LENS_MM):
        return None
    trail = pixel * (rig.binning or 1)
    return tuple(
        LongestTracked(
            focal_length_mm=one,
            longest_exposure_s=polar_exposure_s(off.value, one, trail),
            low_s=None if not off.high else polar_exposure_s(off.high, one, trail),
            high_s=None if not off.low else polar_exposure_s(off.low, one, trail),
        )
        for one in sorted({focal, *OTHER_LENSES_MM})
    )
