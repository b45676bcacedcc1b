"""Profiles fitted to all stars at once: Gauss-Newton on batched normal equations."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

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
    PixelGrid,
    PixelRule,
    X,
    Y,
    evaluate,
)  # fmt: skip
from framecheck.stars.stamps import Stamps

CHUNK: Final = 192
"""Stars fitted together. Chosen by timing: fewer cost calls, more leave the processor's cache."""

SKY_PRIOR_SIGMA: Final = 0.15
"""How well the mesh knows the sky under a star, in units of a pixel's noise. Chosen: some ten times its statistical
error, so that nebulosity within a mesh does not bend the profile, yet a small stamp need not find the sky alone."""

LARGEST_STEP: Final = 0.35
"""Longest step in ln(width) and shear. [1] Chosen: a wider step can lose the star."""

DONE: Final = 0.1
"""A star is finished when no parameter moves by more than this share of its standard error. Chosen: steps shrink
quadratically, so the one taken last leaves nothing to speak of."""


Profile = Callable[..., tuple[Any, Any]]
"""`profile.evaluate` or `trails.evaluate_trail`."""


@dataclass(frozen=True, slots=True)
class Fit:
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

    def part(self, which: Any) -> "Fit":
        """The fit of some of the stars."""
        return replace(
            self,
            p=self.p[which],
            covariance=self.covariance[which],
            chi2=self.chi2[which],
            converged=self.converged[which],
        )

    def models(self, grid: PixelGrid, rule: PixelRule) -> np.ndarray:
        """The fitted profiles without the sky under them, shape (n_stars, n_pixels). [ADU]"""
        parts = [
            self.profile(self.p[i : i + CHUNK], self.wing, grid, rule)[0]
            - self.p[i : i + CHUNK, SKY, None].astype(np.float32)
            for i in range(0, len(self.p), CHUNK)
        ]
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
) -> Fit:
    """Fit position, size, shape, flux and sky of every star; the wings are given.

    Pixels weigh by the inverse of their variance: the sky's noise, and the star's own photons where the gain is known.

    Parameters
    ----------
    stamps : Stamps
    start : ndarray, shape (n_stars, 7)
        First guess.
    wing : float
        g = 1 / beta, common to the stars.
    rule : PixelRule
        How the profile is averaged over pixels.
    gain : float or None
        Electrons an ADU.
    profile : callable
        The profile's function.
    steps : int
        Most steps taken.
    """
    parts = [
        _fit_chunk(stamps.part(slice(i, i + CHUNK)), start[i : i + CHUNK], wing, rule, gain, profile, steps)
        for i in range(0, len(stamps), CHUNK)
    ]
    if not parts:
        nothing = np.zeros((0, N_PARAMETERS, N_PARAMETERS))
        return Fit(start, nothing, np.zeros(0), np.zeros(0, bool), wing, profile)
    p, covariance, chi2, converged = (np.concatenate(column) for column in zip(*parts, strict=True))
    return Fit(p, covariance, chi2, converged, wing, profile)


def _fit_chunk(
    stamps: Stamps, start: F64, wing: float, rule: PixelRule, gain: float | None, profile: Profile, steps: int
) -> tuple[F64, F64, F64, np.ndarray]:
    n = len(start)
    p = start.astype(float).copy()
    covariance = np.full((n, N_PARAMETERS, N_PARAMETERS), np.nan)
    chi2, converged = np.full(n, np.nan), np.zeros(n, bool)
    active = np.arange(n)
    for _ in range(steps):
        here = stamps.part(active) if len(active) < n else stamps
        model, jacobian = profile(p[active], wing, stamps.grid, rule)
        normal, slope, misfit, count = _normal_equations(here, p[active], model, jacobian, gain)
        inverse = _inverse(normal)
        step = np.einsum("sij,sj->si", inverse, slope)
        errors = np.sqrt(np.maximum(np.diagonal(inverse, axis1=1, axis2=2), 1e-30))
        covariance[active], chi2[active] = inverse, misfit / np.maximum(count - N_PARAMETERS, 1)
        small = (np.abs(step) < DONE * errors).all(axis=1)
        p[active] += _bounded(step, p[active], profile)
        converged[active[small]] = True
        active = active[~small]
        if not len(active):
            break
    return p, covariance, chi2, converged


def _normal_equations(
    stamps: Stamps, p: F64, model: np.ndarray, jacobian: np.ndarray, gain: float | None
) -> tuple[F64, F64, F64, F64]:
    """Normal matrix, right-hand side, chi-square and number of pixels of each star."""
    variance = np.broadcast_to((stamps.noise**2)[:, None], model.shape)
    if gain is not None:
        star = np.maximum(model - p[:, SKY, None].astype(np.float32), 0)
        variance = variance + star / np.float32(gain)
    weight = stamps.usable / variance
    residual = stamps.values - model
    weighted = jacobian * weight[:, None, :]
    normal = np.matmul(weighted, jacobian.transpose(0, 2, 1)).astype(float)
    slope = np.matmul(weighted, residual[:, :, None])[:, :, 0].astype(float)
    prior = 1 / (SKY_PRIOR_SIGMA * stamps.noise.astype(float)) ** 2
    normal[:, SKY, SKY] += prior
    slope[:, SKY] -= prior * p[:, SKY]
    misfit = np.einsum("sp,sp->s", weight * residual, residual, dtype=float)
    return normal, slope, misfit, stamps.usable.sum(axis=1, dtype=float)


def _inverse(normal: F64) -> F64:
    """Inverse of symmetric matrices, scaled first; singular ones come out as zero steps with huge errors."""
    scale = 1 / np.sqrt(np.maximum(np.diagonal(normal, axis1=1, axis2=2), 1e-30))
    scaled = normal * scale[:, :, None] * scale[:, None, :]
    scaled += 1e-9 * np.eye(normal.shape[1])
    bad = ~np.isfinite(scaled).all(axis=(1, 2))
    scaled[bad] = np.eye(normal.shape[1])
    inverse: F64 = np.linalg.inv(scaled) * scale[:, :, None] * scale[:, None, :]
    inverse[bad] = 0
    return inverse


def _bounded(step: F64, p: F64, profile: Profile) -> F64:
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


def fit_common_wing(
    stamps: Stamps,
    start: F64,
    rule: PixelRule,
    gain: float | None,
    *,
    profile: Profile = evaluate,
    wing: float = 0.3,
    steps: int = 10,
) -> Fit:
    """Fit stars that share one profile's wings; the wings are fitted too.

    All stars' normal equations together have one common unknown; it is eliminated star by star (Schur complement),
    which is the exact joint solution at the price of single fits.
    """
    p = start.astype(float).copy()
    if not len(p):
        return fit_stars(stamps, p, wing, rule, gain, profile=profile)
    for _ in range(steps):
        normal_sum = slope_sum = 0.0
        pieces = []
        for i in range(0, len(stamps), CHUNK):
            here, q = stamps.part(slice(i, i + CHUNK)), p[i : i + CHUNK]
            model, jacobian = profile(q, wing, stamps.grid, rule, wing_slope=True)
            normal, slope, misfit, count = _normal_equations(here, q, model, jacobian, gain)
            own = _inverse(normal[:, :N_PARAMETERS, :N_PARAMETERS])
            mixed = normal[:, :N_PARAMETERS, N_PARAMETERS]
            carried = np.einsum("sij,sj->si", own, mixed)
            # A star that the profile does not fit must not rule the wings.
            trust = 1 / np.maximum(misfit / np.maximum(count, 1), 1)
            schur = normal[:, N_PARAMETERS, N_PARAMETERS] - np.einsum("si,si->s", carried, mixed)
            right = slope[:, N_PARAMETERS] - np.einsum("si,si->s", carried, slope[:, :N_PARAMETERS])
            normal_sum += float((trust * schur).sum())
            slope_sum += float((trust * right).sum())
            pieces.append((np.einsum("sij,sj->si", own, slope[:, :N_PARAMETERS]), carried))
        change = float(np.clip(slope_sum / max(normal_sum, 1e-30), -0.1, 0.1))
        new = float(np.clip(wing + change, MIN_WING, MAX_WING))
        change, wing = new - wing, new
        step = np.concatenate([alone - carried * change for alone, carried in pieces])
        p += _bounded(step, p, profile)
        if abs(change) < 0.1 / np.sqrt(max(normal_sum, 1e-30)) or abs(change) < 5e-4:
            break
    return fit_stars(stamps, p, wing, rule, gain, profile=profile, steps=5)


__all__ = ["Fit", "Profile", "fit_common_wing", "fit_stars"]
