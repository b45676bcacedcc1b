"""What to do about each cause, cheapest first, and the cautions that go with it."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final, Literal

Need = Literal[
    "a guider", "a guider at work", "no guider", "a drive", "a polar axis", "an alt-azimuth mount", "a fixed tripod",
    "a standing drive", "a drive at a wrong rate", "binning",
]  # fmt: skip
"""What a cure takes for granted."""

_LOAD: Final = (
    "Before you loosen a clutch, bolt or dovetail, support the load: counterweights go on first and come off last, "
    "fingers and feet stay clear. Rebalance with the power off."
)
_WORKSHOP: Final = (
    "Disconnect the power and note how every part was set before you turn it. Opening gear may end a warranty: stop "
    "if unsure, and leave it to the maker."
)
_MAINS: Final = (
    "Keep mains indoors and run low voltage to the telescope, or use outdoor connectors behind a residual-current "
    "device of 30 mA or less. Fuse dew heaters and don't cover them. Follow local rules or ask an electrician."
)
_SUN: Final = (
    "Towards twilight, never point telescope, finder or camera near the Sun without a filter made for it over the "
    "front of every aperture."
)
_DARK: Final = "Tie cables off the ground and use a dim red lamp: trips in the dark are the commonest accident."

_GUIDE: Final = "Guide, with corrections every few seconds."
_GUIDE_AT_LAST: Final = "Guide, if nothing guides yet, with corrections every few seconds."
_QUICKER: Final = "Let the guider correct more often, every second or two."
_CALMER: Final = (
    "Lower the correction strength and lengthen the guide exposures to 2 s or more, so as not to chase the air."
)
_CALIBRATE: Final = "Calibrate the guider again near the target's declination."
_GUIDE_SCOPE: Final = "Remove play in the guide scope and focuser."
_BEND: Final = "Tighten guide scope, rings, focuser and every adapter; free the cables."
_OFF_AXIS: Final = "Guide through the main telescope, with an off-axis guider."
_ONE_WAY: Final = "Guide declination in one direction only, against the drift."
_SLACK: Final = "Measure the slack and let the guider make up for it."
_FADES: Final = "Pause the exposures when the guide star fades."
_POLE: Final = "Align the polar axis again, on an equatorial mount."
_WEDGE: Final = "On an alt-azimuth mount, use a wedge or a rotator."
_SWITCH_ON: Final = "Switch tracking on, at the sidereal rate and for the right hemisphere."
_RATE: Final = "Set the drive to the sidereal rate: those for Moon and Sun trail the stars."
_CLUTCHES: Final = "Check clutches and the drive's power."
_TRIPOD: Final = "On a fixed tripod, shorten the exposures."
_UNBIN: Final = "Undo binning."

CURES: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType({
    "periodic-error": (
        "Shorten the exposures to a small part of the worm's period.",
        "Record and play back the drive's error, if the mount can.",
        _GUIDE,
        _QUICKER,
    ),
    "polar-misalignment": (
        "Align the polar axis again, by drift or by plate solving.",
        "Set tripod or pier on firm ground, and check the alignment after the load is on.",
        "Shorten the exposures until the drift in one is below half a pixel.",
    ),
    "field-rotation": (
        "Shorten the exposures: the further from the centre stars must be round, the more.",
        _POLE,
        _WEDGE,
    ),
    "declination-backlash": (
        "Leave declination slightly out of balance, so that the gear rests on one side.",
        _ONE_WAY,
        _SLACK,
        "Have the gear's mesh adjusted.",
    ),
    "guiding-noise": (
        _CALMER,
        _CALIBRATE,
        "Balance the axes and free the cables.",
        _GUIDE_AT_LAST,
        _GUIDE_SCOPE,
    ),
    "differential-flexure": (
        _BEND,
        "Shorten the exposures.",
        _OFF_AXIS,
    ),
    "shock": (
        "Reject the spoilt frames.",
        "Tie the cables so that nothing can snag, and keep away from the pier while exposing.",
        "Shelter the telescope from wind, and take off the dew shield in gusts.",
        "Shorten the exposures, so that each gust spoils less.",
    ),
    "untracked": (
        _SWITCH_ON,
        _RATE,
        _CLUTCHES,
        _TRIPOD,
    ),
    "defocus": (
        "Refocus on a star, by its FWHM or with a focusing mask.",
        "Refocus when the temperature has changed by a few degrees, and after each change of filter.",
        "Lock the focuser; a motor makes small steps repeatable.",
    ),
    "focus-drift": (
        "Refocus every hour, or every few degrees of temperature.",
        "Let the telescope cool down before the first exposure.",
        "Lock the focuser against slipping.",
        "Let a motor follow the temperature.",
    ),
    "sensor-tilt": (
        "Seat camera and adapters square, and tighten them; look for a sagging focuser.",
        "Turn the camera by 90 degrees: if the blur turns with it, the tilt is in the camera, else before it.",
        "Adjust the tilt in small steps with a tilt ring.",
    ),
    "field-curvature": (
        "Check the spacing from corrector to sensor against its maker's data, filter glass included.",
        "Focus midway between centre and corner.",
        "Try spacers of a few tenths of a millimetre.",
        "Use a flattener made for the telescope.",
    ),
    "coma": (
        "Check the spacing from corrector to sensor against its maker's data.",
        "Stop a lens down by one stop.",
        "Use a coma corrector made for the telescope.",
    ),
    "miscollimation": (
        "Let the optics cool down, and look at a defocused star in the centre.",
        "Collimate again.",
        "Check focuser and adapters for sag.",
    ),
    "astigmatism": (
        "Let the optics cool down.",
        "Look for strain from rings, clips or mirror cell, and loosen it in small steps.",
        "Turn the camera: if the shape stays in the image, the camera or its adapters are the cause.",
    ),
    "pinched-optics": (
        "Let the optics cool down slowly.",
        "Loosen mirror clips or the lens cell in small steps; never tighten them.",
    ),
    "dew": (
        "Reject the fogged frames, and warm the optics gently before going on.",
        "Use a dew shield, one and a half times as long as the aperture is wide or more.",
        "Use a low-voltage dew heater from dusk on.",
    ),
    "undersampled": (
        "Dither between exposures, and stack many frames on a finer grid.",
        _UNBIN,
        "Accept it where a wide field is the aim.",
        "Use a longer focal length or smaller pixels.",
    ),
    "oversampled": (
        "Bin the pixels, in the camera or afterwards.",
        "Expose longer, so that read noise counts for less.",
        "Use a focal reducer or larger pixels.",
    ),
    "saturation": (
        "Shorten the exposures, as far as the sky still buries the read noise.",
        "Lower the camera's gain setting.",
        "Add a set of short exposures for the bright stars.",
    ),
    "read-noise-limited": (
        "Expose longer, as far as tracking and bright stars allow.",
        "Raise the camera's gain setting, where that lowers its read noise.",
        "Bin, where the camera adds up charge before it is read.",
    ),
    "poor-seeing": (
        "Keep the frames for depth or colour, and take detail from better nights.",
        "Choose targets near the meridian; wait until telescope and ground have cooled down.",
        "Set up on grass rather than on stone, away from warm roofs.",
        "Bin, or use a shorter focal length, on such nights.",
    ),
    "cloud": (
        "Reject the frames that lost much of their light, or give them less weight.",
        "Look at satellite pictures and forecasts before the next session.",
        _FADES,
    ),
    "sky-gradient": (
        "Choose targets away from Moon and town, and stop before twilight.",
        "Subtract a smooth sky from each frame before stacking.",
        "Shade the optics from lamps nearby.",
        "Use a narrow-band filter under moonlight.",
    ),
    "low-altitude": (
        "Begin later or stop earlier, while the target stands above 35 degrees.",
        "Choose another target or season if this one never stands high.",
        "Shoot red or narrow-band frames while it is low: red light suffers less.",
    ),
    "trail-crossing": (
        "Stack ten or more frames with outlier rejection: the trail goes, the frame stays.",
        "Reject the frame only if the stack has just a few.",
    ),
})  # fmt: skip
"""Cause -> what to do, cheapest first. Common practice, no source."""

NEEDS: Final[Mapping[str, Need]] = MappingProxyType({
    _CALMER: "a guider", _CALIBRATE: "a guider", _GUIDE_SCOPE: "a guider", _BEND: "a guider", _OFF_AXIS: "a guider",
    _ONE_WAY: "a guider", _SLACK: "a guider", _FADES: "a guider", _QUICKER: "a guider at work",
    _GUIDE: "no guider", _GUIDE_AT_LAST: "no guider", _POLE: "a polar axis", _WEDGE: "an alt-azimuth mount",
    CURES["polar-misalignment"][0]: "a polar axis", CURES["polar-misalignment"][1]: "a polar axis",
    _SWITCH_ON: "a standing drive", _RATE: "a drive at a wrong rate", _CLUTCHES: "a drive", _TRIPOD: "a fixed tripod",
    _UNBIN: "binning",
})  # fmt: skip
"""Cure -> what it takes for granted; what is not named fits everywhere."""

CAUTIONS: Final[Mapping[str, str]] = MappingProxyType({
    "polar-misalignment": _LOAD,
    "declination-backlash": f"{_LOAD} {_WORKSHOP}",
    "guiding-noise": _LOAD,
    "periodic-error": _WORKSHOP,
    "shock": _DARK,
    "miscollimation": _WORKSHOP,
    "astigmatism": _WORKSHOP,
    "pinched-optics": _WORKSHOP,
    "dew": _MAINS,
    "sky-gradient": _SUN,
})  # fmt: skip
"""Cause -> what to mind while curing it. Common practice; safety pages of observatories, clubs and electricians say the
same. Local law and licensed trades come first."""

CAUTION_OF: Final[Mapping[str, str]] = MappingProxyType({
    CURES["polar-misalignment"][0]: _LOAD, CURES["polar-misalignment"][1]: _LOAD, _POLE: _LOAD,
    CURES["declination-backlash"][0]: _LOAD, CURES["declination-backlash"][3]: _WORKSHOP,
    CURES["guiding-noise"][2]: _LOAD, CURES["shock"][1]: _DARK, CURES["miscollimation"][1]: _WORKSHOP,
    CURES["astigmatism"][1]: _WORKSHOP, CURES["pinched-optics"][1]: _WORKSHOP, CURES["dew"][2]: _MAINS,
    CURES["sky-gradient"][0]: _SUN,
})  # fmt: skip
"""Fix -> what to mind with it alone."""
