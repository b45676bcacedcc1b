"""Field: how size and shape vary over the sensor."""

from framecheck.field.result import FrameFailure, FrameResult, FrameShape, StackedStar
from framecheck.field.shape import frame_shape, stacked_star

__all__ = ["FrameFailure", "FrameResult", "FrameShape", "StackedStar", "frame_shape", "stacked_star"]
