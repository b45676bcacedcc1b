"""The sky's level and noise over the image."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class SkySummary:
    """The sky of one frame in a few numbers."""

    level_adu: float
    """Median sky level over the image, pedestal included. [ADU]"""
    noise_adu: float
    """Standard deviation of one pixel of blank sky. [ADU]"""
    gradient_percent: float
    """Range of the sky level over the image (5th to 95th percentile of the meshes), stars and small nebulosity
    left out, in per cent of the median level above the lowest; of the level itself if the pedestal is unknown."""
    level_mesh_adu: NDArray[np.float32]
    """Coarse map of the sky level, shape (up to 12, up to 16), rows along y. [ADU]"""
