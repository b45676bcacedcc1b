"""Causes in the sky, a row each."""

from typing import Final

from framecheck.causes.cause import Cause, Fix, Rival
from framecheck.causes.cautions import SUN

SKY: Final = (
    Cause(
        name="poor-seeing",
        family="sky",
        title="Poor seeing",
        culprit="poor seeing",
        meaning="The air, not the equipment, sets the size of the stars.",
        fixes=(
            Fix("Keep the frames for depth or colour, and take detail from better nights."),
            Fix("Choose targets near the meridian; wait until telescope and ground have cooled down."),
            Fix("Set up on grass rather than on stone, away from warm roofs."),
            Fix("Bin, or use a shorter focal length, on such nights."),
        ),
        rivals=(
            Rival(cause="defocus", why_less_likely="wings and field are explained without it"),
            Rival(
                cause="guiding-noise",
                why_less_likely="tracking errors are seldom alike along both axes; a guiding record would tell",
            ),
        ),
        alarms=("wider",),
        pictures=("budget",),
    ),
    Cause(
        name="cloud",
        family="sky",
        title="Cloud",
        culprit="cloud",
        meaning="The light of all stars drops together, mostly as the sky level changes.",
        fixes=(
            Fix("Reject the frames that lost much of their light, or give them less weight."),
            Fix("Look at satellite pictures and forecasts before the next session."),
            Fix("Pause the exposures when the guide star fades.", needs="a guider"),
        ),
        alarms=("dimmer", "brighter sky"),
        along="transparency",
    ),
    Cause(
        name="sky-gradient",
        family="sky",
        title="Sky gradient",
        culprit="a bright or uneven sky",
        meaning="The sky level is uneven or rises: moon, twilight, town.",
        fixes=(
            Fix("Choose targets away from Moon and town, and stop before twilight.", caution=SUN),
            Fix("Subtract a smooth sky from each frame before stacking."),
            Fix("Shade the optics from lamps nearby."),
            Fix("Use a narrow-band filter under moonlight."),
        ),
        caution=SUN,
        alarms=("brighter sky",),
        along="sky_adu",
    ),
    Cause(
        name="low-altitude",
        family="sky",
        title="Low altitude",
        culprit="low altitude",
        meaning="The target stands low: much air makes stars wide and faint.",
        fixes=(
            Fix("Begin later or stop earlier, while the target stands above 35 degrees."),
            Fix("Choose another target or season if this one never stands high."),
            Fix("Shoot red or narrow-band frames while it is low: red light suffers less."),
        ),
        alarms=("wider", "dimmer"),
        pictures=("airmass",),
    ),
    Cause(
        name="trail-crossing",
        family="sky",
        title="Satellites or aircraft",
        culprit="satellites or aircraft",
        meaning="A satellite or an aircraft crosses the frame.",
        fixes=(
            Fix("Stack ten or more frames with outlier rejection: the trail goes, the frame stays."),
            Fix("Reject the frame only if the stack has just a few."),
        ),
    ),
)
