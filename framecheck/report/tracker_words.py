"""A tracker's alignment, in words: how long it stands at this focal length and at others."""

from typing import Any

from framecheck.decision.judgement import Judgement
from framecheck.motion.polar_by_turning import LONGEST_LENS_MM
from framecheck.plan.motion import OTHER_LENSES_MM
from framecheck.plan.records import short_time
from framecheck.plan.tolerances import polar_exposure_s
from framecheck.words import arcminutes, listed


def alignment_document(judgement: Judgement) -> tuple[dict[str, Any], ...] | None:
    """Longest exposures by polar error as night.json tells them; None where no lens is on a mount of known error.

    For trails up to a pixel, wherever in the sky: what the drift makes at its worst.
    """
    rig, off = judgement.night.rig, judgement.tracking.polar_error_arcmin
    pixel, focal = rig.pixel_um, rig.focal_length_mm
    if pixel is None or focal is None or off is None or not off.value:
        return None
    if rig.mount_type != "tracker" and (rig.mount_type is not None or focal > LONGEST_LENS_MM):
        return None
    trail = pixel * (rig.binning or 1)
    return tuple(
        {
            "focal_length_mm": one,
            "longest_exposure_s": polar_exposure_s(off.value, one, trail),
            "low_s": None if not off.high else polar_exposure_s(off.high, one, trail),
            "high_s": None if not off.low else polar_exposure_s(off.low, one, trail),
        }
        for one in sorted({focal, *OTHER_LENSES_MM})
    )


def alignment_note(judgement: Judgement) -> str | None:
    """What a page or a terminal says of it; None where no lens is on a mount of known error."""
    rows, off = alignment_document(judgement), judgement.tracking.polar_error_arcmin
    if rows is None or off is None:
        return None
    mine = judgement.night.rig.focal_length_mm
    told = [_at(row, yours=row["focal_length_mm"] == mine) for row in rows]
    between = "" if off.low is None or off.high is None else f" ({arcminutes(off.low)} to {arcminutes(off.high)}′)"
    return (
        f"With the axis {arcminutes(off.value)}′{between} off the pole, trails stay within a pixel anywhere in the sky "
        f"for {listed(told)}. The drive's own swing and wind come on top."
    )


def _at(row: dict[str, Any], *, yours: bool) -> str:
    """One focal length; the interval for the rig's own, the others follow in proportion."""
    longest, low, high = (row[name] for name in ("longest_exposure_s", "low_s", "high_s"))
    between = f" ({short_time(low)} to {short_time(high)})" if yours and low is not None and high is not None else ""
    return f"{short_time(longest)}{between} at {'your ' if yours else ''}{row['focal_length_mm']:g} mm"
