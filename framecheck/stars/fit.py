"""Profiles fitted to all stars at once: Gauss-Newton on batched normal equations."""

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from framecheck.constants import SIGMA_PER_MAD
from framecheck.stars.equations import Equations, Profile, light_of_stars, normal_equations
from framecheck.stars.profile import (
    E1,
    E2,
    F64,
    FLUX,
    LN_W,
    MAX_WING,
    MIN_WING,
    N_PARAMETERS,
    PixelRule,
    StampGrid,
    X,
    Y,
    evaluate,
)
from framecheck.stars.stamps import Stamps, together
from framecheck.stars.trails import points_on_line

PIXELS_TOGETHER: Final = 120_000
"""Pixels of the stars fitted together. Chosen by timing: fewer cost calls, more leave the processor's cache."""

LARGEST_STEP: Final = 0.35
"""Longest step in ln(width) and shear. [1] Chosen: a wider step can lose the star."""

ODD_SIGMA: Final = 3.0
"""Stars this far from the typical size or shape lose their say in the common wings. [robust sigma] Chosen: of a
thousand single ones, three."""

USUAL_WING: Final = 0.3
USUAL_WING_SPREAD: Final = 0.07
"""What is known of the common g = 1 / beta before a fit: mean and standard deviation. [1] Turbulent air has 0.21 (I.
Trujillo et al., MNRAS 328, 977 (2001)), with optics and guiding up to 0.4; chosen so that both lie within 1.4
deviations. A dozen faint stars cannot tell their wings, and drag the width along; some hundred bright ones hardly
feel it."""

LEAST_KNOWN: Final = 1e-4
STEEPEST: Final = 10.0
"""Least error of ln(FWHM) that a star is believed to have, and most that the wings may change it: d ln(FWHM) / d g.
[dimensionless] Chosen: stars of photons have some 1e-3, and Moffat stars change by 1 to 3; a star that the equations
hardly hold, as a trail may be, has anything."""
STILL_SETTLING: Final = 0.98
"""What a step leaves of chi-square, as a share, where fits have not settled yet. Chosen."""

DONE: Final = 0.1
"""A star is finished when no parameter moves by more than this share of its standard error. Chosen: steps shrink
quadratically, so the one taken last leaves nothing to speak of; 0.3 left what the stars of a frame have in common."""

NARROWEST_PX: Final = 0.3
"""Width below which a star is lost. [px] Chosen: pixels do not tell such widths apart."""

LAST_STEP: Final = 0.5
NEXT_STEP: Final = 0.03
"""Or by no more than the first share, if the next step, should they go on to shrink as they did, is no longer than the
second. Chosen: that leaves as little."""


@dataclass(frozen=True, slots=True)
class StarFits:
    """Fitted parameters of each star with their covariance."""

    p: F64
    """Shape (n_stars, 7), columns as in `profile`."""
    covariance: F64
    """Shape (n_stars, 7, 7)."""
    chi2: F64
    """Reduced chi-square, shape (n_stars,)."""
    converged: np.ndarray
    """Shape (n_stars,), bool."""
    wing: float
    """g = 1 / beta."""
    profile: Profile = evaluate
    """What was fitted."""
    wing_error: float = float("inf")
    """Standard error of g, where that was fitted too."""
    wing_in_size: float = 0.0
    """What the error of the wings adds to the widths, of all stars alike: d ln(FWHM) / d g times the error of g."""

    def part(self, which: Any) -> "StarFits":
        """The fit of some of the stars."""
        return replace(
            self,
            p=self.p[which],
            covariance=self.covariance[which],
            chi2=self.chi2[which],
            converged=self.converged[which],
        )

    def models(self, grid: StampGrid, rule: PixelRule) -> np.ndarray:
        """The fitted profiles without the sky under them, shape (n_stars, n_pixels). [ADU]"""
        n_points = _points_a_star(self.p, int(np.prod(grid.shape)), rule, self.profile)
        chunks = (self.p[part] for part in star_chunks(len(self.p), n_points))
        parts = [light_of_stars(p, self.wing, grid, rule, self.profile) for p in chunks]
        return np.concatenate(parts) if parts else np.zeros((0, int(np.prod(grid.shape))), np.float32)


def fit_stars(
    stamps: Stamps,
    start: F64,
    wing: float,
    rule: PixelRule,
    gain: float | None,
    *,
    profile: Profile = evaluate,
    steps: int = 12,
    last_step: float = LAST_STEP,
) -> StarFits:
    """Fit position, size, shape, flux and sky of every star; the wings are given.

    From a first guess, shape (n_stars, 7). Pixels weigh by the inverse of their variance: the sky's noise, and the
    star's own photons where the gain [e/ADU] is known. `last_step` is the longest step after which a star may be
    finished. [standard errors]
    """
    n = len(start)
    p = start.astype(float).copy()
    covariance = np.full((n, N_PARAMETERS, N_PARAMETERS), np.nan)
    chi2, converged = np.full(n, np.nan), np.zeros(n, bool)
    active, before = np.arange(n), np.zeros(n)
    for _ in range(steps):
        if not len(active):
            break
        here = stamps.part(active) if len(active) < n else stamps
        equations = many_equations(here, p[active], wing, rule, gain, profile)
        inverse = inverse_of(equations.normal)
        step = (inverse @ equations.slope[:, :, None])[:, :, 0]
        errors = np.sqrt(np.maximum(np.diagonal(inverse, axis1=1, axis2=2), 1e-30))
        covariance[active] = inverse
        moved = (np.abs(step) / errors).max(axis=1)
        small = (moved < DONE) | ((moved < last_step) & (np.minimum(moved, 1e100) ** 2 < NEXT_STEP * before))
        left = equations.chi2 - np.where(small, np.einsum("si,si->s", step, equations.slope), 0)
        chi2[active] = left / np.maximum(equations.n_pixels - N_PARAMETERS, 1)
        p[active] += bounded_step(step, p[active], profile)
        converged[active[small]] = True
        going_on = ~small & ~_lost(p[active], start[active], stamps.grid, profile)
        active, before = active[going_on], moved[going_on]
    return StarFits(p, covariance, chi2, converged, wing, profile)


def _lost(p: F64, start: F64, grid: StampGrid, profile: Profile) -> np.ndarray:
    """Which stars have left their stamps, are drawn out far beyond them, or have shrunk to nothing: they stay lost."""
    reach = float(max(grid.x.max(), grid.y.max()))
    lost = (np.maximum(np.abs(p[:, X]), np.abs(p[:, Y])) > reach) | (p[:, LN_W] < np.log(NARROWEST_PX))
    if profile is not evaluate:
        lost |= np.hypot(p[:, E1], p[:, E2]) > np.maximum(2 * reach, 2 * np.hypot(start[:, E1], start[:, E2]))
    return np.asarray(lost)


def many_equations(
    stamps: Stamps, p: F64, wing: float, rule: PixelRule, gain: float | None, profile: Profile, wing_slope: bool = False
) -> Equations:
    """The equations of many stars, whose pixels would not fit into the processor's cache together."""
    parts = [
        normal_equations(stamps.part(some), p[some], wing, rule, gain, profile, wing_slope=wing_slope)
        for some in star_chunks(len(p), _points_a_star(p, stamps.values.shape[1], rule, profile))
    ]
    return parts[0] if len(parts) == 1 else Equations.joined(parts)


def _points_a_star(p: F64, n_pixels: int, rule: PixelRule, profile: Profile) -> int:
    """At how many points the profile of a star is evaluated."""
    return n_pixels * rule.parts**2 * (1 if profile is evaluate else points_on_line(p))


def star_chunks(n_stars: int, n_points: int) -> list[slice]:
    """Stars worked on together, each evaluated at `n_points`."""
    return together(n_stars, n_points, most=PIXELS_TOGETHER)


def inverse_of(normal: F64) -> F64:
    """Inverse of symmetric matrices, scaled first; singular ones come out as zero steps with huge errors."""
    scale = 1 / np.sqrt(np.maximum(np.diagonal(normal, axis1=1, axis2=2), 1e-30))
    scaled = normal * scale[:, :, None] * scale[:, None, :]
    scaled += 1e-9 * np.eye(normal.shape[1])
    bad = ~np.isfinite(scaled).all(axis=(1, 2))
    scaled[bad] = np.eye(normal.shape[1])
    with np.errstate(over="ignore", invalid="ignore"):  # of those that rounding left nearly singular
        inverse = _swept(scaled) * scale[:, :, None] * scale[:, None, :]
    inverse[bad | ~np.isfinite(inverse).all(axis=(1, 2))] = 0
    return inverse


def _swept(matrices: F64) -> F64:
    """Inverse of positive definite matrices by sweeping out a row and a column at a time, all matrices at once.

    Gauss and Jordan's way, without the search for pivots that these do not need: a third of the time of
    `numpy.linalg.inv`, which turns to each matrix in turn.
    """
    m = np.ascontiguousarray(matrices.transpose(1, 2, 0))
    for k in range(len(m)):
        pivot = 1 / np.maximum(m[k, k], 1e-12)  # rounding may leave nothing of a nearly singular one
        row, column = m[k] * pivot, m[:, k].copy()
        m -= column[:, None] * row
        m[k], m[:, k], m[k, k] = row, -column * pivot, pivot
    return m.transpose(2, 0, 1)


def bounded_step(step: F64, p: F64, profile: Profile) -> F64:
    """The step, shortened as a whole where one of its parts is too long; flux stays positive."""
    largest = np.full(step.shape, np.inf)
    width = np.exp(p[:, LN_W])
    largest[:, X] = largest[:, Y] = np.maximum(0.5 * width, 0.5)
    largest[:, LN_W] = LARGEST_STEP
    if profile is evaluate:
        largest[:, E1] = largest[:, E2] = LARGEST_STEP
    else:  # a trail: the columns of the shear hold a length in pixels
        largest[:, E1] = largest[:, E2] = 0.5 + 0.25 * np.hypot(p[:, E1], p[:, E2])
    largest[:, FLUX] = 0.7 * np.abs(p[:, FLUX])
    short = 1 / np.maximum((np.abs(step) / largest).max(axis=1), 1)
    return step * short[:, None]


def _likeness(p: F64) -> F64:
    """Weight of each star by how near its size and shape are to the typical ones: pairs that run together are not."""
    size_and_shape = p[:, (LN_W, E1, E2)]
    away = np.abs(size_and_shape - np.sort(size_and_shape, axis=0)[len(p) // 2])
    usual = np.maximum(SIGMA_PER_MAD * np.sort(away, axis=0)[len(p) // 2], 1e-6)
    return 1 / np.maximum((away / (ODD_SIGMA * usual)).max(axis=1), 1) ** 4


def fit_common_wing(
    stamps: Stamps,
    start: F64,
    rule: PixelRule,
    gain: float | None,
    *,
    profile: Profile = evaluate,
    wing: float = USUAL_WING,
    steps: int = 10,
) -> StarFits:
    """Fit stars that share one profile's wings; the wings are fitted too.

    All stars' normal equations together have one common unknown; it is eliminated star by star (Schur complement),
    which is the exact joint solution at the price of single fits.
    """
    p = start.astype(float).copy()
    if not len(p):
        return fit_stars(stamps, p, wing, rule, gain, profile=profile)
    before, wing_in_size = np.inf, 0.0
    for _ in range(steps):
        equations = many_equations(stamps, p, wing, rule, gain, profile, wing_slope=True)
        left = float(equations.chi2.sum())
        own, carried, slope_sum, normal_sum = _eliminated(equations, p, wing)
        change = float(np.clip(slope_sum / normal_sum, -0.1, 0.1))
        say = 1 / np.maximum(own[:, LN_W, LN_W], LEAST_KNOWN**2)
        slope = np.clip(carried[:, LN_W], -STEEPEST, STEEPEST)
        wing_in_size = abs(float((say * slope).sum() / say.sum())) / np.sqrt(normal_sum)
        new = float(np.clip(wing + change, MIN_WING, MAX_WING))
        change, wing = new - wing, new
        alone = np.einsum("sij,sj->si", own, equations.slope[:, :N_PARAMETERS])
        moved = p + bounded_step(alone - carried * change, p, profile)
        held = np.isfinite(moved).all(axis=1) & ~_lost(moved, start, stamps.grid, profile)
        p = np.where(held[:, None], moved, p)
        # While the stars themselves still settle they say little of their wings.
        if left > STILL_SETTLING * before and abs(change) < max(0.1 / np.sqrt(normal_sum), 5e-4):
            break
        before = left
    fit = fit_stars(stamps, p, wing, rule, gain, profile=profile, steps=5, last_step=DONE)
    return replace(fit, wing_error=float(normal_sum**-0.5), wing_in_size=wing_in_size)


def _eliminated(equations: Equations, p: F64, wing: float) -> tuple[F64, F64, float, float]:
    """The wings' own equation, all other unknowns eliminated star by star (Schur complement).

    Covariance of each star's own parameters while the wings stand, shape (n_stars, 7, 7), and how far they move as the
    wings do; then right and left side of the equation, in which the usual wings count as one measurement.
    """
    normal, slope = equations.normal, equations.slope
    own = inverse_of(normal[:, :N_PARAMETERS, :N_PARAMETERS])
    mixed = normal[:, :N_PARAMETERS, N_PARAMETERS]
    carried = np.einsum("sij,sj->si", own, mixed)
    # A star that the profile does not fit must not rule the wings.
    trust = _likeness(p) / np.maximum(equations.chi2 / np.maximum(equations.n_pixels, 1), 1)
    schur = normal[:, N_PARAMETERS, N_PARAMETERS] - np.einsum("si,si->s", carried, mixed)
    right = slope[:, N_PARAMETERS] - np.einsum("si,si->s", carried, slope[:, :N_PARAMETERS])
    trust[~(schur > 0)] = 0  # rounding, where a star's own parameters are hardly known
    usual = USUAL_WING_SPREAD**-2
    normal_sum = float((trust * schur).sum()) + usual
    return own, carried, float((trust * right).sum()) + usual * (USUAL_WING - wing), normal_sum
