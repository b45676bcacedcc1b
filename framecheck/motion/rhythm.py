"""Rhythm: a period in the positions of unguided frames or in the smear of guided ones, told from wandering."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framecheck.motion.periodogram import FEWEST_FRAMES, Peak, Series, Spectrum, best_sinusoid, series_of
from framecheck.motion.records import Motion
from framecheck.read.exposure import Orientation

Floats = NDArray[np.float64]

SHORTEST_ALIAS_S: Final = 20.0
"""[s] Chosen: drives have no worms that turn faster."""

SMEAR_HARMONICS: Final = (1.0, 2.0)
"""The mount's period over that of the smear."""

WormMatch = Literal["same", "harmonic", "alias", "other"]


def swing_inside(exposure_s: float, period_s: float) -> float:
    """Share of a sinusoid's variance that exposures hold as smear: 1 - sinc²(exposure / period), closed form."""
    return 1 - float(np.sinc(exposure_s / period_s)) ** 2


@dataclass(frozen=True, kw_only=True, slots=True)
class Rhythm:
    """A period that noise, drift and wandering do not explain."""

    period_s: float
    period_error_s: float
    amplitude_px: float | None
    """Half of peak-to-peak, averaging over the exposure undone; None for smear, which is no position."""
    amplitude_error_px: float | None
    seen_share: float
    """Share of the amplitude that averaging over the exposure leaves: |sinc(exposure / period)|."""
    false_alarm_probability: float
    shortest_period_s: float
    """Twice the usual interval between frames; faster rhythms appear under a longer, false period."""
    alias_periods_s: tuple[float, ...]
    """Periods that frames at this interval cannot tell from `period_s`."""
    possible_periods_s: tuple[float, ...]
    """Periods of the mount that explain it, aliases aside: one for positions; for smear, which follows the speed's
    size, the one seen and its double."""
    spectrum: Spectrum | None = None
    """All periods that were tried."""


def find_period(
    minutes: ArrayLike,
    position_px: ArrayLike,
    error_px: ArrayLike,
    exposure_s: float,
    *,
    stretch: Sequence[int] | None = None,
) -> Rhythm | None:
    """Search a period in the positions of unguided frames.

    Parameters
    ----------
    minutes : array_like, shape (n,)
        Middle of each exposure, increasing. [min]
    position_px : array_like, shape (n,)
        Along one direction, best that of right ascension.
    error_px : array_like, shape (n,) or scalar
        Only their ratios count: how large the noise is, the positions say.
    exposure_s : float
        Over which each position is an average.
    stretch : sequence of int, optional
        Number of the stretch between jumps; each has a level of its own.

    Returns
    -------
    Rhythm or None
        None where noise, white or wandering, would show as much once in two hundred nights.

    Notes
    -----
    Lomb-Scargle with levels, drift and its curvature fitted at every frequency, in noise that may be correlated: the
    likelihood of the best sinusoid, the steps and memory of wandering free, against that of none, they free again.
    False-alarm probability for the number of frequencies after R. V. Baluev, MNRAS 385, 1279 (2008), table 1, for least
    squares with a free noise level.
    """
    series = series_of(minutes, position_px, error_px, stretch)
    found = best_sinusoid(series) if series is not None else None
    if series is None or found is None:
        return None
    share = float(abs(np.sinc(exposure_s * found.frequency))) * _averaging(series, found.frequency)
    return _rhythm(series, found, share, is_position=True)


def find_period_in_motion(motion: Motion, exposure_s: float, orientation: Orientation | None) -> Rhythm | None:
    """Search a period in how the stars of one group moved from frame to frame.

    Parameters
    ----------
    motion : Motion
    exposure_s : float
    orientation : Orientation or None
        With it, motion along right ascension is searched, where worms work; without, that along the direction in which
        the stars moved most, drift aside.

    Returns
    -------
    Rhythm or None
    """
    place = np.column_stack([motion.residual_x_px, motion.residual_y_px])
    if len(place) < FEWEST_FRAMES:
        return None
    if orientation is not None:
        axis = np.array([orientation.east.real, orientation.east.imag])
    else:
        axis = np.linalg.svd(place - place.mean(axis=0), full_matrices=False)[2][0]
    return find_period(motion.minutes, place @ axis, 1.0, exposure_s, stretch=motion.stretch)


def find_period_in_smear(
    minutes: ArrayLike, smear_px: ArrayLike, *, stretch: Sequence[int] | None = None
) -> Rhythm | None:
    """Search a period in the smear within each of a night's exposures, guided or not.

    Parameters
    ----------
    minutes : array_like, shape (n,)
        Middle of each exposure, increasing. [min]
    smear_px : array_like, shape (n,)
        Rms of the motion along its main axis.
    stretch : sequence of int, optional

    Returns
    -------
    Rhythm or None
        `possible_periods_s` names two: smear is as large in the drive's fast half as in its slow half, so it goes twice
        as fast as the mount; with a drift beside it, once.

    Notes
    -----
    Searched is the square of the smear, in which (drift + a cos wt)² has no more than these two frequencies.
    """
    smear = np.asarray(smear_px, float)
    series = series_of(minutes, smear**2, 1.0, stretch)
    found = best_sinusoid(series) if series is not None else None
    if series is None or found is None:
        return None
    return _rhythm(series, found, 1.0, is_position=False)


def compare_with_worm(rhythm: Rhythm, worm_period_s: float) -> WormMatch:
    """How the period found is related to that of the worm.

    Parameters
    ----------
    rhythm : Rhythm
    worm_period_s : float
        [s]

    Returns
    -------
    {"same", "harmonic", "alias", "other"}
        Harmonic: half or a third of it, or its double; alias: the cadence cannot tell the two apart.
    """
    allowed = 3 * rhythm.period_error_s / rhythm.period_s + 0.01

    def near(period_s: float, target_s: float) -> bool:
        return abs(period_s / target_s - 1) <= allowed * max(1.0, period_s / rhythm.period_s)

    if any(near(period, worm_period_s) for period in rhythm.possible_periods_s):
        return "same"
    if any(near(rhythm.period_s, worm_period_s * part) for part in (1 / 2, 1 / 3, 2.0)):
        return "harmonic"
    return "alias" if any(near(period, worm_period_s) for period in rhythm.alias_periods_s) else "other"


def aliases(period_s: float, interval_s: float, shortest_s: float = SHORTEST_ALIAS_S) -> tuple[float, ...]:
    """Periods that samples at one interval cannot tell from a period: 1 / |1/P - k/T|, longest first. [s]

    Parameters
    ----------
    period_s : float
        [s]
    interval_s : float
        Between samples. [s]
    shortest_s : float
        Shorter ones are left out. [s]

    Returns
    -------
    tuple of float
        [s]
    """
    most = int(interval_s / shortest_s) + 1
    rates = [abs(1 / period_s + k / interval_s) for k in range(-most, most + 1) if k]
    return tuple(sorted({1 / rate for rate in rates if 0 < rate <= 1 / shortest_s}, reverse=True))


def _rhythm(series: Series, found: Peak, share: float, *, is_position: bool) -> Rhythm:
    period = 1 / found.frequency
    harmonics = (1.0,) if is_position else SMEAR_HARMONICS
    return Rhythm(
        period_s=period,
        period_error_s=found.error * period**2,
        amplitude_px=found.amplitude / share if is_position else None,
        amplitude_error_px=found.amplitude_error / share if is_position else None,
        seen_share=share,
        false_alarm_probability=found.chance,
        shortest_period_s=2 * series.interval_s * series.averaged,
        alias_periods_s=aliases(period, series.interval_s * series.averaged),
        possible_periods_s=tuple(period * times for times in harmonics),
        spectrum=found.spectrum,
    )


def _averaging(series: Series, frequency: float) -> float:
    """Share of an amplitude that the mean of several frames leaves (Dirichlet kernel, closed form)."""
    m, turn = series.averaged, np.pi * frequency * series.interval_s
    return float(abs(np.sin(m * turn) / (m * np.sin(turn)))) if m > 1 else 1.0
