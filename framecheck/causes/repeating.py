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
SAME_PERIOD: Final = 0.1
"""Difference of two periods, over one of them, up to which they are the same. Chosen."""
TURNS_OF_MOVES: Final = (1, 2)
"""Moves in one such period: where smears make two waves in it, every second move ends it."""
FEWEST_LEFT: Final = 4
"""Frames beyond the numbers fitted. Chosen."""
MOST_FRAMES: Final = 300
"""Frames that are looked at, the first of more. Chosen: for the time that it takes, which grows with their square."""


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
    smear, minutes = seen.smear[:MOST_FRAMES], seen.minutes[:MOST_FRAMES]
    axis = np.sum(smear * np.abs(smear))
    along = (smear * np.conj(axis) / max(float(np.abs(axis)), 1e-12)).real
    level = np.linalg.qr(np.column_stack([np.ones(len(along)), minutes - minutes.mean()]))[0]
    off, n = along - level @ (level.T @ along), len(along)
    span, step = float(np.ptp(minutes)), _usual_step(minutes)
    total = float(off @ off)
    if step <= 0 or total <= 0:
        return -math.inf, None
    frequencies = np.arange(FEWEST_CYCLES / span, 0.5 / step, 1 / (OVERSAMPLING * span))
    tried = [(_gain(off / math.sqrt(total), level, minutes * f, harmonics), f)
             for f in frequencies for harmonics in HARMONICS if 2 * len(harmonics) <= n - FEWEST_LEFT]  # fmt: skip
    if not tried:
        return -math.inf, None
    gains = np.array([gain for gain, _ in tried])
    return float(np.logaddexp.reduce(gains)) - math.log(len(gains)), 1 / tried[int(gains.argmax())][1]


def with_the_moves(seen: Seen, period_min: float | None) -> bool:
    """Whether a period is that of the moves of the pointing: then corrections that come late repeat themselves."""
    if period_min is None or seen.moved_every is None:
        return False
    moves = period_min / _usual_step(seen.minutes) / seen.moved_every
    return any(abs(moves / turns - 1) < SAME_PERIOD for turns in TURNS_OF_MOVES)


def _usual_step(minutes: Floats) -> float:
    return float(np.median(np.diff(np.sort(minutes)))) if len(minutes) > 1 else 0.0


def _gain(off: Floats, level: Floats, turns: Floats, harmonics: tuple[int, ...]) -> float:
    """Log of the Bayes factor of sinusoids of one period over a level that changes evenly; `off` has the length 1."""
    phase = 2 * np.pi * np.outer(turns, harmonics)
    waves = np.concatenate([np.cos(phase), np.sin(phase)], axis=1)
    base, size, _ = np.linalg.svd(waves - level @ (level.T @ waves), full_matrices=False)
    base = base[:, size > 1e-6 * size[0]]
    n, p = base.shape
    left = 1 - float(np.sum((base.T @ off) ** 2))
    free = n - level.shape[1]
    return (free - p) / 2 * math.log(1 + n) - free / 2 * math.log(1 + n * max(left, 0.0))
