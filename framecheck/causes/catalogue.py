"""The causes that framecheck can name: each one physical thing, once, with its family."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal

Family = Literal["mount", "optics", "camera", "sky"]


@dataclass(frozen=True, slots=True)
class Cause:
    """One physical thing that can spoil a frame or a night."""

    name: str
    """Stable name, as in night.json."""
    family: Family
    title: str
    """As a heading says it."""
    culprit: str
    """As the subject of a sentence: "... cost 28 %"."""
    meaning: str
    """The physical thing, in one sentence."""


_CAUSES: Final = (
    Cause("periodic-error", "mount", "Periodic error", "the drive's periodic error",
          "The drive in right ascension runs fast and slow with its gear period."),
    Cause("polar-misalignment", "mount", "Poor polar alignment", "poor polar alignment",
          "The polar axis is off the pole: steady drift (mostly in declination) of unguided frames, or rotation about "
          "the guide star in guided ones."),
    Cause("field-rotation", "mount", "Field rotation", "field rotation",
          "Frames or stars turn about a point: an alt-azimuth mount, or a gross polar error."),
    Cause("declination-backlash", "mount", "Declination backlash", "declination backlash",
          "Declination corrections come late: smear or excursions along declination only, in a part of the night."),
    Cause("guiding-noise", "mount", "Guiding errors", "guiding errors",
          "Random tracking error without a fixed period, in most frames, beyond what the air explains."),
    Cause("differential-flexure", "mount", "Differential flexure", "differential flexure",
          "Guided frames still drift in one direction, which turns slowly with the pointing."),
    Cause("shock", "mount", "Knocks and gusts", "knocks and gusts",
          "A gust, a knock or a snagged cable spoils single frames: double or jagged stars, in any direction."),
    Cause("untracked", "mount", "Not tracked", "a mount that didn't follow the sky",
          "No tracking, or the wrong rate: trails of the sidereal length or a fixed share of it."),
    Cause("defocus", "optics", "Missed focus", "missed focus", "The whole group is out of focus."),
    Cause("focus-drift", "optics", "Focus drift", "drifting focus", "Focus moves steadily with time or temperature."),
    Cause("sensor-tilt", "optics", "Sensor tilt", "a tilted sensor",
          "The FWHM changes in a straight line across the field."),
    Cause("field-curvature", "optics", "Field curvature", "field curvature",
          "The FWHM grows with distance from the centre and stars stretch along or across the radius: the spacing to "
          "the corrector."),
    Cause("coma", "optics", "Coma", "coma",
          "Comet shapes grow with distance from the centre and point along the radius."),
    Cause("miscollimation", "optics", "Poor collimation", "poor collimation",
          "Comet shapes of one size and direction over the whole field."),
    Cause("astigmatism", "optics", "Astigmatism", "astigmatism",
          "One elongation over the whole field, which turns by 90 degrees through focus."),
    Cause("pinched-optics", "optics", "Pinched optics", "pinched optics", "Stars have three lobes."),
    Cause("dew", "optics", "Dew", "dew",
          "FWHM and scatter grow and stars fade steadily while the sky level does not rise to match."),
    Cause("undersampled", "camera", "Undersampling", "undersampling", "Fewer than about two pixels span the FWHM."),
    Cause("oversampled", "camera", "Oversampling", "oversampling",
          "Many more pixels span the FWHM than the detail needs."),
    Cause("saturation", "camera", "Clipped stars", "clipped stars", "Too many of the stars that matter are clipped."),
    Cause("read-noise-limited", "camera", "Read noise", "read noise",
          "Exposures are too short for the sky to bury the read noise."),
    Cause("poor-seeing", "sky", "Poor seeing", "poor seeing",
          "The air, not the equipment, sets the size of the stars."),
    Cause("cloud", "sky", "Cloud", "cloud", "The light of all stars drops together, mostly as the sky level changes."),
    Cause("sky-gradient", "sky", "Sky gradient", "a bright or uneven sky",
          "The sky level is uneven or rises: moon, twilight, town."),
    Cause("low-altitude", "sky", "Low altitude", "low altitude",
          "The target stands low: much air makes stars wide and faint."),
    Cause("trail-crossing", "sky", "Satellites or aircraft", "satellites or aircraft",
          "A satellite or an aircraft crosses the frame."),
)  # fmt: skip

CAUSES: Final[Mapping[str, Cause]] = MappingProxyType({cause.name: cause for cause in _CAUSES})
"""All causes by name, in the order of the families."""
