"""Smears that repeat themselves: what a gear does inside exposures, guided or not, where moves hide it between them."""

import math
from typing import Final

import numpy as np

from framecheck.causes.series import Floats
from framecheck.causes.smears import Seen

FEWEST_CYCLES: Final = 2.0
"""Turns that the frames must span. Chosen: what comes once or so is told from nothing that wanders."""
OVERSAMPLING: Final = 4
"""Frequencies tried in the width of a peak, 1 / span. Common practice."""
HARMONICS: Final = ((1,), (1, 2))
"""A squared swing is one sinusoid; a gear with a second error, or long exposures, make two of it. Closed form."""
FEWEST_LEFT: Final = 4
"""Frames beyond the numbers fitted. Chosen."""


def repeats(seen: Seen) -> tuple[float, float | None]:
    """How much likelier smears are if they repeat themselves with a period than if they come as they will.

    Parameters
    ----------
    seen : Seen

    Returns
    -------
    log_odds : float
        Natural logarithm of the Bayes factor, over all periods of which the frames span two turns or more.
    period_min : float or None
        The likeliest. [min]

    Notes
    -----
    Sinusoids by least squares, with Zellner's prior of one observation's worth (F. Liang et al., J. Am. Stat. Assoc.
    103, 410 (2008), eq. 6 with g = n; from memory).
    """
    axis = np.sum(seen.smear * np.abs(seen.smear))
    along = (seen.smear * np.conj(axis) / max(float(np.abs(axis)), 1e-12)).real
    off, n = along - along.mean(), len(along)
    steps = np.diff(np.sort(seen.minutes))
    span, step = float(np.ptp(seen.minutes)), float(np.median(steps)) if len(steps) else 0.0
    total = float(off @ off)
    if step <= 0 or total <= 0:
        return -math.inf, None
    frequencies = np.arange(FEWEST_CYCLES / span, 0.5 / step, 1 / (OVERSAMPLING * span))
    tried = [(_gain(off / math.sqrt(total), seen.minutes * f, harmonics), f)
             for f in frequencies for harmonics in HARMONICS if 2 * len(harmonics) <= n - FEWEST_LEFT]  # fmt: skip
    if not tried:
        return -math.inf, None
    gains = np.array([gain for gain, _ in tried])
    return float(np.logaddexp.reduce(gains)) - math.log(len(gains)), 1 / tried[int(gains.argmax())][1]


def _gain(off: Floats, turns: Floats, harmonics: tuple[int, ...]) -> float:
    """Log of the Bayes factor of sinusoids of one period over a level; `off` has the length 1 and the mean 0."""
    phase = 2 * np.pi * np.outer(turns, harmonics)
    waves = np.concatenate([np.cos(phase), np.sin(phase)], axis=1)
    base, size, _ = np.linalg.svd(waves - waves.mean(axis=0), full_matrices=False)
    base = base[:, size > 1e-6 * size[0]]
    n, p = base.shape
    left = 1 - float(np.sum((base.T @ off) ** 2))
    return (n - 1 - p) / 2 * math.log(1 + n) - (n - 1) / 2 * math.log(1 + n * max(left, 0.0))
