"""A line of light in a frame: where it runs, and what its pixels make of it."""

import math
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Look = Literal["trail", "flashes", "detector", "spike", "extended", "uneven"]
"""What drew a line, by its own pixels: something that flew, even or blinking; the detector's rows and columns; a bright
star; light too wide for anything that flies; light that wanders, fades or lies in patches."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """A line of light in one frame."""

    x0_px: float
    y0_px: float
    x1_px: float
    y1_px: float
    """Where its light ends, or leaves the frame."""
    fwhm_px: float
    """Width across at half maximum, the pixel's own blur included."""
    reach_px: float
    """How far to either side its light is seen."""
    light_adu_per_px: float
    """Light above the sky on one pixel of its length."""
    light_error_adu_per_px: float
    unevenness: float
    """Scatter of that light from stretch to stretch, against its median. [dimensionless]"""
    open_ends: int
    """Ends that lie within the frame: 0 for a line from edge to edge."""
    look: Look

    @property
    def flown(self) -> bool:
        """Whether its pixels look like the trail of something that flew."""
        return self.look in ("trail", "flashes")

    @property
    def length_px(self) -> float:
        """Length within the frame."""
        return math.hypot(self.x1_px - self.x0_px, self.y1_px - self.y0_px)

    def along_and_across(self, x: NDArray[Any], y: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
        """Distance of points from the first end along the line, and from the line itself. [px]"""
        length = max(self.length_px, 1e-9)
        c, s = (self.x1_px - self.x0_px) / length, (self.y1_px - self.y0_px) / length
        dx, dy = np.asarray(x) - self.x0_px, np.asarray(y) - self.y0_px
        return c * dx + s * dy, c * dy - s * dx

    def moved_by(self, dx_px: float, dy_px: float) -> "Line":
        """The same line elsewhere."""
        return self.moved_to(self.x0_px + dx_px, self.y0_px + dy_px, self.x1_px + dx_px, self.y1_px + dy_px)

    def moved_to(self, x0_px: float, y0_px: float, x1_px: float, y1_px: float) -> "Line":
        """The same line with other ends."""
        return replace(self, x0_px=x0_px, y0_px=y0_px, x1_px=x1_px, y1_px=y1_px)

    def covers(self, x: NDArray[Any], y: NDArray[Any], more_px: float = 0.0) -> NDArray[np.bool_]:
        """Which points lie in its light, or no farther beyond."""
        along, across = self.along_and_across(x, y)
        reach = self.reach_px + more_px
        out: NDArray[np.bool_] = (np.abs(across) <= reach) & (along >= -reach) & (along <= self.length_px + reach)
        return out
