"""Motion between exposures, as a record."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, kw_only=True, slots=True)
class Motion:
    """How the stars moved over the sensor between exposures, dithers and flips taken out.

    In pixels along the reference frame's x and y, which a pier flip or a turning field do not change. The pointing
    moves the other way over the sky: `motion.drift.drift_on_sky`.
    """

    drift_x_px_per_min: float | None
    """Of the stars in the image. None with fewer than three registered frames of known time."""
    drift_y_px_per_min: float | None
    drift_error_px_per_min: float | None
    """Standard error of each of the two drifts."""
    rotation_deg_per_hour: float | None
    """Of the stars in the image, counter-clockwise from +x towards +y."""
    rotation_error_deg_per_hour: float | None
    dithered: bool
    """True if the pointing was moved on purpose between exposures."""
    frames: tuple[int, ...] = ()
    """Indices in `Night.frames` of the frames that the figures rest on, in order of time."""
    minutes: tuple[float, ...] = ()
    """Middle of the exposure of each of `frames`, after that of the first. [min]"""
    residual_x_px: tuple[float, ...] = ()
    """Position of the stars in each of `frames`, drift and jumps taken out: what a period is searched in."""
    residual_y_px: tuple[float, ...] = ()
    stretch: tuple[int, ...] = ()
    """Number of the stretch between jumps that each of `frames` belongs to; each stretch has its own mean."""
    jumps: tuple[int, ...] = ()
    """Indices in `Night.frames` of frames before which the pointing jumped: dithers, flips, new pointings."""

    @property
    def drift_px_per_min(self) -> complex | None:
        """Of the stars in the image, x + iy; None where it is unknown."""
        x, y = self.drift_x_px_per_min, self.drift_y_px_per_min
        return None if x is None or y is None else complex(x, y)

    @property
    def residual_px(self) -> NDArray[np.complex128]:
        """Position of the stars in each of `frames`, drift and jumps taken out, x + iy; shape (n,)."""
        return np.array(self.residual_x_px) + 1j * np.array(self.residual_y_px)

    @property
    def place_px(self) -> NDArray[np.complex128]:
        """The same with the drift left in, as far as it is known."""
        return self.residual_px + (self.drift_px_per_min or 0) * np.array(self.minutes)
