"""How star size changes over the sensor, common to all frames of a night."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust
from framecheck.field.result import FrameResult

FEWEST_STARS: Final = 60
"""Stars, all frames together, that the pattern needs. Chosen: four coefficients, each from fifteen stars."""

FEWEST_A_SIDE: Final = 6
"""Stars that each quarter of the sensor must hold. Chosen: without them one side's size is a guess."""


@dataclass(frozen=True, kw_only=True, slots=True)
class SizePattern:
    """Change of the FWHM over the sensor, in per cent of the mean."""

    tilt_x_percent: float
    """From the left edge to the right, as a straight line."""
    tilt_y_percent: float
    """From the first row's edge to the last's, as a straight line."""
    curvature_percent: float
    """Corners over centre, as a parabola."""
    n_stars: int


def size_pattern(results: Sequence[FrameResult]) -> SizePattern | None:
    """Fit a plane and a parabola to the sizes of all good stars of frames from one camera.

    Each star's ln(FWHM) is held against its own frame's mean, so that seeing and focus, which change from frame to
    frame, drop out; what is left is fixed to the sensor. Fitted robustly (Huber weights), each star weighing by its
    error.

    Parameters
    ----------
    results : sequence of FrameResult
        Of one camera, in any order.

    Returns
    -------
    SizePattern or None
        None if the stars are too few or leave a quarter of the sensor empty.
    """
    parts = [_star_deviations(result) for result in results if result.shape is not None]
    if not parts:
        return None
    x, y, deviation, error = np.concatenate(parts, axis=1)
    quarters = np.bincount((x > 0).astype(int) + 2 * (y > 0).astype(int), minlength=4)
    if len(x) < FEWEST_STARS or quarters.min() < FEWEST_A_SIDE:
        return None
    basis = np.stack([np.ones_like(x), x, y, (x**2 + y**2) / 2])
    scale = 100 * robust.huber_fit(basis, deviation, error)[0]
    return SizePattern(
        tilt_x_percent=float(2 * scale[1]),
        tilt_y_percent=float(2 * scale[2]),
        curvature_percent=float(scale[3]),
        n_stars=len(x),
    )


def _star_deviations(result: FrameResult) -> NDArray[np.float64]:
    """Place of each good star (-1 to 1 along each side), its ln(FWHM) less its frame's, and the error; shape (4, n)."""
    good = result.stars.good
    shape = result.shape
    assert shape is not None
    width, height = result.exposure.width_px, result.exposure.height_px
    return np.stack(
        [
            2 * good["x"] / max(width - 1, 1) - 1,
            2 * good["y"] / max(height - 1, 1) - 1,
            np.log(good["fwhm_px"]) - np.log(shape.fwhm_px),
            np.maximum(good["fwhm_error_px"] / good["fwhm_px"], 1e-3),
        ]
    ).astype(float)
