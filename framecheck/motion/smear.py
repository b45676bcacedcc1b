"""Smear: how far the stars moved over the sensor within one exposure, from their shape."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from math import cos, radians, sin, sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import shear
from framecheck.field.result import FrameResult, FrameShape
from framecheck.read.exposure import Orientation

Floats = NDArray[np.float64]

LEAST_BETA: Final = 1.1
MOST_BETA: Final = 30.0
"""Moffat wings that the sums are made for; beyond the last a star is Gaussian to 1 %. Chosen."""

PLAIN_LINE: Final = 1.6
"""Length of a trail, in widths of its short axis, from which it is plainly a line. Chosen: shorter ones fit jitter as
well, and their rms by either differs by up to 15 %."""

MODEL_KNOWN_TO: Final = 0.05
"""Share of the motion's variance that may be wrong because the round star's wings are not known: beta measured on
blurred stars of GalSim. Chosen."""

LINE_OR_NOT: Final = 0.15
"""The same where the frame was taken for a short line, which random motion looks like: its axes then come out closer to
each other. Measured on stars of GalSim, 1.5 px of motion on 3 px: up to 13 % low in rms. Chosen."""

STEP: Final = 1e-3
"""Relative step of numerical derivatives."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Smear:
    """Rms motion within one exposure. Errors are one standard deviation."""

    rms_along_px: float
    """Along the main axis of the motion."""
    rms_along_error_px: float
    rms_across_px: float | None
    """None if it is not known how wide stars would be without any motion."""
    rms_across_error_px: float | None
    angle_deg: float
    """Main axis, counter-clockwise from +x, 0 <= angle < 180; means little where the error is as large as the rms."""
    rms_ra_arcsec: float | None
    """On the sky; None, as in declination, without an orientation. Where `rms_across_px` is None, that motion is left
    out."""
    rms_dec_arcsec: float | None
    round_fwhm_px: float
    """Width of the star without motion: the one given, or the narrower one that the short axis shows."""


@dataclass(frozen=True, slots=True)
class _Blur:
    """Variances of the motion, with errors. [px²]"""

    along: float
    along_error: float
    across: float | None
    across_error: float | None
    round_px: float


def smear_inside(
    result: FrameResult,
    round_fwhm_px: float | None,
    *,
    round_fwhm_error_px: float = 0.0,
    round_beta: float | None = None,
) -> Smear | None:
    """Rms of the motion within one exposure, along and across its main axis.

    Parameters
    ----------
    result : FrameResult
    round_fwhm_px : float or None
        Width that the stars would have without motion: the night's best, or what seeing and optics let expect. None:
        the short axis is taken for it, and nothing is known of motion across.
    round_fwhm_error_px : float
        Standard error of the latter.
    round_beta : float or None
        Wings of the star without motion, as of the night's best frame; None: as measured in this one.

    Returns
    -------
    Smear or None
        None if the frame has no shape.

    Notes
    -----
    Moffat profiles have no second moment within reach and their FWHMs do not add in quadrature, so the half-maximum
    contour of a Moffat star blurred by the motion is solved for: the Moffat function is a mixture of Gaussians, its
    variances distributed as an inverse gamma (closed form), and Gaussians add. Random motion blurs by a Gaussian, an
    even drift by a line: for a line of length L the rms is L / sqrt(12). Optics that draw stars out read as motion too;
    the pattern over the field tells them apart.
    """
    shape = result.shape
    if shape is None or not shape.fwhm_px > 0:
        return None
    if round_beta is not None:
        shape = replace(shape, moffat_beta=round_beta)
    blur = _blur_of(shape, round_fwhm_px, round_fwhm_error_px)
    angle = float(shear.pa_deg(complex(shape.e1, shape.e2)))
    if shape.elongation_pa_deg is not None:
        angle = shape.elongation_pa_deg
    ra, dec = _on_sky(blur, angle, result.exposure.orientation)
    known = blur.across is not None and blur.across_error is not None
    return Smear(
        rms_along_px=sqrt(blur.along),
        rms_along_error_px=_root_error(blur.along, blur.along_error),
        rms_across_px=sqrt(blur.across) if blur.across is not None else None,
        rms_across_error_px=_root_error(blur.across or 0.0, blur.across_error or 0.0) if known else None,
        angle_deg=angle,
        rms_ra_arcsec=ra,
        rms_dec_arcsec=dec,
        round_fwhm_px=blur.round_px,
    )


def axes_error(shape: FrameShape) -> tuple[float, float, float]:
    """Full widths at half maximum along and across, and the relative error of each.

    The elongation is cleared of what noise adds to a length: e² - error², never below nothing.
    """
    e, error = float(np.log(shape.elongation)), shape.elongation_error / shape.elongation
    e = sqrt(max(e**2 - error**2, 0.0))
    relative = sqrt((shape.fwhm_px_error / shape.fwhm_px) ** 2 + (error / 2) ** 2)
    long, short = shear.half_maximum_axes(shape.fwhm_px, e)
    return float(long), float(short), relative


def level(x: float, y: float, *, fwhm: float, beta: float, along: float, across: float, line: float = 0.0) -> float:
    """Brightness at (x, y) of a blurred round Moffat star, over that of its centre.

    Parameters
    ----------
    x, y : float
        Along and across the motion. [px]
    fwhm, beta : float
        Of the round star.
    along, across : float
        Variances of a Gaussian motion. [px²]
    line : float
        Length of an even motion along. [px]
    """
    relative, weight = _mixture(round(min(max(beta, LEAST_BETA), MOST_BETA), 2))
    variance = relative * fwhm**2
    wide, high = variance + along, variance + across
    share = weight * variance / np.sqrt(high)
    if line > 0:
        middle = _line(np.zeros(1), line, wide) * share
        here = _line(np.array([x]), line, wide) * share
    else:
        middle = share / np.sqrt(wide)
        here = middle * np.exp(-(x**2) / (2 * wide)) if x != 0 else middle
    if y != 0:
        here = here * np.exp(-(y**2) / (2 * high))
    return float(here.sum() / middle.sum())


def elongation_of_line(length: float, beta: float) -> float:
    """ln(long axis / short axis) of a round Moffat star that an even motion drew out.

    Parameters
    ----------
    length : float
        Of the motion, in short axes of the star that results.
    beta : float
        Wings of the round star.
    """

    def seen(x: float, y: float, width: float) -> float:
        return level(x, y, fwhm=width, beta=beta, along=0.0, across=0.0, line=length) - 0.5

    width = _rising(lambda w: seen(0.0, 0.5, w), 1.1, least=0.3)
    half = _rising(lambda x: -seen(x, 0.0, width), length + 2.0)
    return float(np.log(2 * half))


def _line(x: Floats, length: float, variance: Floats) -> Floats:
    """Profile along of Gaussians moved along a line."""
    from scipy.special import ndtr

    sigma = np.sqrt(variance)
    out: Floats = ndtr((x + length / 2) / sigma) - ndtr((x - length / 2) / sigma)
    return out


@lru_cache(maxsize=256)
def _mixture(beta: float) -> tuple[Floats, Floats]:
    """Gaussians that make a Moffat function of FWHM 1: their variances, and their heights.

    (1 + r²/a²)^-b = 1 / Gamma(b) * integral of s^(b-1) exp(-s) exp(-s r²/a²) ds; summed in even steps of ln s.
    """
    u = np.linspace(np.log(beta) - 12 / sqrt(beta), np.log(beta) + 6 / sqrt(beta), 121)
    height = np.exp(beta * (u - np.log(beta)) - np.exp(u) + beta)
    core2 = 1 / (4 * (2 ** (1 / beta) - 1))
    return core2 / (2 * np.exp(u)), height / height.sum()


def _blur_of(shape: FrameShape, round_px: float | None, round_error: float) -> _Blur:
    """Motion by a line where it is plainly one, by jitter where no line was seen, and between the two else."""
    _, short, _ = axes_error(shape)
    length = shape.trail_length_px or 0.0
    if length > PLAIN_LINE * short:
        return _line_blur(shape, round_px)
    jitter = _blur(shape, round_px, round_error)
    if length > 0:
        line = _line_blur(shape, round_px)
        between = (jitter.along + line.along) / 2
        apart = sqrt(jitter.along_error**2 + ((jitter.along - line.along) / 2) ** 2)
        jitter = replace(jitter, along=between, along_error=apart)
    unsure = (LINE_OR_NOT if length > 0 else MODEL_KNOWN_TO) * (jitter.along + (jitter.across or 0.0))
    return replace(
        jitter,
        along_error=float(np.hypot(jitter.along_error, unsure)),
        across_error=None if jitter.across_error is None else float(np.hypot(jitter.across_error, unsure)),
    )


def _blur(shape: FrameShape, round_px: float | None, round_error: float) -> _Blur:
    """Gaussian motion along and across that makes the half-maximum contour what it is."""
    long, short, relative = axes_error(shape)
    beta = shape.moffat_beta
    if round_px is None or round_px >= short:
        return _blur_along(shape, long, short, known=round_px is not None)

    def across_for(along: float) -> float:
        return _rising(lambda v: level(0, short / 2, fwhm=round_px, beta=beta, along=along, across=v) - 0.5, short**2)

    def along_for(across: float) -> float:
        return _rising(lambda v: level(long / 2, 0, fwhm=round_px, beta=beta, along=v, across=across) - 0.5, long**2)

    along, across = _in_turn(along_for, across_for, 0.0)

    def misfit(p: Floats) -> Floats:
        a, b, ln_long, ln_short, width = p
        facts = {"fwhm": float(width), "beta": beta, "along": float(a), "across": float(b)}
        return np.array([level(float(np.exp(ln_long)) / 2, 0, **facts), level(0, float(np.exp(ln_short)) / 2, **facts)])

    at = np.array([along, across, np.log(long), np.log(short), round_px])
    slope = _derivatives(misfit, at, round_px)
    response = -np.linalg.solve(slope[:, :2], slope[:, 2:])
    error = np.sqrt(((response * [relative, relative, round_error]) ** 2).sum(axis=1))
    return _Blur(along, float(error[0]), across, float(error[1]), round_px)


def _blur_along(shape: FrameShape, long: float, short: float, *, known: bool) -> _Blur:
    """Motion along only; the width without motion follows from the short axis."""
    beta = shape.moffat_beta

    def round_for(along: float) -> float:
        """Width of the round star that, moved along, has the short axis; both in units of the short axis."""
        return _rising(lambda w: level(0, 0.5, fwhm=w, beta=beta, along=along, across=0.0) - 0.5, 1.1, least=0.3)

    def solve(ratio: float, start: float) -> tuple[float, float]:
        def along_for(width: float) -> float:
            return _rising(lambda v: level(ratio / 2, 0, fwhm=width, beta=beta, along=v, across=0.0) - 0.5, ratio**2)

        return _in_turn(along_for, round_for, start)

    along, width = solve(long / short, 1.0)
    more, _ = solve(long / short * (1 + shape.elongation_error / shape.elongation), width)
    error = (more - along) * short**2
    return _Blur(along * short**2, error, 0.0 if known else None, error if known else None, width * short)


def _line_blur(shape: FrameShape, round_px: float | None) -> _Blur:
    """Motion along a line of known length; motion across from the short axis."""
    long, short, relative = axes_error(shape)
    length = float(shape.trail_length_px or 0.0)
    along, along_error = length**2 / 12, length * long * relative / 6
    widest = _rising(
        lambda w: level(0, short / 2, fwhm=w, beta=shape.moffat_beta, along=0.0, across=0.0, line=length) - 0.5,
        1.1 * short,
        least=0.3 * short,
    )
    if round_px is None or round_px >= widest:
        error = (relative * short) ** 2 / 8
        return _Blur(along, along_error, None if round_px is None else 0.0, None if round_px is None else error, widest)

    def across_for(width: float) -> float:
        return _rising(
            lambda v: (
                level(0, width / 2, fwhm=round_px, beta=shape.moffat_beta, along=0.0, across=v, line=length) - 0.5
            ),
            short**2,
        )

    across = across_for(short)
    return _Blur(along, along_error, across, across_for(short * (1 + relative)) - across, round_px)


def _derivatives(function: Callable[[Floats], Floats], at: Floats, scale: float) -> Floats:
    """Derivatives of two values by each parameter; steps forward, since variances cannot be negative."""
    here = function(at)
    columns = []
    for i in range(len(at)):
        step = STEP * (scale**2 if i < 2 else 1.0)
        moved = at.copy()
        moved[i] += step
        columns.append((function(moved) - here) / step)
    return np.array(columns).T


def _in_turn(first: Callable[[float], float], second: Callable[[float], float], start: float) -> tuple[float, float]:
    """Two values, each of which follows from the other; the ties between them are loose."""
    b, a = start, first(start)
    for _ in range(30):
        b, before = second(a), a
        a = first(b)
        if abs(a - before) <= 1e-4 * max(a, 1e-3):
            break
    return a, b


def _rising(function: Callable[[float], float], most: float, least: float = 0.0) -> float:
    """Root of a rising function between `least` and `most`; the end nearest to it if it lies outside."""
    from scipy.optimize import brentq

    if function(least) >= 0:
        return least
    if function(most) <= 0:
        return most
    return float(brentq(function, least, most, xtol=1e-6 * most, rtol=1e-5))


def _root_error(variance: float, error: float) -> float:
    """Error of a root, also where the variance is nothing."""
    return sqrt(variance + error) - sqrt(variance) if variance < error else error / (2 * sqrt(variance))


def _on_sky(blur: _Blur, angle_deg: float, orientation: Orientation | None) -> tuple[float | None, float | None]:
    """Rms in right ascension and declination. [arcsec]"""
    if orientation is None:
        return None, None
    hand = 1.0 if orientation.mirrored else -1.0  # as in `motion.drift.drift_on_sky`
    north, a = radians(orientation.north_up_deg), radians(angle_deg)
    variance = [0.0, 0.0]
    for size, x, y in ((blur.along, cos(a), sin(a)), (blur.across or 0.0, -sin(a), cos(a))):
        variance[0] += size * (y * sin(north) + hand * x * cos(north)) ** 2
        variance[1] += size * (y * cos(north) - hand * x * sin(north)) ** 2
    scale = orientation.pixel_scale_arcsec
    return scale * sqrt(variance[0]), scale * sqrt(variance[1])
