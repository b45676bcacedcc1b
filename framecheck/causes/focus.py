"""Causes between the optics and the air: focus missed, focus that moves, and dew."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.causes.air import LEAST_FRAMES, steady_light
from framecheck.causes.optics import LOBED, SKEW
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
from framecheck.causes.series import Floats, Series, all_series
from framecheck.causes.wings import expected_beta, softness
from framecheck.constants import FWHM_PER_SIGMA
from framecheck.field.sampling import diffraction_fwhm_arcsec
from framecheck.night.field_records import FieldModel
from framecheck.night.known import typical
from framecheck.night.records import Night
from framecheck.night.smears import Smears
from framecheck.read.rig import Rig

SOFT: Final = 0.16
"""ln(beta over that expected) above which a disc of defocus rounds the core. [dimensionless] Chosen: half of what one
makes that widens the star by a quarter (drawn by GalSim); in focus it scatters by 0.05."""
SOFT_SCATTER: Final = 0.05

TRAILED: Final = 1.8
"""Elongation from which a star is a trail, whose profile says nothing of the focus. Chosen."""

FLAT_BETA: Final = 10.0
"""Moffat exponent that only a disc of defocus makes. Chosen."""

SHARP_PX: Final = 2.4
"""[px] Below, the pixel hides the profile. Chosen."""

AIRY: Final = 0.6
"""Diffraction over the FWHM from which its own core, without wings, looks like a soft one. [dimensionless] Chosen."""
AIRY_SCATTER: Final = 0.08

MOTION_SHARES: Final = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.75)
MOTION_SOFTENS: Final = (0.0, 0.10, 0.22, 0.35, 0.50, 0.69, 0.92, 1.40)
"""Growth of ln(beta) where random motion, alike in all directions, makes such a part of the squared FWHM.
[dimensionless] Turbulent air convolved with a Gaussian by GalSim, and fitted out to two FWHM."""

BLURRED_BY_LENS: Final = 0.65
"""Bad air's FWHM over that seen below which the lens's own blur makes the star, whose wings nobody knows.
[dimensionless] Chosen: usual air, of 2.5 arcsec, is then a sixth of the squared width."""
BAD_AIR_ARCSEC: Final = 4.0
"""[arcsec] Chosen: few nights are worse."""
WIDE_LENS_PX: Final = 3.2
"""[px] Wider than camera lenses blur in focus, one to two and a half pixels (common practice, no source)."""

GROWTH: Final = 0.13
"""ln(FWHM) that focus must have moved by. [dimensionless] Chosen: slow changes of the air reach a tenth."""
GROWTH_SCATTER: Final = 0.035
FOLLOWS: Final = 0.7
"""Share of the variance of the FWHM that a smooth run out of focus must explain. [dimensionless] Chosen."""
FOLLOWS_SCATTER: Final = 0.08
SOFTENS: Final = 0.5
"""Growth of ln(beta) for each of ln(FWHM): 0 if the air does it, about 1 as focus is lost. Drawn by GalSim."""
SOFTENS_SCATTER: Final = 0.25

FADE: Final = 0.08
"""Light lost steadily, natural logarithm. [dimensionless] Chosen: a tenth."""
FADE_SCATTER: Final = 0.03
DEW_GROWTH: Final = 0.04
"""ln(FWHM) by which dew widens the stars at the least. Chosen."""
HALO: Final = 0.1
"""Fall of ln(beta) as wet glass throws light into the wings. [dimensionless] Chosen."""
SKY_RISE: Final = 0.12
"""ln(variance of the sky) that a cloud adds where it takes as much light. Chosen."""


def defocus(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """All frames of a group are out of focus: soft cores without the wings of turbulent air, constant in time."""
    known = [one for one in all_series(night) if np.isfinite(one.beta).any()]
    if not known:
        return _no_stars("defocus", "frames with stars, or a series of frames through focus")
    series, log_odds = max(((one, _soft(one, night, rig)) for one in known), key=lambda row: row[1])
    beta, width = typical(series.beta), typical(series.fwhm_px)
    ratio = _half_flux_ratio(series)
    if width < SHARP_PX and log_odds < 1:
        return CannotTell(
            cause="defocus", because=f"stars are only {width:.1f} px wide: the pixels hide their profile",
            what_would_settle_it="a few frames at slightly different focus",
        )  # fmt: skip
    if _wings_of_air(width, rig) < 0 and log_odds < 0 < softness(beta, width, rig) - SOFT:
        return CannotTell(
            cause="defocus", because="at this pixel scale the lens's own blur makes the star, and it may look like "
            "this in focus",
            what_would_settle_it="a few frames at slightly different focus",
        )  # fmt: skip
    return answer(
        "defocus",
        log_odds,
        affected=frozenset(series.group.members) if log_odds > 0 else frozenset(),
        cost=_blur_share(beta),
        evidence=(
            Evidence(statement="the stars' core is soft: Moffat exponent", value=beta,
                     expected_if_healthy=f"{expected_beta(width, rig):.1f} or less in focus, under turbulent air"),
            Evidence(statement="half-flux radius over FWHM", value=ratio, expected_if_healthy="0.57 or more"),
        ),
        rivals=(
            Rival(cause="poor-seeing", why_less_likely="air leaves wide wings, and changes from frame to frame"),
            Rival(cause="guiding-noise", why_less_likely="random motion is seldom alike along both axes"),
        ),
    )  # fmt: skip


def _soft(series: Series, night: Night, rig: Rig) -> float:
    beta = series.beta[np.isfinite(series.beta)]
    width, lowest = typical(series.fwhm_px), float(np.percentile(beta, 25))
    tracking = night.tracking.get(series.group.id)
    moved = 0.0 if tracking is None else _softened_by_motion(tracking.smears, width)
    odds = [
        log_odds_above(softness(lowest, width, rig) - moved, SOFT, SOFT_SCATTER),
        log_odds_above(width, SHARP_PX, 0.12),
        log_odds_above(TRAILED, typical(series.elongation), 0.1),
        _wings_of_air(width, rig),
        max(log_odds_above(1.35, typical(series.elongation), 0.05), 2 * math.log(lowest / FLAT_BETA)),
    ]
    if rig.aperture_mm is not None and rig.pixel_scale_arcsec is not None:
        airy = diffraction_fwhm_arcsec(rig.aperture_mm) / (width * rig.pixel_scale_arcsec)
        odds.append(log_odds_above(AIRY, airy, AIRY_SCATTER))
    if tracking is not None and isinstance(tracking.field, FieldModel):
        field = tracking.field
        odds.append(log_odds_above(0.5, turned_px(night, series) / width, 0.12))
        sigma3 = (math.sqrt(max(field.centre_size_px2, 1e-6)) / FWHM_PER_SIGMA) ** 3
        comet, lobes = field.constant_coma_px3.value / sigma3, field.trefoil_px.value**3 / sigma3
        # comets and lobes soften a core too, but never so much
        plain = float(np.clip(math.log(float(np.median(beta)) / FLAT_BETA) / 0.3, -1.0, 1.0)) + 1
        odds.append(max(-log_odds_above(math.log(max(comet, 1e-3)), math.log(SKEW), 0.3), -6 + 6 * plain))
        odds.append(-log_odds_above(math.log(max(lobes, 1e-3)), math.log(LOBED), 0.3))
    return all_of(*odds)


def _softened_by_motion(smears: Smears, fwhm_px: float) -> float:
    """ln(beta) that random motion adds, if as large across as along; even lines leave the profile across alone."""
    if not len(smears.frames) or smears.even.mean() > 0.5:
        return 0.0
    share = FWHM_PER_SIGMA**2 * float(np.median(smears.rms_px)) ** 2 / fwhm_px**2
    return float(np.interp(share, MOTION_SHARES, MOTION_SOFTENS))


def _wings_of_air(width_px: float, rig: Rig) -> float:
    """Log-odds that a star in focus has the wings of turbulent air, or is wider than any lens in focus makes it."""
    if rig.pixel_scale_arcsec is None:
        return 4.0
    air = BAD_AIR_ARCSEC / (width_px * rig.pixel_scale_arcsec)
    return any_of(log_odds_above(air, BLURRED_BY_LENS, 0.06), log_odds_above(width_px, WIDE_LENS_PX, 0.2))


def turned_px(night: Night, series: Series) -> float:
    """Arc that a turning field draws at a quarter of the diagonal from its middle, in one exposure. [px]"""
    motion = night.motion.get(series.group.id)
    rate = 0.0 if motion is None else abs(motion.rotation_deg_per_hour or 0.0)
    exposure = series.frames[0].result.exposure
    seconds = typical(series.exposure_s) if np.isfinite(series.exposure_s).any() else 0.0
    return math.radians(rate) * seconds / 3600 * math.hypot(exposure.width_px, exposure.height_px) / 4


def _half_flux_ratio(series: Series) -> float:
    shapes = [frame.result.shape for frame in series.frames]
    return float(np.median([one.half_flux_radius_px / one.fwhm_px for one in shapes if one is not None]))


def _blur_share(beta: float) -> float:
    """Part of the squared FWHM that a disc makes which turns turbulent air's exponent into this one.

    Interpolated between stars drawn by GalSim: 4.7 in focus, 6.2 where the disc adds half to the squared FWHM, above 20
    where it adds 1.2 times of it.
    """
    return float(np.interp(math.log(beta), np.log([4.7, 6.2, 12.0, 60.0]), [0.0, 0.36, 0.5, 0.75]))


@dataclass(frozen=True, kw_only=True, slots=True)
class _Run:
    """A run out of focus, or through it."""

    series: Series
    growth: float
    """ln(FWHM) from the best to the worst moment, of the smooth curve."""
    explained: float
    softens: float
    used: NDArray[np.bool_]
    log_odds: float


def focus_drift(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """Stars grow smoothly through the night, softening at the core, while light and air mass do not explain it."""
    runs = [run for series in all_series(night) for run in [_run(series)] if run is not None]
    if not runs:
        return CannotTell(
            cause="focus-drift", because=f"fewer than {LEAST_FRAMES} frames of one kind have stars",
            what_would_settle_it="a longer run of frames without touching the focus",
        )  # fmt: skip
    best = max(runs, key=lambda run: run.log_odds)
    temperatures = _temperatures(best)
    return answer(
        "focus-drift",
        best.log_odds,
        affected=best.series.where(_own_width(best.series) > np.nanmin(_own_width(best.series)) + GROWTH / 2),
        cost=_mean_loss(best),
        evidence=(
            Evidence(statement="air mass aside, stars grow smoothly from the best moment to the worst by",
                     value=100 * math.expm1(best.growth), unit="percent",
                     expected_if_healthy=f"below {100 * math.expm1(GROWTH):.0f}"),
            Evidence(statement="their cores soften meanwhile: growth of the Moffat exponent over that of the FWHM",
                     value=best.softens, expected_if_healthy="about 0 if the air did it"),
            *temperatures,
        ),
        rivals=(
            Rival(cause="poor-seeing", why_less_likely="air changes irregularly and keeps its wings"),
            Rival(cause="dew", why_less_likely="dew takes light; these stars keep theirs"),
            Rival(cause="low-altitude", why_less_likely="what the air mass does is taken out"),
        ),
    )  # fmt: skip


def _own_width(series: Series) -> Floats:
    """Logarithm of the short axis, which motion leaves alone, at the zenith."""
    x = np.where(np.isfinite(series.airmass), series.airmass, 1.0)
    out: Floats = np.log(series.fwhm_px) - np.log(series.elongation) / 2 - 0.6 * np.log(x)
    return out


def _run(series: Series) -> _Run | None:
    width = _own_width(series)
    used = np.isfinite(width)
    if used.sum() < LEAST_FRAMES or np.ptp(series.minutes[used]) <= 0:
        return None
    t = series.minutes[used]
    t = (t - t[0]) / np.ptp(t)
    y, beta = width[used], np.log(series.beta[used])
    curve = _out_of_focus(t, y)
    growth = float(curve.max() - curve.min())
    steps = np.diff(y)
    noise = float(np.median(np.abs(steps - np.median(steps)))) / 0.954  # of one frame, had frames no memory
    explained = 1 - float(np.median(np.abs(y - curve))) / max(float(np.median(np.abs(y - np.median(y)))), 1e-6)
    sharp, soft = curve <= np.quantile(curve, 0.3), curve >= np.quantile(curve, 0.7)
    gained = float(np.median(y[soft]) - np.median(y[sharp]))
    softens = float(np.median(beta[soft]) - np.median(beta[sharp])) / max(gained, 0.03)
    faded = _faded(series)
    odds = all_of(
        log_odds_above(growth, GROWTH, GROWTH_SCATTER),
        log_odds_above(explained, FOLLOWS / 1.6, FOLLOWS_SCATTER * 1.5),
        log_odds_above(growth / max(noise, 0.01), 3.0, 0.8),
        max(log_odds_above(softens, SOFTENS, SOFTENS_SCATTER), -2.5),
        log_odds_above(FADE * 1.3, faded, FADE_SCATTER * 1.5),
    )
    return _Run(series=series, growth=growth, explained=explained, softens=softens, used=used, log_odds=odds)


def _faded(series: Series) -> float:
    """Light lost steadily, natural logarithm, of the frames whose light is known; 0 if too few are."""
    known = np.isfinite(series.light)
    if known.sum() < LEAST_FRAMES:
        return 0.0
    return -float(steady_light(series.minutes[known], series.light[known], series.airmass[known])[1].min())


def _out_of_focus(t: Floats, y: Floats) -> Floats:
    """The best curve ln sqrt(1 + k (t - t0)²) + c, or one that rises from t0 on, by least absolute deviations.

    The squared FWHM of a defocused star grows with the square of the distance from focus (closed form for Gaussian
    stars), and the distance with time.
    """
    best, found = math.inf, np.full_like(y, np.median(y))
    for start in np.linspace(-0.5, 1.5, 21):
        for one_sided in (False, True):
            off = np.maximum(t - start, 0) if one_sided else t - start
            if np.ptp(off) <= 0:
                continue
            for k in np.geomspace(0.1, 60, 14):
                shape = 0.5 * np.log1p(k * off**2)
                rest = y - shape
                level = float(np.median(rest))
                misfit = float(np.abs(rest - level).mean())
                if misfit < best:
                    best, found = misfit, shape + level
    return found


def _temperatures(run: _Run) -> tuple[Evidence, ...]:
    temperature = [frame.result.exposure.tube_temp_c for frame in run.series.frames]
    known = [value for value in temperature if value is not None]
    if len(known) < len(temperature) or np.ptp(known) < 0.5:
        return ()
    return (
        Evidence(
            statement="the tube changed its temperature meanwhile by", value=float(known[-1] - known[0]), unit="K"
        ),
    )


def _mean_loss(run: _Run) -> float:
    width = _own_width(run.series)[run.used]
    return float(np.mean(1 - np.exp(-2 * np.maximum(width - np.quantile(width, 0.1), 0))))


def dew(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """Stars fade steadily and grow, while the sky does not brighten as under cloud."""
    runs = [(one, *_fogging(one)) for one in all_series(night) if np.isfinite(one.light).sum() >= LEAST_FRAMES]
    if not runs:
        return CannotTell(
            cause="dew", because=f"fewer than {LEAST_FRAMES} frames of one kind share stars to compare their light",
            what_would_settle_it="a longer run of frames, or a look at the front glass with a dim lamp",
        )  # fmt: skip
    series, log_odds, fade, growth, rise = max(runs, key=lambda row: row[1])
    return answer(
        "dew",
        log_odds,
        affected=series.where(fade < -FADE / 2) if log_odds > 0 else frozenset(),
        cost=float(np.mean(1 - np.exp(2 * fade))),
        evidence=(
            Evidence(statement="air mass aside, the stars fade steadily, in the end by",
                     value=100 * (1 - math.exp(float(fade.min()))), unit="percent", expected_if_healthy="below 10"),
            Evidence(statement="meanwhile they grow by", value=100 * math.expm1(growth), unit="percent",
                     expected_if_healthy=0.0),
            Evidence(statement="and the brightness of the sky changes by", value=100 * math.expm1(rise), unit="percent",
                     expected_if_healthy="no rise to match"),
        ),
        rivals=(
            Rival(cause="cloud", why_less_likely="cloud comes and goes, and brightens the sky under lamps or the moon"),
            Rival(cause="focus-drift", why_less_likely="focus takes no light away"),
        ),
    )  # fmt: skip


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
        any_of(log_odds_above(growth, DEW_GROWTH, 0.025), halo),
        any_of(log_odds_above(SKY_RISE, rise, 0.06), halo),
        log_odds_above(deep / max(rest, 0.008), 4.0, 1.2),
    )
    whole = np.zeros(len(series.frames))
    whole[usable] = fade
    return odds, whole, growth, rise


def _no_stars(cause: str, settles: str) -> CannotTell:
    return CannotTell(cause=cause, because="no frame has stars enough to measure", what_would_settle_it=settles)
