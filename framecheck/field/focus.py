"""A night that passes through focus: how far each frame is from it, and what of the field follows that."""

from math import sqrt
from typing import Final

import numpy as np

from framecheck import robust
from framecheck.constants import SURE_SIGMA
from framecheck.field.records import WithError, calm_root
from framecheck.field.sample import FieldSample, Floats

FEWEST_THROUGH_FOCUS: Final = 8
"""Frames. Chosen: a parabola and a slope, each from a few."""

DEEP_FOCUS: Final = 0.3
"""Growth of the squared FWHM on the way out of focus, half of the sequence from its best, over the best.
[dimensionless] Chosen: the end of the sequence at 1.5 times the best FWHM; air does it only from 60 degrees off
the zenith over the meridian and back."""


def focus_phase(sample: FieldSample) -> Floats | None:
    """Signed distance from focus of each frame, the root of the squared width beyond the best; shape (n_frames,). [px]

    None unless the sizes fall to a least value and rise again smoothly, as only a passage through focus makes them.
    """
    size = sample.square[np.flatnonzero(np.diff(sample.frame, prepend=-1))]
    if len(size) < FEWEST_THROUGH_FOCUS:
        return None
    at = np.linspace(-1, 1, len(size))
    square, slope, level = np.polyfit(at, size, 2)
    if square <= 0 or abs(slope) > square:  # the least size lies in the middle half of the frames, or beyond
        return None
    vertex, least = -slope / (2 * square), level - slope**2 / (4 * square)
    left = size - np.polyval([square, slope, level], at)
    if least <= 0 or left.var() > 0.2 * size.var() or square / 4 < DEEP_FOCUS * least:
        return None
    phase: Floats = np.sign(at - vertex) * np.sqrt(np.maximum(size - least, 0))
    return phase


def without_focus(values: Floats, error: Floats, focus: Floats | None) -> tuple[Floats, WithError | None]:
    """Frames' terms less what is in proportion to the distance from focus, and its size at the typical distance.

    Terms of each frame, shape (n_frames, n), in any unit, with the error of each, shape (n_frames,).
    """
    if focus is None:
        return values, None
    beyond = [
        robust.mean_with_scatter(column - np.polyval(np.polyfit(focus, column, 1), focus), error)[2]
        for column in values.T
    ]
    weight = 1 / (error**2 + np.mean(beyond))
    offset = focus - np.average(focus, weights=weight)
    normal = float(np.sum(weight * offset**2))
    slope = (weight * offset) @ values / normal
    typical = float(np.sqrt(np.mean(focus**2)))
    size = calm_root(float(np.hypot.reduce(slope)) * typical, typical / sqrt(normal), 1, len(slope))
    if size.value < SURE_SIGMA * size.error:
        return values, size
    return values - np.outer(focus, slope), size
