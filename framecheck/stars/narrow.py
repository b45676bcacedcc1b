"""Stars about a pixel wide on the green pixels of a mosaic: one form for all of them first, then each by itself.

Every second pixel sees so little of such a star that what fits it best by itself is often a long star beside the
pixels, or one without wings; half of the fits run away, and the others are no fair sample. Together they lie on pixels
in all ways, and hold one form with one kind of wings well. From there a single step takes each star to its own form:
what is linear follows noise to either side alike.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.stars.fit import (
    USUAL_WING,
    USUAL_WING_SPREAD,
    StarFits,
    bounded_step,
    inverse_of,
    many_equations,
)
from framecheck.stars.profile import (
    E1,
    E2,
    F64,
    FLUX,
    LN_W,
    MAX_WING,
    MIN_WING,
    N_PARAMETERS,
    SKY,
    PixelRule,
    X,
    Y,
    evaluate,
    pixel_rule,
)
from framecheck.stars.stamps import Stamps

MAY_BE_NARROW_PX: Final = 2.5
"""Width across the pilot below which the stars may be so narrow. [px] Chosen: the pilot's pixels are included, and come
in whole ones."""

NARROW_PX: Final = 1.25
"""FWHM along the short axis up to which stars are. [px] Chosen: from 1.2 px on both ways give the same to 1 %, and
below 1.1 the other one is wrong by up to 40 %."""

NOT_LONG: Final = 0.4
"""Shear up to which they are. [1] Chosen: longer ones lie on more pixels, and may have been moved along a line."""

FEWEST: Final = 20
"""Stars that hold one form. Chosen: they lie on the pixels in all ways."""

FIRST_GUESS_PX: Final = 1.2
STEPS: Final = 25
LARGEST_STEP: Final = 0.2
SETTLED: Final = 1e-4
"""Of the form: width at first [px], steps at the most, the longest of them and the last, in ln(width), shear and
1 / beta. Chosen: from there 4 to 8 steps suffice down to 0.9 px."""

OWN_STEPS: Final = 6
"""For the place and light of each star in that form. Chosen: 3 are the rule."""

MISFIT: Final = 2.0
"""A star whose chi-square is so many times the usual loses its say in proportion. Chosen: pairs and galaxies."""

_OWN: Final = (X, Y, FLUX, SKY)
_FORM: Final = (LN_W, E1, E2, N_PARAMETERS)
"""Columns of what each star has of its own, and of what all share: the last is g = 1 / beta."""


def fit_narrow(
    stamps: Stamps, start: F64, bright: NDArray[np.intp], gain: float | None
) -> tuple[StarFits, PixelRule] | None:
    """Fit stars about a pixel wide; None if they are wider, longer or too few.

    Parameters
    ----------
    stamps : Stamps
        The green pixels.
    start : ndarray, shape (n, 7)
        Rough places and light.
    bright : ndarray, shape (m,)
        The stars that settle the form.
    gain : float or None
        [e/ADU]
    """
    if len(bright) < FEWEST:
        return None
    rule = pixel_rule(1.0, stamps.pixel_px)
    part, p = stamps.part(bright), start[bright].copy()
    p[:, (E1, E2)] = 0
    p[:, LN_W] = np.log(FIRST_GUESS_PX)
    wing, size_error = USUAL_WING, np.inf
    for _ in range(STEPS):
        equations = many_equations(part, p, wing, rule, gain, evaluate, wing_slope=True)
        step, own_step, covariance = _common_step(
            equations.normal, equations.slope, equations.chi2 / equations.n_pixels, wing
        )
        step *= LARGEST_STEP / max(float(np.abs(step).max()), LARGEST_STEP)
        change = np.zeros_like(p)
        change[:, _OWN] = own_step
        change = bounded_step(change, p, evaluate)
        change[:, _FORM[:3]] = step[:3]
        p = np.where(np.isfinite(change).all(axis=1, keepdims=True), p + change, p)
        p[:, _FORM[:3]] = p[0, _FORM[:3]] if np.isfinite(step).all() else np.nan
        wing = float(np.clip(wing + step[3], MIN_WING, MAX_WING))
        # far from the best form the equations may not be positive: then nothing tells the size
        size_error = float(np.sqrt(covariance[0, 0])) if covariance[0, 0] > 0 else np.inf
        if float(np.abs(step).max()) < SETTLED or not np.isfinite(p[0, LN_W]):
            break
    form = p[0, _FORM[:3]]
    long = float(np.hypot(form[1], form[2]))
    if not (np.isfinite(form).all() and form[0] - long / 2 < np.log(NARROW_PX) and long < NOT_LONG):
        return None
    return _each_from(stamps, start, form, wing, rule, gain, size_error), rule


def _common_step(normal: F64, slope: F64, misfit: F64, wing: float) -> tuple[F64, F64, F64]:
    """A step of the common form, of what each star has of its own, and the form's covariance (Schur complement)."""
    own = inverse_of(normal[:, _OWN, :][:, :, _OWN])
    mixed, common = normal[:, _OWN, :][:, :, _FORM], normal[:, _FORM, :][:, :, _FORM]
    carried = own @ mixed
    trust = 1 / np.maximum(misfit / np.median(misfit) / MISFIT, 1)
    schur = (trust[:, None, None] * (common - mixed.transpose(0, 2, 1) @ carried)).sum(axis=0)
    right = (trust[:, None] * (slope[:, _FORM] - np.einsum("sij,si->sj", carried, slope[:, _OWN]))).sum(axis=0)
    schur[3, 3] += USUAL_WING_SPREAD**-2
    right[3] += (USUAL_WING - wing) * USUAL_WING_SPREAD**-2
    covariance = np.linalg.inv(schur)
    step: F64 = covariance @ right
    return step, np.einsum("sij,sj->si", own, slope[:, _OWN]) - carried @ step, covariance


def _each_from(
    stamps: Stamps, start: F64, form: F64, wing: float, rule: PixelRule, gain: float | None, size_error: float
) -> StarFits:
    """Each star by itself: its place and light in the common form, and from there one step of all that it has."""
    p = start.copy()
    p[:, _FORM[:3]] = form
    for _ in range(OWN_STEPS):
        equations = many_equations(stamps, p, wing, rule, gain, evaluate)
        change = np.zeros_like(p)
        own = inverse_of(equations.normal[:, _OWN, :][:, :, _OWN])
        change[:, _OWN] = np.einsum("sij,sj->si", own, equations.slope[:, _OWN])
        change = bounded_step(change, p, evaluate)
        p = np.where(np.isfinite(change).all(axis=1, keepdims=True), p + change, p)
    equations = many_equations(stamps, p, wing, rule, gain, evaluate)
    covariance = inverse_of(equations.normal)
    step = np.einsum("sij,sj->si", covariance, equations.slope)
    moved = bounded_step(step, p, evaluate)
    settled = np.isfinite(moved).all(axis=1) & (equations.slope != 0).any(axis=1)
    left = equations.chi2 - np.einsum("si,si->s", step, equations.slope)
    chi2 = np.maximum(left, 0) / np.maximum(equations.n_pixels - N_PARAMETERS, 1)
    return StarFits(
        np.where(settled[:, None], p + moved, p), covariance, chi2, settled, wing, evaluate, wing_in_size=size_error
    )
