"""Dew on the glass: stars fade steadily and grow, while the sky does not brighten as under cloud."""

import math
from typing import Final

import numpy as np

from framecheck.causes.cloud import DEW_GROWTH, GROWTH_SCATTER, LEAST_FRAMES, steady_light
from framecheck.causes.result import (
    CannotTell,
    Evidence,
    Finding,
    Healthy,
    all_of,
    answer,
    any_of,
    log_odds_above,
)
from framecheck.causes.series import Floats, Series, all_series
from framecheck.motion.night import Night
from framecheck.read.rig import Rig

FADE: Final = 0.08
"""Light lost steadily, natural logarithm. [dimensionless] Chosen: a tenth."""
FADE_SCATTER: Final = 0.03
HALO: Final = 0.1
"""Fall of ln(beta) as wet glass throws light into the wings. [dimensionless] Chosen."""
SKY_RISE: Final = 0.12
"""ln(variance of the sky) that a cloud adds where it takes as much light. Chosen."""


def dew(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """Stars fade steadily and grow, while the sky does not brighten as under cloud."""
    runs = [(one, *_fogging(one)) for one in all_series(night) if np.isfinite(one.light).sum() >= LEAST_FRAMES]
    if not runs:
        return CannotTell(
            cause="dew",
            because=f"fewer than {LEAST_FRAMES} frames of one kind share stars to compare their light",
            what_would_settle_it="a longer run of frames, or a look at the front glass with a dim lamp",
        )
    series, log_odds, fade, growth, rise = max(runs, key=lambda row: row[1])
    return answer(
        "dew",
        log_odds,
        affected=series.where(fade < -FADE / 2) if log_odds > 0 else frozenset(),
        cost=float(np.mean(1 - np.exp(2 * fade))),
        evidence=(
            Evidence(
                statement="air mass aside, the stars fade steadily, in the end by",
                value=100 * (1 - math.exp(float(fade.min()))),
                unit="percent",
                expected_if_healthy="below 10",
            ),
            Evidence(
                statement="meanwhile they grow by",
                value=100 * math.expm1(growth),
                unit="percent",
                expected_if_healthy=0.0,
            ),
            Evidence(
                statement="and the brightness of the sky changes by",
                value=100 * math.expm1(rise),
                unit="percent",
                expected_if_healthy="no rise to match",
            ),
        ),
    )


def _fogging(series: Series) -> tuple[float, Floats, float, float]:
    """Log-odds; the fade frame by frame; growth of ln(FWHM) and rise of ln(sky) from the clear part to the end."""
    usable = np.isfinite(series.light) & np.isfinite(series.fwhm_px)
    x = np.where(np.isfinite(series.airmass[usable]), series.airmass[usable], 1.0)
    light = series.light[usable]
    steady, fade = steady_light(series.minutes[usable], light, x)
    deep = -float(fade.min())
    early, late = fade > -0.25 * deep, fade < -0.7 * deep
    if deep <= 0 or not early.any() or not late.any():
        return -4.0, np.zeros(len(series.frames)), 0.0, 0.0
    width = _own_width(series)[usable]
    with np.errstate(divide="ignore", invalid="ignore"):
        sky = 2 * np.log(series.noise_adu[usable]) - 0.7 * np.log(x)
    growth, rise = (float(np.median(value[late]) - np.median(value[early])) for value in (width, sky))
    rest = float(np.median(np.abs(light - steady))) / 0.6745
    beta = np.log(series.beta[usable])
    halo = log_odds_above(float(np.median(beta[early]) - np.median(beta[late])), HALO, 0.035)
    odds = all_of(
        log_odds_above(deep, FADE, FADE_SCATTER),
        any_of(log_odds_above(growth, DEW_GROWTH, GROWTH_SCATTER), halo),
        any_of(log_odds_above(SKY_RISE, rise, 0.06), halo),
        log_odds_above(deep / max(rest, 0.008), 4.0, 1.2),
    )
    whole = np.zeros(len(series.frames))
    whole[usable] = fade
    return odds, whole, growth, rise


def _own_width(series: Series) -> Floats:
    """Logarithm of the short axis, which motion leaves alone, at the zenith."""
    x = np.where(np.isfinite(series.airmass), series.airmass, 1.0)
    out: Floats = np.log(series.fwhm_px) - np.log(series.elongation) / 2 - 0.6 * np.log(x)
    return out
