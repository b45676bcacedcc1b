"""Field: how size and shape vary over the sensor."""

from framecheck.field.pattern import SizePattern, size_pattern
from framecheck.field.result import FrameFailure, FrameResult, FrameShape, StackedStar
from framecheck.field.sampling import SamplingVerdict, diffraction_fwhm_arcsec, judge_sampling
from framecheck.field.shape import frame_shape, stacked_star

__all__ = [
    "FrameFailure",
    "FrameResult",
    "FrameShape",
    "SamplingVerdict",
    "SizePattern",
    "StackedStar",
    "diffraction_fwhm_arcsec",
    "frame_shape",
    "judge_sampling",
    "size_pattern",
    "stacked_star",
]
