"""Transparency: how much of the stars' light reaches the sensor, frame against frame."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust
from framecheck.constants import SIGMA_PER_MAD, SURE_SIGMA
from framecheck.field.result import FrameResult, FrameShape
from framecheck.field.similarity import Floats
from framecheck.night.register import Match
from framecheck.stars.aperture_light import share_within
from framecheck.stars.table import StarTable

LEAST_SNR: Final = 8.0
"""Stars expected below this in a frame are not asked there. Chosen: near the limit only those are found that noise made
brighter, and a cloud would look thin."""

NEAR_FWHM: Final = 1.5
"""[FWHM] Radius within which a star's light counts. Chosen: 95 % of it in turbulent air."""

USUAL_BETA: Final = 3.0
"""Moffat exponent of a star in turbulent air, as fitted to its inner two FWHM. Measured on drawn stars."""

LEAST_SCATTER: Final = 0.005
"""[dimensionless] Relative scatter of a bright star's flux from frame to frame that is always allowed for: flat field,
scintillation. Common practice, no source."""

HUBER_SIGMA: Final = 2.0
"""Fluxes further off count less, in proportion. [sigma] Chosen: normal errors lose 1 % of their precision."""

BEST_OF: Final = 20
"""One frame in so many may be better than what is called best. Chosen: the very best is partly luck of the noise."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Transparency:
    """Relative transparency of one frame."""

    value: float
    """Against the best frames of the filter (`night.zero_point`), which have 1."""
    error: float | None
    """One standard deviation; None if there was nothing to compare with."""
    n_stars: int


@dataclass(frozen=True, slots=True)
class GroupLight:
    """Light of a group's frames and stars: ln(flux per second) of a star in a frame is the sum of both."""

    zero_point: Floats
    """Shape (n_frames,); NaN for a frame that shares no good star with the others."""
    zero_point_error: Floats
    n_stars: NDArray[np.intp]
    """Stars that each zero point rests on."""
    level: Floats
    """Of each row of the reference's star table, shape (n_rows,); NaN where the star is not good."""
    level_error: Floats


def light_of_group(results: Sequence[FrameResult], matches: Sequence[Match | None]) -> GroupLight:
    """Zero points of a group's frames and levels of its stars.

    Fluxes are taken per second of exposure where all exposures are known. ln(flux) of star s in frame f is m_s + t_f
    plus noise: both sets of numbers are found in turns by robust weighted means. Weights come from the flux that the
    model expects, not from the one measured, so that the noise of faint stars does not choose. Saturated and otherwise
    flagged stars are left out, and variable ones.
    """
    flux, error = _fluxes(results, matches)
    zero, zero_error = np.full((2, len(results)), np.nan)
    n_stars = np.zeros(len(results), np.intp)
    level, level_error = np.full((2, flux.shape[1]), np.nan)
    rows = np.flatnonzero(np.isfinite(flux).any(axis=1))
    if len(rows):
        zero[rows], zero_error[rows], n_stars[rows], level, level_error = _solve(flux[rows], error[rows])
    return GroupLight(zero, zero_error, n_stars, level, level_error)


def transparencies(light: GroupLight, dimmed: float = 0.0, error: float | None = None) -> list[Transparency | None]:
    """Transparencies of a group's frames; None for one that is not registered, or shares no good star.

    Against the level that one registered frame in twenty reaches or passes (`best_of`), or one that is brighter by
    `dimmed`, a natural logarithm with its error, where other groups tell. Air mass is not divided out.
    """
    known = np.isfinite(light.zero_point)
    out: list[Transparency | None] = [None] * len(known)
    if not known.any():
        return out
    top = best_of(light.zero_point[known]) + dimmed
    alone = known.sum() == 1
    for row in np.flatnonzero(known):
        value = float(np.exp(light.zero_point[row] - top))
        sigma = (float(light.zero_point_error[row]),) * (not alone) + (() if error is None else (error,))
        out[row] = Transparency(
            value=value, error=value * float(np.hypot.reduce(sigma)) if sigma else None, n_stars=int(light.n_stars[row])
        )
    return out


def best_of(values: NDArray[np.floating]) -> float:
    """What one in twenty reaches or passes: the highest of up to 20 values, the second of up to 40, and so on."""
    rank = 1 + (len(values) - 1) // BEST_OF
    return float(np.sort(values)[-rank])


def _fluxes(results: Sequence[FrameResult], matches: Sequence[Match | None]) -> tuple[Floats, Floats]:
    """Flux per second and its error, shape (n_frames, n_reference_stars); NaN where a star is not there or not good."""
    reference_rows = [match.reference_rows for match in matches if match is not None]
    width = 1 + max((int(rows.max()) for rows in reference_rows if len(rows)), default=0)
    flux = np.full((len(results), width), np.nan)
    error = np.full_like(flux, np.nan)
    exposures = [result.exposure.exposure_s for result in results]
    for f, (result, match) in enumerate(zip(results, matches, strict=True)):
        if match is None:
            continue
        seconds = (exposures[f] or 1.0) if all(exposures) else 1.0
        seconds /= light_share(result.shape) if result.shape is not None else 1.0
        table = result.stars.table[match.frame_rows]
        good = _good(table)
        flux[f, match.reference_rows[good]] = table["flux_adu"][good] / seconds
        error[f, match.reference_rows[good]] = table["flux_error_adu"][good] / seconds
    return flux, error


def light_share(shape: FrameShape) -> float:
    """Light over that of the fitted profiles: as apertures say, or the share that is near, against a usual star's."""
    if shape.light_over_profile is not None:
        return shape.light_over_profile
    return held_near(shape.moffat_beta) / held_near(USUAL_BETA)


def held_near(beta: float) -> float:
    """Share of a Moffat star's light within `NEAR_FWHM`: what is thrown farther, as by wet glass, is lost to it."""
    return share_within(NEAR_FWHM, beta)


def _good(table: StarTable) -> NDArray[np.bool_]:
    good: NDArray[np.bool_] = (table["flags"] == 0) & (table["flux_adu"] > 0) & (table["flux_error_adu"] > 0)
    return good & np.isfinite(table["flux_adu"]) & np.isfinite(table["flux_error_adu"])


def _solve(flux: Floats, error: Floats) -> tuple[Floats, Floats, NDArray[np.intp], Floats, Floats]:
    """Zero points, their errors and stars, then the stars' levels and their errors; from shape (n_frames, n_stars).

    NaN where a star was not measured, and for a frame that shares no star bright enough.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        light = np.log(flux)
    seen = np.isfinite(light)
    zero = np.zeros(len(flux))
    level = robust.medians(light, axis=0)
    scatter = np.zeros(flux.shape[1])
    variable = np.zeros(flux.shape[1], bool)
    weight = seen / LEAST_SCATTER**2
    for step in range(6):
        zero = robust.medians(light - level, axis=1) if step == 0 else _means(light - level, weight, axis=1)
        zero = np.where(np.isfinite(zero), zero, np.nan)
        expected = np.exp(level + zero[:, None])
        sigma2 = (error / expected) ** 2
        usable = seen & ~variable & np.isfinite(sigma2) & (sigma2 < 1 / LEAST_SNR**2)
        weight = np.where(usable, 1 / (np.where(usable, sigma2, 0) + np.maximum(scatter, LEAST_SCATTER) ** 2), 0.0)
        level = _means(light - zero[:, None], weight, axis=0)
        scatter, odd = _own_scatter(np.where(usable, light - zero[:, None] - level, np.nan), sigma2)
        variable |= odd
    zero = _means(light - level, weight, axis=1)
    zero_error = _zero_point_error(light - level - zero[:, None], weight)
    total = weight.sum(axis=0)
    level_error = np.sqrt(1 / np.where(total > 0, total, np.nan))
    return zero, zero_error, (weight > 0).sum(axis=1), np.where(total > 0, level, np.nan), level_error


def _means(light: Floats, weight: Floats, axis: int) -> Floats:
    return robust.huber_mean(light, weight, HUBER_SIGMA, axis=axis, rounds=3)


def _own_scatter(residual: Floats, sigma2: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Scatter of each star from frame to frame beyond its noise, and whether it is variable; shape (n_stars,)."""
    known = np.isfinite(residual)
    enough = known.sum(axis=0) >= 4
    spread2 = (SIGMA_PER_MAD * robust.medians(np.abs(residual), axis=0)) ** 2
    noise2 = robust.medians(np.where(known, sigma2, np.nan), axis=0)
    beyond = np.sqrt(np.maximum(np.where(enough, spread2 - noise2, 0.0), 0.0))
    if not enough.any():
        return np.zeros(residual.shape[1]), np.zeros(residual.shape[1], bool)
    usual = max(float(np.median(beyond[enough])), LEAST_SCATTER)
    return np.where(enough, beyond, usual), beyond > SURE_SIGMA * usual


def _zero_point_error(residual: Floats, weight: Floats) -> Floats:
    """Standard error of each zero point, from the weights or, if larger, from the scatter of the stars."""
    known = (weight > 0) & np.isfinite(residual)
    w = np.where(known, weight, 0.0)
    n, total = known.sum(axis=1), w.sum(axis=1)
    pull2 = np.minimum(w * np.where(known, residual, 0.0) ** 2, 2 * HUBER_SIGMA**2)
    with np.errstate(invalid="ignore", divide="ignore"):
        chi2 = pull2.sum(axis=1) / np.maximum(n - 1, 1)
        # the stars' own levels are known no better than the frames that see them allow
        frames = np.maximum((w * known.sum(axis=0)).sum(axis=1) / total, 2.0)
        out: Floats = np.sqrt(np.maximum(chi2, 1.0) / total * frames / (frames - 1))
    return out
