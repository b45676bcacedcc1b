"""All causes asked, and their answers set in order."""

from collections.abc import Callable
from typing import Final

from framecheck.causes import air, camera, drive, focus, mount, optics, sky
from framecheck.causes.catalogue import CAUSES
from framecheck.causes.result import Answer, Finding, Undecided
from framecheck.night.records import Night
from framecheck.read.rig import Rig

ASKED: Final[tuple[Callable[[Night, Rig], Answer], ...]] = (
    mount.untracked,
    mount.polar_misalignment,
    mount.field_rotation,
    mount.differential_flexure,
    drive.periodic_error,
    drive.declination_backlash,
    drive.guiding_noise,
    drive.shock,
    focus.defocus,
    focus.focus_drift,
    optics.sensor_tilt,
    optics.field_curvature,
    optics.coma,
    optics.miscollimation,
    optics.astigmatism,
    optics.pinched_optics,
    focus.dew,
    camera.undersampled,
    camera.oversampled,
    camera.saturation,
    camera.read_noise_limited,
    air.cloud,
    air.poor_seeing,
    sky.trail_crossing,
    sky.low_altitude,
    sky.sky_gradient,
)

NOT_ASKED: Final = "this version of framecheck does not look for it yet"


def weigh(night: Night, rig: Rig) -> tuple[tuple[Finding, ...], tuple[Undecided, ...]]:
    """Ask every cause.

    Returns
    -------
    findings : tuple of Finding
        Surest first, then by name.
    undecided : tuple of Undecided
        Causes that these frames can neither show nor exclude, and those that this version cannot look for, in the
        order of the catalogue.
    """
    if not night.frames:
        return (), ()
    answers = [ask(night, rig) for ask in ASKED]
    findings = [answer for answer in answers if isinstance(answer, Finding)]
    open_ones = {answer.cause: answer for answer in answers if isinstance(answer, Undecided)}
    asked = {answer.cause for answer in answers}
    undecided = [
        open_ones[name]
        if name in open_ones
        else Undecided(cause=name, because=NOT_ASKED, what_would_settle_it="Look at the frames and curves by eye.")
        for name in CAUSES
        if name in open_ones or name not in asked
    ]
    return tuple(sorted(findings, key=lambda finding: (-finding.confidence, finding.cause))), tuple(undecided)
