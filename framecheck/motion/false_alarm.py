"""False alarms: how often noise alone looks like a rhythm."""

import numpy as np


def false_alarm(gain: float, n_free: int, n_frequencies: float) -> float:
    """Chance that noise gains so much likelihood from the best of many sinusoids.

    Parameters
    ----------
    gain : float
        In log-likelihood.
    n_free : int
        Frames less the terms fitted without a sinusoid.
    n_frequencies : float
        Baluev's W: (f_max - f_min) sqrt(4 pi var(t)).

    Returns
    -------
    float
        1 - (1 - p) exp(-W p sqrt(ln-likelihood)), p that of one frequency.
    """
    left = np.exp(-2 * max(gain, 0.0) / n_free)  # share of the squares that stays
    single = left ** ((n_free - 2) / 2)
    many = n_frequencies * left ** ((n_free - 3) / 2) * np.sqrt((1 - left) * n_free / 2)
    return float(-np.expm1(np.log1p(-min(single, 1 - 1e-16)) - many))  # exact where the chance is tiny


def gain_by_chance(n_free: int, n_frequencies: float, chance: float) -> float:
    """The gain whose false-alarm probability is `chance`: it falls with the gain, so halving finds it.

    Parameters
    ----------
    n_free : int
        Values less the terms of the plain fit.
    n_frequencies : float
        Independent ones that were tried.
    chance : float
        Of so high a gain without any period. [dimensionless]

    Returns
    -------
    float
        Part of the variance that the period takes. [dimensionless]
    """
    low, high = 0.0, 1.0
    while false_alarm(high, n_free, n_frequencies) > chance:
        low, high = high, 2 * high
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if false_alarm(middle, n_free, n_frequencies) > chance else (low, middle)
    return high
