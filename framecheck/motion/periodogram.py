"""A periodogram in noise that may be correlated: the best sinusoid of a series, told from drift and wandering."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framecheck.motion.false_alarm import false_alarm, gain_by_chance

Floats = NDArray[np.float64]

FALSE_ALARM: Final = 0.005
"""Largest chance of so strong a rhythm in noise, white or wandering, with which it is claimed. Chosen."""

FEWEST_FRAMES: Final = 14
"""Chosen: a sinusoid, a curved drift and a level take six numbers."""

FEWEST_CYCLES: Final = 2.0
"""Cycles that the frames must span. Chosen: fewer are not told from a drift that turns round."""

LONGEST_GAP_S: Final = 4 * 3600.0
"""Frames further apart are of two sessions. [s] Chosen: a mount was parked in between, and its worm stands elsewhere;
and a clock that was set in the night makes no session of years."""

OVERSAMPLING: Final = 5
"""Frequencies tried in the width of a peak, 1 / span. Common practice."""

MOST_POINTS: Final = 256
"""Chosen: more frames than that are averaged in time, so that the search stays below a second."""

WANDERING_STEPS: Final = (0.1, 0.4, 2.0, 50.0)
"""Variance of a wandering's new step from frame to frame, over that of the white noise. Chosen."""

MEMORY_INTERVALS: Final = (0.7, 2.0, 5.0, 11.0, 30.0, 100.0)
"""Times over which wandering forgets, in usual intervals between frames; the last is a random walk. Chosen."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Spectrum:
    """How well a sinusoid of each period explains a series, against none."""

    period_s: Floats
    """Shape (n,), the longest first."""
    gain: Floats
    """Shape (n,): natural logarithm of the likelihood with the sinusoid over that without, in the noise that suits
    each best."""
    gain_by_chance: float
    """What the best of all periods gains in noise, white or wandering, in one night of `1 / FALSE_ALARM`."""


@dataclass(frozen=True, slots=True)
class Series:
    """Values in time, with what is fitted beside the rhythm."""

    seconds: Floats
    value: Floats
    variance: Floats
    """Relative; mean 1."""
    baseline: Floats
    """Shape (n, n_terms): level of each stretch, drift and its curvature."""
    interval_s: float
    """Usual time between two frames, before averaging."""
    averaged: int
    """Frames in one point."""


@dataclass(frozen=True, slots=True)
class Peak:
    """The best sinusoid of a series."""

    frequency: float
    error: float
    """Of the frequency. [1/s]"""
    amplitude: float
    amplitude_error: float
    chance: float
    spectrum: Spectrum


def series_of(minutes: ArrayLike, value: ArrayLike, error: ArrayLike, stretch: Sequence[int] | None) -> Series | None:
    """The series to be searched; None if there are too few frames."""
    t, y = np.asarray(minutes, float) * 60, np.asarray(value, float)
    e = np.broadcast_to(np.asarray(error, float), y.shape)
    label = np.zeros(len(y), int) if stretch is None else np.asarray(stretch, int)
    good = np.isfinite(t) & np.isfinite(y) & np.isfinite(e) & (e > 0)
    t, y, e, label = (column[good][_longest_session(t[good])] for column in (t, y, e, label))
    if len(t) < FEWEST_FRAMES or np.ptp(t) <= 0:
        return None
    interval, each = float(np.median(np.diff(t))), -(-len(t) // MOST_POINTS)
    if interval <= 0:
        return None
    if each > 1:
        t, y, e, label = _average(t, y, e, label, each)
    _, label = np.unique(label, return_inverse=True)
    x = 2 * (t - t.min()) / np.ptp(t) - 1
    baseline = np.column_stack([np.eye(label.max() + 1)[label], x, x**2])
    if len(t) < baseline.shape[1] + FEWEST_FRAMES - 3 or np.ptp(y) <= 0:
        return None
    return Series(t - t.mean(), y, e**2 / np.mean(e**2), baseline, interval, each)


def _longest_session(t: Floats) -> slice:
    """The frames between two long gaps, as many as there are: from one night to another no phase is kept."""
    ends = [0, *(np.flatnonzero(np.diff(t) > LONGEST_GAP_S) + 1), len(t)]
    return max((slice(a, b) for a, b in pairwise(ends)), key=lambda part: part.stop - part.start)


def _average(
    t: Floats, y: Floats, e: Floats, label: NDArray[np.intp], each: int
) -> tuple[Floats, Floats, Floats, NDArray[np.intp]]:
    """Means of `each` neighbouring frames of a stretch."""
    start = np.flatnonzero(np.r_[True, label[1:] != label[:-1]])
    within = np.arange(len(t)) - np.repeat(start, np.diff(np.r_[start, len(t)]))
    cut = np.flatnonzero(within % each == 0)
    n = np.diff(np.r_[cut, len(t)])
    means = [np.add.reduceat(v, cut) / n for v in (t, y, e**2)]
    return means[0], means[1], np.sqrt(means[2] / n), label[cut]


def best_sinusoid(series: Series) -> Peak | None:
    """The best sinusoid; None if it is no rhythm."""
    t, span = series.seconds, float(np.ptp(series.seconds))
    low, high = FEWEST_CYCLES / span, 1 / (2 * series.interval_s * series.averaged)
    if high <= low * 1.2:
        return None
    frequency = np.arange(low, high, 1 / (OVERSAMPLING * span))
    noises = _noises(series)
    nothing = max(noise.without for noise in noises)
    curves = np.array([noise.with_rhythm(t, frequency) for noise in noises])
    which, peak = np.unravel_index(int(curves.argmax()), curves.shape)
    if peak == 0:
        return None  # still rising towards slower changes: a drift
    noise = noises[which]
    fine, error = _refine(noise, t, float(frequency[peak]), 1 / (OVERSAMPLING * span))
    if high - fine < 1 / span:
        return None  # one frame here, the next one there: corrections go to and fro as well, and faster gears
    gain = float(noise.with_rhythm(t, np.array([fine]))[0]) - nothing
    tried = (high - low) * np.sqrt(4 * np.pi) * float(np.std(t))  # Baluev's W
    chance = false_alarm(gain, noise.n_free, tried)
    if chance > FALSE_ALARM:
        return None
    spectrum = Spectrum(
        period_s=1 / frequency,
        gain=curves.max(axis=0) - nothing,
        gain_by_chance=gain_by_chance(noise.n_free, tried, FALSE_ALARM),
    )
    return Peak(fine, error, *noise.amplitude(t, fine), chance, spectrum)


@dataclass(frozen=True, slots=True)
class _Noise:
    """One kind of noise, white or wandering, and how well it explains the series alone and with a sinusoid."""

    whiten: Floats
    """Shape (n, n): makes the noise white, and the baseline nothing."""
    value: Floats
    """Whitened, baseline out."""
    n_free: int
    """Points less terms of the baseline."""
    log_determinant: float

    @property
    def without(self) -> float:
        """Log-likelihood without a rhythm, the noise's size free."""
        return float(self._likelihood(self.value @ self.value))

    def _likelihood(self, squares: ArrayLike) -> Floats:
        return -self.n_free / 2 * np.log(squares) - self.log_determinant / 2

    def with_rhythm(self, t: Floats, frequency: Floats) -> Floats:
        """Log-likelihood with the best sinusoid of each frequency."""
        c, s, determinant = self._waves(t, frequency)
        a, b = self.value @ c, self.value @ s
        explained = (a**2 * (s * s).sum(0) + b**2 * (c * c).sum(0) - 2 * a * b * (c * s).sum(0)) / determinant
        squares = self.value @ self.value
        return self._likelihood(np.maximum(squares - explained, 1e-12 * squares))

    def _waves(self, t: Floats, frequency: Floats) -> tuple[Floats, Floats, Floats]:
        phase = 2 * np.pi * np.outer(t, frequency)
        c, s = self.whiten @ np.cos(phase), self.whiten @ np.sin(phase)
        cc, ss = (c * c).sum(0), (s * s).sum(0)
        return c, s, np.maximum(cc * ss - (c * s).sum(0) ** 2, 1e-9 * cc * ss + 1e-300)

    def amplitude(self, t: Floats, frequency: float) -> tuple[float, float]:
        """Of the sinusoid, and its error."""
        c, s, _ = self._waves(t, np.array([frequency]))
        waves = np.hstack([c, s])
        normal = np.linalg.inv(waves.T @ waves)
        part = normal @ waves.T @ self.value
        rest = self.value - waves @ part
        variance = float(rest @ rest) / (self.n_free - 2)
        size = float(np.hypot(*part))
        return size, float(np.sqrt(variance * (part @ normal @ part))) / size


def _noises(series: Series) -> list[_Noise]:
    """White noise, and wandering of several steps and memories (Ornstein-Uhlenbeck)."""
    lag = np.abs(series.seconds[:, None] - series.seconds) / (series.interval_s * series.averaged)
    n_free = len(lag) - series.baseline.shape[1]
    kinds = [(0.0, 1.0)] + [(step, memory) for step in WANDERING_STEPS for memory in MEMORY_INTERVALS]
    out = []
    for step, memory in kinds:
        covariance = np.diag(series.variance) + step / (1 - np.exp(-2 / memory)) * np.exp(-lag / memory)
        lower = np.linalg.cholesky(covariance)
        whiten = np.linalg.inv(lower)
        basis, triangle = np.linalg.qr(whiten @ series.baseline)
        whiten = whiten - basis @ (basis.T @ whiten)
        # the last term is that of restricted likelihood: the baseline is not free of charge
        log_determinant = 2 * np.log(np.diag(lower)).sum() + 2 * np.log(np.abs(np.diag(triangle))).sum()
        out.append(_Noise(whiten, whiten @ series.value, n_free, float(log_determinant)))
    return out


def _refine(noise: _Noise, t: Floats, frequency: float, step: float) -> tuple[float, float]:
    """Top of a peak, and its standard error from the curvature there."""
    near = frequency + step * np.linspace(-1.5, 1.5, 61)
    curve = noise.with_rhythm(t, near)
    top = int(np.clip(curve.argmax(), 3, len(near) - 4))
    x = (near[top - 3 : top + 4] - near[top]) / step
    bend, slope, _ = np.polyfit(x, curve[top - 3 : top + 4], 2)
    if bend >= 0:
        return frequency, step
    shift = float(np.clip(-slope / (2 * bend), -0.15, 0.15))
    return float(near[top]) + shift * step, step / float(np.sqrt(-2 * bend))
