"""Causes in the mount, a row each."""

from typing import Final

from framecheck.causes.cause import Cause, Fix, Rival
from framecheck.causes.cautions import DARK, LOAD, WORKSHOP

MOUNT: Final = (
    Cause(
        name="periodic-error",
        family="mount",
        title="Periodic error",
        culprit="the drive's periodic error",
        meaning="The drive in right ascension runs fast and slow with its gear period.",
        fixes=(
            Fix("Shorten the exposures to a small part of the worm's period."),
            Fix("Record and play back the drive's error, if the mount can."),
            Fix("Guide, with corrections every few seconds.", needs="no guider"),
            Fix("Let the guider correct more often, every second or two.", needs="a guider at work"),
        ),
        caution=WORKSHOP,
        rivals=(
            Rival(cause="polar-misalignment", why_less_likely="it drifts one way; this motion comes back"),
            Rival(cause="guiding-noise", why_less_likely="it has no period; this one does"),
        ),
        yields_to=(("untracked", "no gear turns"),),
        alarms=("trailed",),
        alarm_from_the_start="trailed",
        traits=("steady motion",),
        pictures=("rhythm", "course"),
    ),
    Cause(
        name="polar-misalignment",
        family="mount",
        title="Poor polar alignment",
        culprit="poor polar alignment",
        meaning="The polar axis is off the pole: steady drift (mostly in declination) of unguided frames, or "
        "rotation about the guide star in guided ones.",
        fixes=(
            Fix("Align the polar axis again, by drift or by plate solving.", needs="a polar axis", caution=LOAD),
            Fix(
                "Set tripod or pier on firm ground, and check the alignment after the load is on.",
                needs="a polar axis",
                caution=LOAD,
            ),
            Fix("Shorten the exposures until the drift in one is below half a pixel."),
        ),
        caution=LOAD,
        rivals=(
            Rival(cause="periodic-error", why_less_likely="it comes and goes along right ascension, with no net drift"),
        ),
        yields_to=(
            ("untracked", "the stars move as fast, and along the line, as the sky itself does"),
            ("differential-flexure", "the frames drift faster than they turn about any guide star"),
        ),
        alarms=("trailed",),
        alarm_from_the_start="trailed",
        traits=("steady motion", "even motion"),
        pictures=("course",),
    ),
    Cause(
        name="field-rotation",
        family="mount",
        title="Field rotation",
        culprit="field rotation",
        meaning="Frames or stars turn about a point: an alt-azimuth mount, or a gross polar error.",
        fixes=(
            Fix("Shorten the exposures: the further from the centre stars must be round, the more."),
            Fix("Align the polar axis again, on an equatorial mount.", needs="a polar axis", caution=LOAD),
            Fix("On an alt-azimuth mount, use a wedge or a rotator.", needs="an alt-azimuth mount"),
        ),
        rivals=(Rival(cause="field-curvature", why_less_likely="optics do not turn the stars from frame to frame"),),
        yields_to=(("untracked", "a standing camera sees the sky turn about the pole"),),
        alarms=("trailed",),
        alarm_from_the_start="trailed",
        traits=("even motion",),
        pictures=("field",),
    ),
    Cause(
        name="declination-backlash",
        family="mount",
        title="Declination backlash",
        culprit="declination backlash",
        meaning="Declination corrections come late: smear or excursions along declination only, in a part of "
        "the night.",
        fixes=(
            Fix("Leave declination slightly out of balance, so that the gear rests on one side.", caution=LOAD),
            Fix("Guide declination in one direction only, against the drift.", needs="a guider"),
            Fix("Measure the slack and let the guider make up for it.", needs="a guider"),
            Fix("Have the gear's mesh adjusted.", caution=WORKSHOP),
        ),
        caution=f"{LOAD} {WORKSHOP}",
        rivals=(
            Rival(cause="polar-misalignment", why_less_likely="its drift lasts all night, this lasts for a part of it"),
            Rival(cause="shock", why_less_likely="knocks push in any direction, this goes along declination"),
        ),
        alarms=("trailed",),
        alarm_from_the_start="trailed",
        traits=("steady motion",),
        pictures=("course",),
    ),
    Cause(
        name="guiding-noise",
        family="mount",
        title="Guiding errors",
        culprit="guiding errors",
        meaning="Random tracking error without a fixed period, in most frames, beyond what the air explains.",
        fixes=(
            Fix(
                "Lower the correction strength and lengthen the guide exposures to 2 s or more, so "
                "as not to chase the air.",
                needs="a guider",
            ),
            Fix("Calibrate the guider again near the target's declination.", needs="a guider"),
            Fix("Balance the axes and free the cables.", caution=LOAD),
            Fix("Guide, if nothing guides yet, with corrections every few seconds.", needs="no guider"),
            Fix("Remove play in the guide scope and focuser.", needs="a guider"),
        ),
        caution=LOAD,
        rivals=(
            Rival(cause="astigmatism", why_less_likely="optics draw all frames alike, these change"),
            Rival(cause="poor-seeing", why_less_likely="air blurs evenly in all directions over a minute"),
        ),
        yields_to=(
            ("periodic-error", "the motion has a period, or lasts from frame to frame"),
            ("untracked", "the sky's own motion explains the trails"),
            ("polar-misalignment", "the drift of a wrong axis explains the smear"),
            ("differential-flexure", "a steady drift explains the smear"),
        ),
        alarms=("trailed", "wider"),
        alarm_from_the_start="trailed",
        traits=("widens every frame",),
        pictures=("smear",),
    ),
    Cause(
        name="differential-flexure",
        family="mount",
        title="Differential flexure",
        culprit="differential flexure",
        meaning="Guided frames still drift in one direction, which turns slowly with the pointing.",
        fixes=(
            Fix("Tighten guide scope, rings, focuser and every adapter; free the cables.", needs="a guider"),
            Fix("Shorten the exposures."),
            Fix("Guide through the main telescope, with an off-axis guider.", needs="a guider"),
        ),
        rivals=(Rival(cause="guiding-noise", why_less_likely="it has no direction that lasts from frame to frame"),),
        alarms=("trailed",),
        alarm_from_the_start="trailed",
        traits=("steady motion", "even motion"),
        pictures=("course",),
    ),
    Cause(
        name="shock",
        family="mount",
        title="Shock",
        culprit="knocks and gusts",
        meaning="A gust, a knock or a snagged cable spoils single frames: double or jagged stars, in any direction.",
        fixes=(
            Fix("Stack without the rejected frames."),
            Fix("Tie the cables so that nothing can snag, and keep away from the pier while exposing.", caution=DARK),
            Fix("Shelter the telescope from wind, and take off the dew shield in gusts."),
            Fix("Shorten the exposures, so that each gust spoils less."),
        ),
        caution=DARK,
        rivals=(
            Rival(cause="guiding-noise", why_less_likely="it spoils most frames, these are few"),
            Rival(cause="declination-backlash", why_less_likely="it spoils frames in a row, along declination"),
        ),
        alarms=("trailed",),
        along="elongation",
    ),
    Cause(
        name="untracked",
        family="mount",
        title="Not tracked",
        culprit="a mount that didn't follow the sky",
        seen_as="a sky that was not tracked",
        meaning="No tracking, or the wrong rate: trails of the sidereal length or a fixed share of it.",
        fixes=(
            Fix("Find what stopped the drive: its power, a clutch, a limit, a cable.", needs="a drive that stopped"),
            Fix("Switch tracking on, at the sidereal rate and for the right hemisphere.", needs="a standing drive"),
            Fix(
                "Set the drive to the sidereal rate: those for Moon and Sun trail the stars.",
                needs="a drive at a wrong rate",
            ),
            Fix("Check clutches and the drive's power.", needs="a drive"),
            Fix("On a fixed tripod, shorten the exposures.", needs="a fixed tripod"),
            Fix("For longer exposures, put the camera on a tracker.", needs="a fixed tripod"),
        ),
        rivals=(Rival(cause="shock", why_less_likely="a knock spoils single frames, these lines are in all"),),
        alarms=("trailed",),
        alarm_from_the_start="trailed",
        traits=("steady motion", "even motion"),
        pictures=("smear",),
    ),
    Cause(
        name="moving-ground",
        family="mount",
        title="Moving ground",
        culprit="ground that moves",
        meaning="A mount carries the camera along with the sky, so ground in view is drawn out: as it should, and no "
        "fault.",
        fixes=(
            Fix("For a sharp foreground shoot the ground by itself, tracking off, and set the stacked sky above it."),
        ),
        traits=("advice",),
    ),
)
