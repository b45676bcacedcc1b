"""A camera that stands still, in words: how fast stars run over it, and how long it may expose."""

from dataclasses import asdict
from typing import Any, Final

from framecheck.motion.standing import AS_THE_SKY, StandingCamera
from framecheck.plan.motion import SCREEN_PX
from framecheck.plan.records import short_time
from framecheck.plan.tolerances import trail_on_print
from framecheck.words import number

RULE_MM_S: Final = 500.0
"""Exposure by the old rule times the focal length. [mm s] Common practice, no source."""


def longest_exposures_s(camera: StandingCamera) -> dict[str, float]:
    """How long the camera may expose for trails that are short enough in the worst corner, by what the picture is for.

    Nothing shows less than a pixel.
    """
    trails = {"pixel": 1.0, "screen": SCREEN_PX, "print": max(1.0, trail_on_print(camera.diagonal_px))}
    return {use: trail / camera.worst_px_per_s for use, trail in trails.items()}


def standing_document(camera: StandingCamera | None, focal_length_mm: float | None) -> dict[str, Any] | None:
    """The same as night.json tells it; None where the mount follows, or nothing tells."""
    if camera is None:
        return None
    return asdict(camera) | {
        "longest_exposure_s": longest_exposures_s(camera),
        "rule_of_500_s": None if focal_length_mm is None else RULE_MM_S / focal_length_mm,
    }


def standing_note(camera: StandingCamera | None, focal_length_mm: float | None) -> str | None:
    """What a page or a terminal says of it; None where the mount follows, or nothing tells."""
    if camera is None:
        return None
    longest = {use: short_time(seconds) for use, seconds in longest_exposures_s(camera).items()}
    shown = "" if camera.dec_from == "header" else ", as the frames show it"
    told = [
        f"On a fixed tripod stars run {number(camera.px_per_s)} px a second in the middle (closed form: "
        f"{number(camera.expected_px_per_s)} at declination {camera.dec_deg:.0f}°{shown}), fastest in the "
        f"{camera.worst_corner} corner: {number(camera.worst_px_per_s)} px.",
        _drawn(camera),
        f"For trails up to a pixel there, expose {longest['pixel']} at most; for a whole picture on a screen "
        f"{longest['screen']}, for a print seen from as far as its diagonal {longest['print']}.",
    ]
    if focal_length_mm is not None:
        seconds = RULE_MM_S / focal_length_mm
        told.append(
            f"Common practice, 500 over the focal length, would say {short_time(seconds)}: "
            f"{number(seconds * camera.worst_px_per_s, 2)} px."
        )
    if abs(camera.turning_over_sky - 1) > AS_THE_SKY:
        told.append(
            f"The frames show {100 * camera.turning_over_sky:.0f} % of the sky's turning: check focal length and pixel "
            "size, or whether something followed after all."
        )
    return " ".join(filter(None, told))


def _drawn(camera: StandingCamera) -> str:
    if camera.trail_px_per_s is None or camera.exposure_s is None:
        return ""
    drawn = number(camera.trail_px_per_s * camera.exposure_s, 2)
    to_rows = min(camera.direction_deg % 180, 180 - camera.direction_deg % 180)
    return f"In each {short_time(camera.exposure_s)} they draw lines of {drawn} px, at {to_rows:.0f}° to the rows."
