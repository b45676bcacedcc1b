"""Causes in the camera, a row each."""

from typing import Final

from framecheck.causes.cause import Cause, Fix

CAMERA: Final = (
    Cause(
        name="undersampled",
        family="camera",
        title="Undersampling",
        culprit="undersampling",
        meaning="Fewer than about two pixels span the FWHM.",
        fixes=(
            Fix("Dither between exposures, and stack many frames on a finer grid."),
            Fix("Undo binning.", needs="binning"),
            Fix("Accept it where a wide field is the aim."),
            Fix("Use a longer focal length or smaller pixels."),
        ),
        pictures=("mean star",),
    ),
    Cause(
        name="oversampled",
        family="camera",
        title="Oversampling",
        culprit="oversampling",
        meaning="Many more pixels span the FWHM than the detail needs.",
        fixes=(
            Fix("Bin the pixels, in the camera or afterwards."),
            Fix("Expose longer, so that read noise counts for less."),
            Fix("Use a focal reducer or larger pixels."),
        ),
        pictures=("mean star",),
    ),
    Cause(
        name="saturation",
        family="camera",
        title="Clipped stars",
        culprit="clipped stars",
        meaning="Too many of the stars that matter are clipped.",
        fixes=(
            Fix("Shorten the exposures, as far as the sky still buries the read noise."),
            Fix("Lower the camera's gain setting."),
            Fix("Add a set of short exposures for the bright stars."),
        ),
        pictures=("mean star",),
    ),
    Cause(
        name="read-noise-limited",
        family="camera",
        title="Read noise",
        culprit="read noise",
        meaning="Exposures are too short for the sky to bury the read noise.",
        fixes=(
            Fix("Expose longer, as far as tracking and bright stars allow."),
            Fix("Raise the camera's gain setting, where that lowers its read noise."),
            Fix("Bin, where the camera adds up charge before it is read."),
        ),
    ),
)
