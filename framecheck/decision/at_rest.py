"""Stars at rest: what each frame's stars would be like had nothing moved them."""

from dataclasses import dataclass
from functools import lru_cache
from math import log, sqrt
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from framecheck import shear
from framecheck.motion.night import Night
from framecheck.motion.smear import LEAST_BETA, MOST_BETA, PLAIN_LINE
from framecheck.motion.tracking import Tracking

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Kernel = Literal["along", "line", "round"]

LARGEST: Final = 40.0
"""Rms of the motion, in widths of the star at rest, up to which the tables go. Chosen: nothing is seen of the star
itself in a longer trail."""


@dataclass(frozen=True, slots=True)
class MovedStars:
    """What a motion makes of a round Moffat star of width 1 at half maximum; arrays rise with the motion."""

    rms: Floats
    """Of the motion, along its axis; on each axis for round motion."""
    along: Floats
    """Full width at half maximum along it."""
    across: Floats

    @property
    def fwhm(self) -> Floats:
        """Geometric mean of the axes."""
        out: Floats = np.sqrt(self.along * self.across)
        return out


@lru_cache(maxsize=64)
def moved_star(beta: float, kernel: Kernel) -> MovedStars:
    """Half-maximum axes of a Moffat star under motions of all sizes.

    Parameters
    ----------
    beta : float
        Its wings; infinite, or beyond 30, is a Gaussian.
    kernel : {"along", "line", "round"}
        Gaussian motion along one axis, even motion along a line, or Gaussian motion alike on both axes.

    Notes
    -----
    The Moffat function is a mixture of Gaussians, its variances distributed as an inverse gamma, and Gaussians add:
    every profile is a sum of closed forms. No widths are added in quadrature.
    """
    rms = np.concatenate([[0.0], np.geomspace(0.01, LARGEST, 48 if kernel == "line" else 120)])
    variance, weight = _gaussians(min(max(beta, LEAST_BETA), MOST_BETA))
    added = np.zeros((2, len(rms), 1))
    if kernel != "line":
        added[0, :, 0] = rms**2
    if kernel == "round":
        added[1, :, 0] = rms**2
    lines = sqrt(12) * rms[:, None] if kernel == "line" else None
    wide, high = variance + added[0], variance + added[1]
    return MovedStars(
        rms, _half_maximum(weight * variance / np.sqrt(high), wide, lines),
        _half_maximum(weight * variance / np.sqrt(wide) * _centre_of_line(lines, wide), high, None),
    )  # fmt: skip


def _gaussians(beta: float) -> tuple[Floats, Floats]:
    """Variances and heights of the Gaussians that make a Moffat function of FWHM 1; one alone for large beta."""
    if beta >= MOST_BETA:
        return np.array([1 / (8 * log(2))]), np.ones(1)
    u = np.linspace(log(beta) - 12 / sqrt(beta), log(beta) + 6 / sqrt(beta), 81)
    height = np.exp(beta * (u - log(beta)) - np.exp(u) + beta)
    return 1 / (8 * (2 ** (1 / beta) - 1) * np.exp(u)), height / height.sum()


def _centre_of_line(lines: Floats | None, variance: Floats) -> Floats:
    """Light that a Gaussian moved along a line leaves at its middle, times the width that the caller divides by."""
    if lines is None:
        return np.ones((1, 1))
    x = lines / np.sqrt(variance)
    whole = 2 * _normal(x / 2) - 1
    return np.where(x > 1e-6, whole * sqrt(2 * np.pi) / np.maximum(x, 1e-6), 1.0)


def _half_maximum(share: Floats, variance: Floats, lines: Floats | None) -> Floats:
    """Full width at half maximum of sums of Gaussians, each row one star, some moved along a line."""
    share = np.broadcast_to(share, variance.shape if lines is None else (len(lines), variance.shape[-1]))

    def light(x: Floats) -> Floats:
        if lines is None:
            out: Floats = (share / np.sqrt(variance) * np.exp(-(x[:, None] ** 2) / (2 * variance))).sum(axis=1)
            return out
        sigma = np.sqrt(variance)
        whole = _normal((x[:, None] + lines / 2) / sigma) - _normal((x[:, None] - lines / 2) / sigma)
        still = np.exp(-(x[:, None] ** 2) / (2 * variance)) / sigma
        long = np.maximum(lines, 1e-9)
        moved: Floats = (share * np.where(lines > 1e-6, whole * sqrt(2 * np.pi) / long, still)).sum(axis=1)
        return moved

    half = light(np.zeros(len(share))) / 2
    low, high = np.zeros(len(share)), np.full(len(share), 4 * LARGEST)
    for _ in range(30):
        middle = (low + high) / 2
        above = light(middle) > half
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return low + high


def _normal(x: Floats) -> Floats:
    from scipy.special import ndtr

    out: Floats = ndtr(x)
    return out


@dataclass(frozen=True, kw_only=True, slots=True)
class AtRest:
    """The frames of a group with the motion that is seen taken out; arrays of shape (n,)."""

    frames: tuple[int, ...]
    """Indices in `Night.frames`."""
    beta: float
    fwhm_px: Floats
    """As measured, before the pixel."""
    rest_px: Floats
    """Without the motion that draws the stars out."""
    variance_px2: Floats
    """Of that motion, along its axis."""
    known_to: Floats
    """Relative error of the variance."""
    even: bool
    """True if the motion is taken for a line."""


def at_rest(
    night: Night, tracking: Tracking, optics_px2: complex | Complexes = 0j, *, even: bool = False
) -> AtRest | None:  # fmt: skip
    """Take the motion that is seen out of each frame's stars.

    Motion alike in all directions leaves no trace in the shape, and is not taken out: `without_round_motion` does that.

    Parameters
    ----------
    night : Night
    tracking : Tracking
        Of one group.
    optics_px2 : complex, or ndarray of shape (n_frames,)
        Part of (a² - b²) / 2 times exp(2 i pa) that the optics make, the same in all frames or each frame's own.
    even : bool
        True if the motion is known to go on evenly, so that each exposure draws a line, however short; a random motion
        that makes the same shape has an rms 5 to 15 % greater.

    Returns
    -------
    AtRest or None
        None if no frame has stars to measure.
    """
    smears = tracking.smears
    if not len(smears.frames):
        return None
    shapes = [shape for i in smears.frames for shape in [night.frames[i].result.shape] if shape is not None]
    beta = round(float(np.median([shape.moffat_beta for shape in shapes])), 1)
    moved = np.abs(smears.spin2_px2 - optics_px2)
    calm = shear.calm(moved, smears.error_px2)
    e = np.arcsinh(calm / smears.fwhm_px**2)
    _, short = shear.half_maximum_axes(smears.fwhm_px, e)
    table = moved_star(beta, "line" if even else "along")
    size = np.log(table.along / table.across)
    variance = (np.interp(e, size, table.rms / table.across) * short) ** 2
    rest = short / np.interp(e, size, table.across)
    length = np.array([shape.trail_length_px or 0.0 for shape in shapes])
    plain = length > PLAIN_LINE * short
    if plain.any():
        table = moved_star(beta, "line")
        drawn = np.interp(length / sqrt(12) / short, table.rms / table.across, table.across)
        rest = np.where(plain, short / drawn, rest)
        variance = np.where(plain, length**2 / 12, variance)
    known_to = 2 * smears.error_px2 / np.maximum(moved, 1e-9)
    return AtRest(
        frames=smears.frames, beta=beta, fwhm_px=smears.fwhm_px, rest_px=np.minimum(rest, smears.fwhm_px),
        variance_px2=variance, known_to=np.minimum(known_to, 1.0), even=even,
    )  # fmt: skip


def without_round_motion(fwhm: float, variance: float, beta: float) -> float:
    """Width of a star from which motion alike on both axes is taken out.

    Parameters
    ----------
    fwhm : float
        Of the star with that motion.
    variance : float
        Of the motion on each axis, in the squared unit of `fwhm`.
    beta : float
        Moffat exponent of the star without it.

    Returns
    -------
    float
        Never less than a tenth of `fwhm`, below which the star would be nothing but motion.
    """
    table = moved_star(round(beta, 1), "round")
    drawn = float(np.interp(sqrt(max(variance, 0.0)) / fwhm, table.rms / table.fwhm, table.fwhm))
    return max(fwhm / drawn, 0.1 * fwhm)


def round_motion_between(rest: float, fwhm: float, beta: float) -> float:
    """Variance, on each axis, of the round motion that widens a star from one width to another."""
    table = moved_star(round(beta, 1), "round")
    return float(np.interp(max(fwhm / rest, 1.0), table.fwhm, table.rms) * rest) ** 2


def with_round_motion(rest: Floats, variance: float, beta: float) -> Floats:
    """Widths of stars that a motion alike on both axes widens."""
    table = moved_star(round(beta, 1), "round")
    out: Floats = rest * np.interp(sqrt(max(variance, 0.0)) / rest, table.rms, table.fwhm)
    return out


def needed_rms(rest_fwhm: float, beta: float, pixel: float = 0.0, growth: float = 1.1) -> float:
    """Round motion, rms on each axis, that widens the recorded star by no more than a factor.

    For a Gaussian star it is FWHM sqrt(growth² - 1) / 2.3548, a fifth of the FWHM for a tenth more; wings make it less.

    Parameters
    ----------
    rest_fwhm : float
        Width of the star without motion, before the pixel.
    beta : float
        Its Moffat exponent.
    pixel : float
        Side of the pixel that records it, taken for a Gaussian of its variance, a twelfth of its square.
    growth : float
        Factor above 1.

    Returns
    -------
    float
        In the unit of `rest_fwhm`.
    """
    table = moved_star(round(beta, 1), "round")
    averaged = pixel**2 / 12
    recorded = float(np.interp(sqrt(averaged) / rest_fwhm, table.rms, table.fwhm))
    blurred = rest_fwhm * float(np.interp(growth * recorded, table.fwhm, table.rms))
    return sqrt(blurred**2 - averaged)
