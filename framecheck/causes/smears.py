"""How smears of a group's frames are distributed if they are calm, knocked, or drawn along one axis.

A smear is a complex number with twice its direction as angle, over the squared FWHM.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.causes.series import Bools, Floats

Complexes = NDArray[np.complex128]

RESTLESS: Final = np.array([0.0, 0.02, 0.05, 0.12, 0.3])
RESTLESS_BELIEVED: Final = np.log([0.4, 0.25, 0.17, 0.11, 0.07])
"""Scatter of each component of all smears by motion in any direction, over the squared FWHM, and how far each is
believed beforehand. [dimensionless] Chosen: healthy mounts show next to none."""

DRAWN: Final = np.array([0.08, 0.2, 0.5, 1.2])
"""Usual sizes of a smear along one axis, over the squared FWHM; each alike beforehand. [dimensionless] Chosen: from
what is just seen to long lines."""

KNOCKED: Final = np.array([0.1, 0.3, 1.0])
WORST: Final = 0.1
"""Share of the frames, the worst, by which a cause that spoils some of them is judged. Chosen."""

KNOCKS: Final = 0.08
"""The same of a knock in any direction, and the share of the frames that knocks hit. [dimensionless] Chosen."""

ACROSS: Final = 0.1
"""Smear aside of its axis, over the usual smear along it. [dimensionless] Chosen: directions are known to 3 degrees."""

AXES_KNOWN: Final = np.radians([-20.0, -10.0, 0.0, 10.0, 20.0])
"""[radian] Twice the angle by which an axis may differ from where it is taken to lie. Chosen."""

DIRECTIONS: Final = 16
"""Directions that are alike beforehand where no axis is known; each of two guesses has half of the weight. Chosen."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Seen:
    """Smears of a group's frames; arrays of shape (n,)."""

    smear: Complexes
    """Over the squared FWHM; counted from right ascension if that is known."""
    error: Floats
    minutes: Floats
    after_move: Bools
    """Frames before which the pointing was moved."""
    from_drift: Complexes
    """What the drift between frames makes of each, as far as it is seen; 0 without one."""
    from_speed: Complexes | None
    """What the speed between each frame and its neighbours makes of it; None if it is not known everywhere."""
    ra_known: bool
    moved_every: int | None
    """Frames from one move of the pointing to the next, where that is always the same, and more than one."""
    width: Floats
    """FWHM."""


def log_normal(off: Floats, variance: Floats) -> Floats:
    """Log of the normal density."""
    return np.asarray(-0.5 * off**2 / variance - 0.5 * np.log(2 * np.pi * variance))


def restless(seen: Seen) -> Floats:
    """Variance of each component of each smear, (q, n): errors, and motion in any direction."""
    return np.asarray(seen.error**2 + RESTLESS[:, None] ** 2)


def log_calm(seen: Seen) -> Floats:
    """Log density of smears in any direction; (q, n)."""
    variance = restless(seen)
    return log_normal(seen.smear.real, variance) + log_normal(seen.smear.imag, variance)


def with_knocks(log: Floats, seen: Seen) -> Floats:
    """Log density where some frames were knocked; the last two axes those of `restless`, whatever lies before."""
    wide = restless(seen) + KNOCKED[:, None, None] ** 2
    each = log_normal(seen.smear.real, wide) + log_normal(seen.smear.imag, wide)
    knocked = np.logaddexp.reduce(each, axis=0) - math.log(len(KNOCKED))
    return np.logaddexp(math.log(1 - KNOCKS) + log, math.log(KNOCKS) + knocked)


def over_all(log: Floats, axes: Floats | None = None) -> float:
    """Log evidence: over all that is left open, q along the last axis; `axes` is the chance of each of the first."""
    believed = log + RESTLESS_BELIEVED
    if axes is not None:
        believed = believed + np.log(axes).reshape(-1, *[1] * (log.ndim - 1))
    alike = math.prod(log.shape[(0 if axes is None else 1) : -1])
    return float(np.logaddexp.reduce(believed, axis=None) - math.log(max(alike, 1)))


def at_least_one(log: Floats, none: Floats) -> Floats:
    """Log density of a mixture less that of its case in which nothing happened."""
    return np.asarray(log + np.log(-np.expm1(np.minimum(none - log, -1e-12))))


def gear_axes(seen: Seen) -> tuple[Floats, Floats]:
    """Directions along which gears move stars, as twice an angle, and the chance of each. [radian]"""
    if seen.ra_known:
        return AXES_KNOWN, np.full(len(AXES_KNOWN), 1 / len(AXES_KNOWN))
    return likely_axes(seen)


def late_axes(seen: Seen) -> tuple[Floats, Floats]:
    """The same of late corrections: across right ascension."""
    axes, chance = gear_axes(seen)
    return (axes + np.pi, chance) if seen.ra_known else (axes, chance)


def likely_axes(seen: Seen) -> tuple[Floats, Floats]:
    """Directions beside those of the usual and of the larger smears; all others have next to no share."""
    main = [np.angle(np.sum(seen.smear * np.abs(seen.smear) ** power)) for power in (0, 1)]
    axes = np.concatenate([one + AXES_KNOWN for one in main])
    return axes, np.full(len(axes), 0.5 / DIRECTIONS)


def along_axes(seen: Seen, axes: Floats) -> Complexes:
    """Smears counted from each axis; (axes, n)."""
    return np.asarray(seen.smear * np.exp(-1j * axes)[:, None])


def drawn_along(seen: Seen, axes: Floats) -> Floats:
    """Log density of smears along an axis, half normal in size; (axes, sizes + 1, q, n).

    The last is where each frame has a size of its own.
    """
    from scipy.special import log_ndtr

    along, variance = along_axes(seen, axes)[:, None, None, :], restless(seen)
    size2 = DRAWN[:, None, None] ** 2
    both = variance + size2
    one_sided = math.log(2) + log_normal(along.real, both) + log_ndtr(along.real * np.sqrt(size2 / variance / both))
    each = one_sided + log_normal(along.imag, variance + ACROSS**2 * size2)
    own = np.logaddexp.reduce(each, axis=1, keepdims=True) - math.log(len(DRAWN))
    return np.concatenate([each, own], axis=1)
