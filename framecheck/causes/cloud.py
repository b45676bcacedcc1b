"""Cloud: light that drops together and comes back."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from framecheck.causes.result import (
    CannotTell,
    Evidence,
    Finding,
    Healthy,
    Rival,
    all_of,
    answer,
    any_of,
    log_odds_above,
)
from framecheck.causes.series import Floats, Series, light_series, loss_of, share
from framecheck.motion.night import Night
from framecheck.read.rig import Rig

LEAST_FRAMES: Final = 6
"""Frames with a transparency, for irregular to have a meaning. Chosen."""

EXTINCTIONS_MAG: Final = (0.1, 0.2, 0.35, 0.5)
"""[mag per air mass] Clear air between high and hazy sites. Common practice, no source."""

LN_PER_MAG: Final = 0.4 * math.log(10)
"""Natural logarithms of light a magnitude. Closed form."""

LIGHT_SCATTER: Final = 0.01
"""[dimensionless] Scatter of a clear night's transparency beyond its errors. Chosen."""

CLOUD_MARGIN: Final = 0.03
"""[dimensionless] Light that clouds must take beyond the scatter, natural logarithm. Chosen: 6 % of the exposure."""

DEEPEST: Final = 0.025
"""[dimensionless] The share of frames that lost most light, one at least and without the very deepest, speaks for the
night. Chosen."""

SPOILT_GROWTH: Final = 0.4
"""[dimensionless] ln(FWHM over the usual): wider stars are not the cloud's doing, nor are longer ones. Chosen."""
SPOILT_ELONGATION: Final = 1.5
"""[dimensionless] Elongation over the usual. Chosen."""

KNOCKED_SIGMA: Final = 6.0
THIRD_OF_NORMAL: Final = 0.426
"""33 % quantile of the size of a normal deviate, over its standard deviation. Closed form."""
KNOCKED: Final = 0.05
"""ln(FWHM), or of the elongation, above the neighbouring frames' from which a frame was knocked. Chosen."""

LOST_STARS: Final = 0.3
"""[dimensionless] With less than this share of the usual stars, an unmatched frame is clouded. Chosen."""
LOST_LIGHT: Final = 1.0
"""[dimensionless] What such a frame is taken to have lost, natural logarithm. Chosen: stars follow 1 / light."""

DEW_GROWTH: Final = 0.04
GROWTH_SCATTER: Final = 0.025
"""ln(FWHM) by which dew widens the stars at the least. [dimensionless] Chosen."""
LATEST_FADE: Final = 0.6
"""[dimensionless] Part of the run after which no steady fade begins. Chosen: over fewer frames a bank of cloud looks
steady."""

STEADY_FADE: Final = 0.2
"""[dimensionless] Light lost steadily, natural logarithm, that a thickening cloud would explain. Chosen."""
STEADY_CLOUD: Final = 0.3
"""[dimensionless] Highest log-odds of cloud for a steady fade, which dew makes as well. Chosen."""


def cloud(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """The light of all stars drops together and comes back, or jumps, while their size stays; the sky changes with it.

    What a clear or a dewy night does to the light is taken out first: extinction that follows the air mass, and one
    steady fade from some moment on.
    """
    passing = [_passing(series) for series in light_series(night)]
    known = [one for one in passing if one is not None]
    if not known:
        return CannotTell(
            cause="cloud",
            because=f"fewer than {LEAST_FRAMES} frames of one kind share stars to compare their light",
            what_would_settle_it="a longer run of frames of one target, filter and exposure",
        )
    worst = max(known, key=lambda one: one.log_odds)
    evidence = [
        Evidence(
            statement="light lost in the worst frames",
            value=100 * (1 - math.exp(-max(worst.depth, 0.0))),
            unit="percent",
            expected_if_healthy=f"below {100 * (1 - math.exp(-worst.limit)):.0f}",
        )
    ]
    if worst.sky_change is not None:
        evidence.append(
            Evidence(
                statement="their sky noise changes by",
                value=100 * math.expm1(worst.sky_change),
                unit="percent",
                expected_if_healthy="0 within 5",
            )
        )
    return answer(
        "cloud",
        worst.log_odds,
        affected=frozenset().union(*(one.series.where(one.drop > one.limit) for one in known)),
        cost=share([loss_of(one.series, _light_loss(one)) for one in known]),
        evidence=tuple(evidence),
        rivals=(worst.rival,),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Passing:
    """What passed before the stars of a group."""

    series: Series
    drop: Floats
    """Light lost, beyond extinction and a steady fade; natural logarithm, NaN where unknown."""
    depth: float
    """Mean drop of the frames that lost most."""
    limit: float
    sky_change: float | None
    log_odds: float
    rival: Rival


def _passing(series: Series) -> _Passing | None:
    usable, clouded = np.isfinite(series.light) & ~_spoilt(series), _clouded_out(series)
    if usable.sum() < LEAST_FRAMES:
        return None
    steady, fade = steady_light(series.minutes[usable], series.light[usable], series.airmass[usable])
    drop = np.full(len(series.frames), np.nan)
    rest = series.light[usable] - steady
    drop[usable] = np.percentile(rest, 80) - rest
    drop[clouded] = LOST_LIGHT
    lost = np.interp(series.minutes, series.minutes[usable], steady - fade) - series.light
    lost[clouded] = LOST_LIGHT
    errors = series.light_error[usable]
    error = float(np.median(errors[np.isfinite(errors)])) if np.isfinite(errors).any() else 0.0
    scatter = math.hypot(LIGHT_SCATTER, error)
    limit = 3.5 * scatter + CLOUD_MARGIN
    depth = _in_deepest(drop)
    growth, rise = _from_first_to_last(series, usable)
    came_back = _in_deepest(np.where(np.isfinite(drop), _came_back(lost), np.nan))
    odds = all_of(
        log_odds_above(depth, limit, 1.5 * scatter),
        any_of(log_odds_above(came_back, limit, 1.5 * scatter), log_odds_above(DEW_GROWTH, growth, GROWTH_SCATTER)),
    )
    slow = _steady_cloud(fade, growth, rise)
    return _Passing(
        series=series,
        drop=drop,
        depth=depth,
        limit=limit,
        sky_change=_sky_change(series, drop, limit),
        log_odds=max(odds, slow),
        rival=Rival(
            cause="dew",
            why_less_likely="the light fades steadily as under dew, but the stars keep their size and the sky brightens"
            if odds < slow
            else "dew fades the stars steadily; this light drops and returns"
            if came_back > limit
            else "dew makes the stars grow as they fade; these keep their size",
        ),
    )


def steady_light(minutes: Floats, light: Floats, airmass: Floats) -> tuple[Floats, Floats]:
    """Light of a clear night: extinction, and one steady fade from some moment on.

    Parameters
    ----------
    minutes, light, airmass : ndarray, shape (n,)
        In order of time: times [min], natural logarithm of the transparency, and air mass (NaN where unknown).

    Returns
    -------
    steady, fade : ndarray, shape (n,)
        The whole model, and the part of it that fades with time (0 or less), natural logarithms.

    Notes
    -----
    Least absolute deviations over a grid of extinctions and moments; level and rate by reweighted least squares.
    """
    x = np.where(np.isfinite(airmass), airmass, 1.0)
    best, found = math.inf, (light, np.zeros_like(light))
    for extinction in EXTINCTIONS_MAG if np.ptp(x) > 0.1 else (0.2,):
        clear = -LN_PER_MAG * extinction * (x - x.min())
        for start in np.unique(np.quantile(minutes, np.linspace(0, LATEST_FADE, 9))):
            ramp = np.clip(minutes - start, 0, None)
            level, fading = _robust_fade(light - clear, ramp)
            misfit = float(np.abs(light - clear - level - fading).mean())
            if misfit < best:
                best, found = misfit, (clear + level + fading, fading)
    return found


def _robust_fade(light: Floats, ramp: Floats) -> tuple[float, Floats]:
    """Level and fade with the least absolute deviations; no steeper than leaves the light of the last frames."""
    level, rate = float(np.median(light)), 0.0
    tail = max(3, len(light) // 20)
    last, reach = float(light[-tail:].max()), float(ramp[-tail])
    for _ in range(8):
        weight = 1 / np.maximum(np.abs(light - level - rate * ramp), 0.005)
        total = weight.sum()
        mean_ramp, mean_light = (weight * ramp).sum() / total, (weight * light).sum() / total
        spread = (weight * (ramp - mean_ramp) ** 2).sum()
        slope = (weight * (ramp - mean_ramp) * (light - mean_light)).sum() / spread if spread > 0 else 0.0
        steepest = (last - level) / reach if reach > 0 else 0.0
        rate = min(max(float(slope), steepest), 0.0)
        level = float(mean_light - rate * mean_ramp)
    return level, rate * ramp


def _spoilt(series: Series) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Frames whose stars are wide or long: something else than cloud happened to their light."""
    known = np.isfinite(series.fwhm_px)
    width = np.median(series.fwhm_px[known]) if known.any() else np.nan
    length = np.median(series.elongation[known]) if known.any() else np.nan
    with np.errstate(invalid="ignore"):
        spoilt = (np.log(series.fwhm_px / width) > SPOILT_GROWTH) | (series.elongation / length > SPOILT_ELONGATION)
        spoilt |= ~known & (series.n_found > LOST_STARS * np.median(series.n_found))  # no stars of theirs to compare
        # a cloud hides stars; more than its neighbours have are found where each was drawn twice
        spoilt |= _stands_out(np.log(np.maximum(series.n_found, 1)), neighbours=True)
        spoilt |= np.array([frame.result.stars.doubled_px is not None for frame in series.frames])
        spoilt |= _stands_out(np.log(series.fwhm_px), neighbours=True)
        spoilt |= _stands_out(np.log(series.elongation), neighbours=False)
    return np.asarray(spoilt, dtype=bool)


def _stands_out(value: Floats, *, neighbours: bool) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Frames that stand out far above the usual, or their neighbours: knocked, not clouded."""
    n = len(value)
    if not np.isfinite(value).any():
        return np.zeros(n, bool)
    around = [
        [i for i in range(max(k - 2, 0), min(k + 3, n)) if i != k] if neighbours and n > 1 else slice(None)
        for k in range(n)
    ]
    known = np.where(np.isfinite(value), value, np.nanmedian(value))  # a frame without stars stands out of nothing
    off = value - np.array([np.median(known[near]) for near in around])
    # the calmer third tells the scatter: a knocked frame spoils its neighbours' medians in a short run
    usual = float(np.nanpercentile(np.abs(off), 33)) / THIRD_OF_NORMAL
    return np.asarray(off > max(KNOCKED_SIGMA * usual, KNOCKED), dtype=bool)


def _clouded_out(series: Series) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Frames that lost so many stars that they could not be matched, though their stars are neither wide nor long."""
    few = series.n_found < LOST_STARS * np.median(series.n_found)
    return np.asarray(few & (series.n_found > 0) & np.isnan(series.light) & ~_spoilt(series), dtype=bool)


def _sky_change(series: Series, drop: Floats, limit: float) -> float | None:
    """ln(variance of the sky) of dimmed frames against that of the two nearest clear ones, median."""
    dim, clear = np.flatnonzero(drop > limit), np.flatnonzero(drop < limit / 2)
    if not len(dim) or len(clear) < 2 or not (series.noise_adu > 0).all():
        return None
    value = 2 * np.log(series.noise_adu)
    return float(np.median(value[dim] - np.interp(series.minutes[dim], series.minutes[clear], value[clear])))


def _in_deepest(drop: Floats) -> float:
    """Mean light lost in the frames that lost most; one blunder is no cloud."""
    return float(np.sort(drop[np.isfinite(drop)])[-max(1, round(DEEPEST * len(drop))) - 1 : -1].mean())


def _came_back(lost: Floats) -> Floats:
    """How much of the light lost in each frame a later one has again."""
    least_later = np.append(np.fmin.accumulate(lost[::-1])[::-1][1:], lost[-1])
    return np.asarray(np.clip(lost - least_later, 0, None))


def _from_first_to_last(series: Series, usable: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> tuple[float, float]:
    """Growth of ln(FWHM) and rise of ln(variance of the sky) from the first third to the last, air mass taken out."""
    minutes = series.minutes[usable]
    third = np.quantile(minutes, [1 / 3, 2 / 3])
    early, late = minutes <= third[0], minutes >= third[1]
    with np.errstate(divide="ignore", invalid="ignore"):
        x = np.where(np.isfinite(series.airmass[usable]), series.airmass[usable], 1.0)
        width = np.log(series.fwhm_px[usable] / x**0.6)
        sky = 2 * np.log(series.noise_adu[usable]) - 0.7 * np.log(x)
    growth, rise = (float(np.median(value[late]) - np.median(value[early])) for value in (width, sky))
    return growth, rise


def _steady_cloud(fade: Floats, growth: float, rise: float) -> float:
    """Log-odds that a steady fade is a thickening cloud: stars keep their size while the sky brightens."""
    if not (math.isfinite(growth) and math.isfinite(rise)):
        return -math.inf
    odds = all_of(
        log_odds_above(-float(fade.min()), STEADY_FADE, 0.05),
        log_odds_above(0.12, growth, 0.06),
        log_odds_above(rise, 0.1, 0.05),
    )
    return min(odds, STEADY_CLOUD)


def _light_loss(one: _Passing) -> Floats:
    """Effective exposure lost: the square of the light, in frames that lost more than healthy scatter."""
    return np.where(one.drop > one.limit, 1 - np.exp(-2 * one.drop), 0.0)
