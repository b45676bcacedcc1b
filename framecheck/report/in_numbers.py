"""What the pictures of field and mount show, as lines of numbers: each with its unit and what would be good."""

from typing import Final

from framecheck import words
from framecheck.decision.judgement import Judgement, Range
from framecheck.decision.mount_decision import WORTH_FWHM

Line = tuple[str, str, str]
"""Name, value with unit, what would be good."""

_STILL: Final = "between exposures, dithers taken out; 0 is still, guided mounts stay below 0.1″ a minute"
_POLAR: Final = "0 is on the pole, below 5′ does little harm to guided frames"
"""Common practice, no source."""


def field_numbers(judgement: Judgement) -> list[Line]:
    """Evenness over the sensor, and sampling; only what is known."""
    field, sampling = judgement.field_pattern, judgement.sampling
    lines = [
        (
            "FWHM, right edge against left",
            signed(field.tilt_x_percent, 1, " %"),
            "0 is level, up to 8 % is hardly seen",
        ),
        (
            "FWHM, upper edge against lower",
            signed(field.tilt_y_percent, 1, " %"),
            "0 is level, up to 8 % is hardly seen",
        ),
        (
            "FWHM, corners against centre",
            signed(field.curvature_percent, 1, " %"),
            "0 is flat, up to 8 % is hardly seen",
        ),
    ]
    if judgement.explained.size is not None:
        share = f"{words.fixed(100 * judgement.explained.size, 0)} %"
        lines.append(("Pattern of star sizes that is understood", share, "90 % or more; judged by stars held back"))
    if sampling.px_per_fwhm is not None and sampling.verdict is not None:
        width = f"{words.fixed(sampling.px_per_fwhm, 1)} px, {sampling.verdict}"
        good = "2 to 3 are needed, more do no harm up to about 5"
        lines.append(("Pixels across a star", width, words.clause(sampling.suggestion or good)))
    return [line for line in lines if line[1]]


def mount_numbers(judgement: Judgement) -> list[Line]:
    """How far the mount moved the stars, and what that costs; only what is known."""
    mount, tracking = judgement.mount_decision, judgement.tracking
    needed = (
        "" if mount.needed_rms_arcsec is None else f"good enough here: below {words.fixed(mount.needed_rms_arcsec, 2)}″"
    )
    perfect = mount.fwhm_with_perfect_tracking_arcsec
    kept = "" if mount.kept_now is None else str(mount.kept_now)
    lines = [
        ("Tracking error inside an exposure, rms on each axis", _between(mount.tracking_rms_arcsec, "″"), needed),
        ("Drift in right ascension", signed(tracking.drift_ra_arcsec_per_min, 2, "″ a minute"), _STILL),
        ("Drift in declination", signed(tracking.drift_dec_arcsec_per_min, 2, "″ a minute"), _STILL),
        (
            "Rotation of the field",
            signed(tracking.rotation_deg_per_hour, 3, "° an hour"),
            "between exposures; 0 is still",
        ),
        ("Polar axis off the pole by", _between(tracking.polar_error_arcmin, "′"), _POLAR),
        (
            "FWHM now",
            "" if mount.fwhm_now_arcsec is None else f"{words.fixed(mount.fwhm_now_arcsec, 2)}″",
            "" if perfect is None else f"with perfect tracking {words.fixed(perfect, 2)}″",
        ),
        ("Narrower with perfect tracking by", _share(mount.gain), f"from {words.percent(WORTH_FWHM)} worth having"),
        (
            "Frames kept",
            kept,
            ""
            if mount.kept_with_perfect_tracking is None
            else f"with perfect tracking {mount.kept_with_perfect_tracking}",
        ),
    ]
    return [line for line in lines if line[1]]


def _share(found: Range | None) -> str:
    """A share with its interval."""
    if found is None or found.value is None:
        return ""
    return f"{words.percent(found.value)} ({words.percent(found.low)} to {words.percent(found.high)})"


def _between(found: Range | None, unit: str) -> str:
    """A value with its interval."""
    if found is None or found.value is None:
        return ""
    interval = "" if found.low is None else f" ({words.fixed(found.low, 2)} to {words.fixed(found.high, 2)})"
    return f"{words.fixed(found.value, 2)}{unit}{interval}"


def signed(value: float | None, decimals: int, unit: str) -> str:
    """A change with its sign and unit; empty if unknown."""
    if value is None:
        return ""
    shown = words.fixed(value, decimals)
    return ("+" if value > 0 and float(f"{value:.{decimals}f}") else "") + shown + unit
