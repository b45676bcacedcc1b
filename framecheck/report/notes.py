"""What frames tell beside the answer, of lens, tripod, ground and Moon: page and terminal show the same notes."""

from collections.abc import Sequence
from typing import Final

from framecheck.causes.catalogue import CAUSES
from framecheck.causes.moving_ground import SEEN_PX
from framecheck.decision.apertures import ApertureFigures, best_aperture
from framecheck.decision.judgement import Judgement
from framecheck.decision.moonlight import BrightMoon
from framecheck.decision.records import Range
from framecheck.motion.standing import AS_THE_SKY
from framecheck.night.ground import GroundInView
from framecheck.plan.longest import LongestTracked, StandingFigures, longest_tracked, standing_figures
from framecheck.plan.records import short_time
from framecheck.read.rig import Rig
from framecheck.words import arcminutes, fixed, listed, number

GROUND_ADVICE: Final = "moving-ground"
"""Name of the advice, as in night.json."""
_FULL: Final = 0.97
"""Share of the Moon's disc that is lit, from which it is called full. Chosen."""


def notes_of(judgement: Judgement) -> list[str]:
    """The notes that apply, each one or more sentences."""
    rig = judgement.night.rig
    notes = (
        standing_note(standing_figures(judgement.standing, rig.focal_length_mm)),
        alignment_note(rig, judgement.tracking.polar_error_arcmin),
        apertures_note(judgement.apertures),
        ground_advice(judgement.ground),
        moon_note(judgement.moon),
    )
    return [note for note in notes if note is not None]


def standing_note(camera: StandingFigures | None) -> str | None:
    """How fast stars run over a camera that stands still, and how long it may expose."""
    if camera is None:
        return None
    longest = {use: short_time(seconds) for use, seconds in camera.longest_exposure_s.items()}
    shown = "" if camera.dec_from == "header" else ", as the frames show it"
    told = [
        f"On a fixed tripod stars run {number(camera.px_per_s)} px a second in the middle (closed form: "
        f"{number(camera.expected_px_per_s)} at declination {camera.dec_deg:.0f}°{shown}), fastest in the "
        f"{camera.worst_corner} corner: {number(camera.worst_px_per_s)} px.",
        _drawn(camera),
        f"For trails up to a pixel there, expose {longest['pixel']} at most; for a whole picture on a screen "
        f"{longest['screen']}, for a print seen from as far as its diagonal {longest['print']}.",
    ]
    if (by_rule := camera.rule_of_500_s) is not None:
        told.append(
            f"Common practice, 500 over the focal length, would say {short_time(by_rule)}: "
            f"{number(by_rule * camera.worst_px_per_s, 2)} px."
        )
    if abs(camera.turning_over_sky - 1) > AS_THE_SKY:
        told.append(
            f"The frames show {100 * camera.turning_over_sky:.0f} % of the sky's turning: check focal length and pixel "
            "size, or whether something followed after all."
        )
    return " ".join(filter(None, told))


def _drawn(camera: StandingFigures) -> str:
    if camera.trail_px_per_s is None or camera.exposure_s is None:
        return ""
    drawn = number(camera.trail_px_per_s * camera.exposure_s, 2)
    to_rows = min(camera.direction_deg % 180, 180 - camera.direction_deg % 180)
    return f"In each {short_time(camera.exposure_s)} they draw lines of {drawn} px, at {to_rows:.0f}° to the rows."


def alignment_note(rig: Rig, off: Range | None) -> str | None:
    """How long a tracker's alignment stands at this focal length and at others."""
    rows = longest_tracked(rig, off)
    if rows is None or off is None:
        return None
    told = [_at(row, yours=row.focal_length_mm == rig.focal_length_mm) for row in rows]
    between = "" if off.low is None or off.high is None else f" ({arcminutes(off.low)} to {arcminutes(off.high)}′)"
    return (
        f"With the axis {arcminutes(off.value)}′{between} off the pole, trails stay within a pixel anywhere in the sky "
        f"for {listed(told)}. The drive's own swing and wind come on top."
    )


def _at(row: LongestTracked, *, yours: bool) -> str:
    """One focal length; the interval for the rig's own, the others follow in proportion."""
    known = yours and row.low_s is not None and row.high_s is not None
    between = f" ({short_time(row.low_s or 0.0)} to {short_time(row.high_s or 0.0)})" if known else ""
    return f"{short_time(row.longest_exposure_s)}{between} at {'your ' if yours else ''}{row.focal_length_mm:g} mm"


def apertures_note(found: Sequence[ApertureFigures]) -> str | None:
    """A lens's corners at each f-number, and what stopping down gains; None with fewer than two."""
    if not found:
        return None
    told = "; ".join(
        f"f/{one.f_number:g}: {fixed(one.corner_fwhm_px, 2)} px in the corners, {fixed(one.middle_fwhm_px, 2)} px in "
        f"the middle, corners {fixed(one.corner_elongation, 2)} times as long as wide by the lens"
        for one in found
    )
    return f"Star width by f-number. {told}. {_gain(found[0], best_aperture(found))}"


def _gain(open_wide: ApertureFigures, best: ApertureFigures) -> str:
    if best is open_wide:
        return "Stopping down gained nothing in the corners that these frames can show."
    light = (best.f_number / open_wide.f_number) ** 2
    return (
        f"Stopped down from f/{open_wide.f_number:g} to f/{best.f_number:g} the corners add "
        f"{fixed(best.added_px, 2)} px to the width instead of {fixed(open_wide.added_px, 2)} px; the same light takes "
        f"{number(light, 2)} times the exposure."
    )


def ground_advice(ground: GroundInView | None) -> str | None:
    """What to do where ground is drawn out by a mount that follows the sky: advice, never a fault."""
    if ground is None or ground.smear_px is None or ground.smear_px < SEEN_PX:
        return None
    drawn_out = f"The ground in view trails by {number(ground.smear_px, 2)} px in each exposure"
    cure = CAUSES[GROUND_ADVICE].cures[0]
    return f"{drawn_out}: the mount carries the camera along with the sky, as it should. {cure}"


def moon_note(moon: BrightMoon | None) -> str | None:
    """How full a bright Moon was and how far from the target: what it is that lights such a night."""
    if moon is None:
        return None
    called = "full" if moon.lit >= _FULL else "nearly full"
    away = "" if moon.from_target_deg is None else f", {moon.from_target_deg:.0f}° from the target"
    return f"The Moon was {called} ({100 * moon.lit:.0f} % lit){away}: a bright sky is its light."
