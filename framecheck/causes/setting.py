"""What headers, rig file and frames say of mount and camera, so that no cure is told that cannot be meant."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from framecheck.causes.catalogue import FIXES
from framecheck.causes.cause import Need
from framecheck.causes.mount import stands_for_a_while
from framecheck.causes.moved import Moved, all_moved, cos_dec
from framecheck.constants import SIDEREAL_RATE_ARCSEC_PER_S
from framecheck.motion.night import Night
from framecheck.motion.polar_by_turning import LONGEST_LENS_MM
from framecheck.motion.standing import standing_camera
from framecheck.read.rig import MountType, Rig

STANDING: Final = 0.5
"""Rate of the stars over the sky's own from which the drive stands still. [dimensionless] Chosen: a wrong rate, of
Moon or Sun or of a lens on a tracker, is off by a few percent of it."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Equipment:
    """Mount and camera, as far as they are known."""

    guided: bool | None = None
    mount_type: MountType | None = None
    stands: bool | None = None
    """Whether the sky runs by as over a drive that stands still."""
    stopped: bool = False
    """Whether it does so for a part of the night."""
    binning: int | None = None

    def allows(self, need: Need) -> bool:
        """Whether a cure that takes this for granted can be meant: only what is known to be otherwise is left out."""
        match need:
            case "a guider":
                return self.guided is True
            case "a guider at work":
                return self.guided is True
            case "no guider":
                return self.guided is not True and self.mount_type != "fixed"
            case "a drive":
                return self.mount_type != "fixed"
            case "a standing drive":
                return self.mount_type != "fixed" and self.stands is not False and not self.stopped
            case "a drive that stopped":
                return self.stopped
            case "a drive at a wrong rate":
                return self.mount_type != "fixed" and self.stands is False and not self.stopped
            case "a polar axis":
                return self.mount_type not in ("fixed", "alt-azimuth")
            case "an alt-azimuth mount":
                return self.mount_type in ("alt-azimuth", None)
            case "a fixed tripod":
                seems_so = self.mount_type is None and self.stands is not False and not self.stopped
                return self.mount_type == "fixed" or seems_so
            case "binning":
                return self.binning is None or self.binning > 1

    def fitting(self, cures: Iterable[str]) -> tuple[str, ...]:
        """The cures that can be meant, in their order."""
        needs = ((cure, FIXES[cure].needs if cure in FIXES else None) for cure in cures)
        return tuple(cure for cure, need in needs if need is None or self.allows(need))


def setting_of(night: Night, rig: Rig) -> Equipment:
    """Mount and camera of a session, by its rig file, its headers, and the motion of its largest group."""
    largest = max(all_moved(night), key=lambda moved: len(moved.frames), default=None)
    standing = with_tripod(night, rig)
    return Equipment(
        guided=rig.guided if largest is None else largest.tracking.guided,
        mount_type=standing.mount_type,
        stands=None if largest is None else _stands(largest),
        stopped=any(stands_for_a_while(moved, standing) is not None for moved in all_moved(night)),
        binning=rig.binning,
    )


def with_tripod(night: Night, rig: Rig) -> Rig:
    """The rig as it is, or on a fixed tripod where nothing names the mount of a lens, and the sky turns by as it does.

    Parameters
    ----------
    night : Night
        A session.
    rig : Rig
        Of it.
    """
    is_lens = rig.focal_length_mm is not None and rig.focal_length_mm <= LONGEST_LENS_MM
    if rig.mount_type is None and is_lens and standing_camera(night) is not None:
        return replace(rig, mount_type="fixed")
    return rig


def _stands(moved: Moved) -> bool | None:
    """Whether stars move at half the sky's rate or more, by their lines and, where known, by the frames' drift."""
    exposure = moved.tracking.smears.typical_exposure_s
    if moved.scale_arcsec is None or not exposure > 0:
        return None
    line = math.sqrt(12) * float(np.median(moved.tracking.smears.rms_px))
    fastest = max(line, float(np.median(moved.line_px))) * moved.scale_arcsec / exposure
    return fastest >= STANDING * SIDEREAL_RATE_ARCSEC_PER_S * cos_dec(moved)
