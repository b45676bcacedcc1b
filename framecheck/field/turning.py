"""Frames that turn about a point: a tangential smear that changes from one frame to the next."""

from dataclasses import dataclass
from math import sqrt
from typing import Final

import numpy as np

from framecheck import robust
from framecheck.constants import SURE_SIGMA
from framecheck.field.focus import without_focus
from framecheck.field.records import WithError
from framecheck.field.sample import Floats
from framecheck.field.terms import Terms

LEAST_ROTATED: Final = 0.9
"""The tenth of the frames that turn least is taken as not turning. Chosen: not the very least, which noise makes."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Turning:
    """Tangential smear of each frame beyond that of the least turning ones. [px²]"""

    each: Floats
    """At the corner's distance, >= 0 but for noise, shape (n_frames,)."""
    calm: Floats
    """The same, drawn towards the mean as far as noise makes it scatter."""
    error: Floats
    """Of each."""
    fixed: WithError
    """What all frames have alike."""
    seen: bool


def split_rotation(terms: Terms, focus: Floats | None) -> Turning:
    """What of the frames' coefficients of z² is fixed, and what is rotation; a part that follows focus is taken off."""
    value, error = terms.frame[:, 2], np.sqrt(terms.frame_covariance[:, 2, 2])
    value = without_focus(value[:, None], error, focus)[0][:, 0]
    mean, mean_error, beyond = robust.mean_with_scatter(value, error)
    mean_error = max(mean_error, float(terms.mean_error[2]))
    steady = np.sum(value / error**2) / np.sum(1 / error**2)
    chi2, n = float(np.sum(((value - steady) / error) ** 2)), len(value) - 1
    if chi2 < n + SURE_SIGMA * sqrt(2 * max(n, 1)):
        return Turning(
            each=mean - value,
            calm=np.zeros(len(value)),
            error=error,
            fixed=WithError(value=mean, error=mean_error),
            seen=False,
        )
    # Noise is taken out of the scatter before the least turning frames are sought, or it would choose them.
    calm = mean + beyond / (beyond + error**2) * (value - mean)
    least = float(np.quantile(calm, LEAST_ROTATED))
    for _ in range(4):
        still = value > least - robust.PULL * error
        least = float(np.average(value[still], weights=error[still] ** -2)) if still.any() else least
    least_error = 1 / sqrt(float(np.sum(error[still] ** -2))) if still.any() else float(np.median(error))
    least_error = max(least_error, float(terms.mean_error[2]))
    return Turning(
        each=least - value,
        calm=least - calm,
        error=np.hypot(error, least_error),
        fixed=WithError(value=least, error=least_error),
        seen=True,
    )
