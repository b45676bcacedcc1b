"""Causes in the sky: uneven or rising light, low altitude, and what crosses the field. Air: `seeing.py`."""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust
from framecheck.causes.result import CannotTell, Evidence, Finding, Healthy, answer, any_of, log_odds_above
from framecheck.causes.series import Floats, Series, all_series, grouped, loss_of, share
from framecheck.motion.night import Night
from framecheck.night.records import NightFrame
from framecheck.night.trails import Trail, trails_of
from framecheck.read.rig import Rig
from framecheck.sky.model import LEAST_LIGHT

LOW_AIRMASS: Final = 1.8
"""[dimensionless] An altitude of 34 degrees. Chosen: FWHM x airmass^0.6 and 0.2 mag of extinction take 60 % of the
effective exposure there."""

AIRMASS_SCATTER: Final = 0.1
"""[dimensionless] Chosen: how much people differ in what they call low."""

TYPICAL_EXTINCTION_MAG: Final = 0.2
"""[mag per air mass] Visual, 1 km up; 0.28 at sea level (D. W. E. Green, Int. Comet Q. 14, 55 (1992))."""

WELL_PLACED_AIRMASS: Final = 1.2
"""[dimensionless] Chosen: what a target reaches that stands 56 degrees high; losses count from here."""

UNEVEN: Final = 0.10
"""[dimensionless] Change of the sky level from edge to edge, along its slope, against the level. Chosen: vignetting
that is a little off centre makes up to 5 %."""
UNEVEN_SCATTER: Final = 0.03

LEAST_OF_LEVEL: Final = 0.3
"""Share of a frame's level that is sky at the least, where its pedestal is unknown. [dimensionless] Chosen: exposures
are filled well above the pedestal, but for short ones."""

RISEN: Final = 0.30
"""[dimensionless] Rise of the sky in a night, natural logarithm (35 %). Chosen: air mass taken out, airglow and towns
swing by some 10 % (M. R. Alarcon et al., AJ 162, 25 (2021)), at times by more."""
RISEN_SCATTER: Final = 0.08

SKY_PER_AIRMASS: Final = 0.7
"""[dimensionless] Power of the air mass that natural sky light follows. Chosen between 0.5 (towns) and 1 (airglow)."""

PARTS: Final = 3
"""Parts of each side of a frame, of each of which a darker cell is taken for sky. Chosen: a nebula or a sensor's glow
seldom fills a ninth of a frame."""

DARKER: Final = 0.2
"""Share of a part's cells that are darker. [dimensionless] Chosen: dust's shadows are fewer."""

LOWER_QUARTER: Final = 0.25
"""Share of the parts that may lie below the sky's surface; those that a nebula does fill lie above. [dimensionless]
Chosen."""

ROUGH: Final = 0.75
"""Share of the parts of a frame that may stand apart from a smooth surface by less than its slope. Chosen: two of nine
hold a galaxy or a bright nebula."""

SHOWN: Final = 1 / 3
"""Share of the frames that may show less of a slope. Chosen: a moon is there for hours, what a nebula leaves of a slope
changes from frame to frame."""

REWEIGHTED: Final = 20
"""Chosen: surfaces change no more by then."""

OFF_CENTRE: Final = 0.05
"""How far the lens may be off the middle of the sensor, over its width: its vignetting then slopes, as a sky does.
Chosen: a millimetre of a sensor of 23."""

CLEAR_LIGHT: Final = math.log(0.8)
"""[dimensionless] Frames with less light are left to cloud. Chosen."""

FALSE_TRAIL: Final = (0.15, 0.4)
"""[dimensionless] Chance that a line which looks like a trail is none, from edge to edge and with an end in the frame,
where no other frame tells. Chosen: nature draws such lines too."""

LEAST_DOUBT: Final = 1e-8
"""[dimensionless] Chosen: beyond all that a confidence can tell."""

OTHERS_TELL: Final = 0.3
"""[dimensionless] The same where other frames show the place and no line, or the line's continuation, over that.
Chosen: a faint filament may be missed in some frames."""


def trail_crossing(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """A satellite or aeroplane draws a line across the frame; the rest of the frame is as good as ever."""
    if not night.frames:
        return CannotTell(
            cause="trail-crossing", because="no frame was measured", what_would_settle_it="frames that can be measured"
        )
    every = trails_of(night.frames, night.groups)
    trails = [one for one in every if not one.fixed]
    evidence = [
        Evidence(statement="lines of light across the frames", value=float(len(trails)), expected_if_healthy=0.0)
    ]
    if len(trails) < len(every):
        evidence.append(
            Evidence(
                statement="lines that stay where they are on the sky or on the sensor, so that they are no trails",
                value=float(len(every) - len(trails)),
            )
        )
    return answer(
        "trail-crossing",
        _log_odds_of_trails(trails),
        affected=frozenset(one.frame for one in trails),
        cost=None,
        evidence=tuple(evidence),
    )


def _log_odds_of_trails(trails: list[Trail]) -> float:
    """That not all of them are false: closed form. The surest line of each frame counts."""
    doubts: dict[int, float] = {}
    for one in trails:
        told = one.walks or one.without_it
        false = FALSE_TRAIL[one.line.open_ends > 0] * (OTHERS_TELL if told else 1.0)
        doubts[one.frame] = min(false, doubts.get(one.frame, 1.0))
    all_false = max(math.prod(doubts.values()), LEAST_DOUBT)
    return math.log((1 - all_false) / all_false) if doubts else -math.inf


def low_altitude(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """Frames taken through much air: stars grow with airmass^0.6, and light is lost.

    A tenth of the frames of a group must be low. How much worse they came out than those higher up is told, but decides
    nothing: focus and air change as well, and a half of the night alone would answer otherwise than the whole.
    """
    judged = [(series, *_lowness(series)) for series in all_series(night) if np.isfinite(series.airmass).any()]
    if not judged:
        return CannotTell(
            cause="low-altitude",
            because="neither the headers nor the rig file tell how high the target stood",
            what_would_settle_it="site_latitude_deg and site_longitude_deg in the rig file, or altitude in the headers",
        )
    worst, log_odds, loss = max(judged, key=lambda one: one[1])
    evidence = [
        Evidence(
            statement="a tenth of the frames have an air mass above",
            value=float(np.nanpercentile(worst.airmass, 90)),
            expected_if_healthy=f"below {LOW_AIRMASS:g}",
        )
    ]
    if loss is not None and loss > 0:  # else something else took more from the high ones
        evidence.append(
            Evidence(
                statement="low frames lose so much effective exposure against high ones of the night",
                value=100 * (1 - math.exp(-loss)),
                unit="percent",
                expected_if_healthy="below 10",
            )
        )
    return answer(
        "low-altitude",
        log_odds,
        affected=frozenset().union(*(one.where(one.airmass > LOW_AIRMASS) for one, _, _ in judged)),
        cost=share([loss_of(series, _airmass_loss(series.airmass)) for series, _, _ in judged]),
        evidence=tuple(evidence),
    )


def _lowness(series: Series) -> tuple[float, float | None]:
    """Log-odds that low altitude spoils frames of a group; and ln(effective exposure) lost between high and low."""
    x = series.airmass
    log_odds = log_odds_above(float(np.nanpercentile(x, 90)), LOW_AIRMASS, AIRMASS_SCATTER)
    low, high = x > LOW_AIRMASS, x <= np.nanpercentile(x, 20)
    if low.sum() < 2 or high.sum() < 2 or np.median(x[low]) < 1.2 * np.median(x[high]):
        return log_odds, None
    growth = np.log(series.fwhm_px)
    worse = 2 * (robust.typical(growth[low]) - robust.typical(growth[high]))
    dimmer = 2 * (robust.typical(series.light[high]) - robust.typical(series.light[low]))
    loss = float(np.nansum([worse, dimmer])) if np.isfinite([worse, dimmer]).any() else None
    return log_odds, loss


def _airmass_loss(airmass: Floats) -> Floats:
    """Effective exposure lost in low frames against a well-placed target: seeing and extinction, SNR²."""
    width = (WELL_PLACED_AIRMASS / airmass) ** 1.2
    light = 10 ** (-0.8 * TYPICAL_EXTINCTION_MAG * (airmass - WELL_PLACED_AIRMASS))
    return np.where(airmass > LOW_AIRMASS, 1 - width * light, 0.0)


def sky_gradient(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """The sky is brighter on one side of the frames, or grows brighter through the night: moon, twilight, town.

    Vignetting is no sky: it is told apart as what changes with the squared distance from the centre.
    """
    series = [one for one in all_series(night) if np.isfinite(one.noise_adu).any()]
    slopes = [np.array([_slope(frame, rig) for frame in one.frames]) for one in series]
    rises = [_rise(one, rig) for one in series]
    uneven = max((float(np.nanquantile(one, SHOWN)) for one in slopes if np.isfinite(one).any()), default=math.nan)
    risen = max((float(np.nanmax(one)) for one in rises if np.isfinite(one).any()), default=math.nan)
    if not math.isfinite(uneven) and not math.isfinite(risen):
        return CannotTell(
            cause="sky-gradient",
            because="there are fewer than three clear frames of one kind, and none shows how the sky changes over the "
            "field against its own light",
            what_would_settle_it="three or more frames of one target, and pedestal_adu in the rig file or bias frames "
            "beside them",
        )
    tests = [log_odds_above(uneven, UNEVEN, UNEVEN_SCATTER), log_odds_above(risen, RISEN, RISEN_SCATTER)]
    bright = [(a > UNEVEN) | (b > RISEN) for a, b in zip(slopes, rises, strict=True)]
    evidence = []
    if math.isfinite(uneven):
        evidence.append(
            Evidence(
                statement="the sky changes from edge to edge by"
                if _above_pedestal(night, rig)
                else "the sky changes from edge to edge by at least (the pedestal is unknown)",
                value=100 * uneven,
                unit="percent",
                expected_if_healthy=f"below {100 * UNEVEN:.0f}",
            )
        )
    if math.isfinite(risen):
        evidence.append(
            Evidence(
                statement="the brightest clear frames' sky, air mass taken out, stands above that of dark ones by",
                value=100 * math.expm1(risen),
                unit="percent",
                expected_if_healthy=f"below {100 * math.expm1(RISEN):.0f}",
            )
        )
    found = answer(
        "sky-gradient",
        any_of(*(one for one in tests if math.isfinite(one))),
        affected=frozenset().union(*(one.where(mask) for one, mask in zip(series, bright, strict=True))),
        cost=share([loss_of(one, _noise_loss(one, rise)) for one, rise in zip(series, rises, strict=True)]),
        evidence=tuple(evidence),
    )
    unsure = not math.isfinite(uneven) or (uneven > UNEVEN * LEAST_OF_LEVEL and not _above_pedestal(night, rig))
    if unsure and (found.log_odds or 0.0) < 0:
        return CannotTell(
            cause="sky-gradient",
            because="how much of the level is sky isn't known, so its slope can't be judged",
            what_would_settle_it="pedestal_adu in the rig file, or bias frames beside the lights",
        )
    return found


def _slope(frame: NightFrame, rig: Rig) -> float:
    """Relative change of a frame's sky from edge to edge along its slope; NaN with too coarse a map."""
    mesh = frame.result.sky.level_mesh_adu.astype(float)
    light = _sky_light_adu(frame, rig)
    if min(mesh.shape) < PARTS or not light > LEAST_LIGHT * frame.result.sky.noise_adu:
        return math.nan
    y, x = np.meshgrid(*((np.arange(n) + 0.5) / n - 0.5 for n in mesh.shape), indexing="ij")
    places = np.arange(mesh.size).reshape(mesh.shape)
    parts = [part.ravel() for rows in np.array_split(places, PARTS) for part in np.array_split(rows, PARTS, axis=1)]
    dark = [_darker_cell(part, mesh.ravel()[part]) for part in parts]
    values, x, y = mesh.ravel()[dark], x.ravel()[dark], y.ravel()[dark]
    ratio = frame.result.exposure.height_px / frame.result.exposure.width_px
    design = np.stack([np.ones_like(x), x, y, x**2 + (y * ratio) ** 2], axis=-1)
    fit = _under_what_shines(design, values)
    if fit[3] > 0:  # no lens brightens the corners
        fit = np.append(_under_what_shines(design[:, :3], values), 0.0)
    tilt = max(np.hypot(fit[1], fit[2]) - 2 * OFF_CENTRE * abs(fit[3]), 0.0)
    # What stands above the surface in most parts may lie beneath it as well: a slope no larger than that is none.
    rough = np.quantile(np.abs(values - (design @ fit)), ROUGH)
    return float(np.sqrt(max(tilt**2 - rough**2, 0.0)) / light)


def _darker_cell(places: NDArray[np.intp], level: Floats) -> int:
    """Where the level is the lowest but for a few."""
    return int(places[np.argsort(level)[int(DARKER * len(level))]])


def _under_what_shines(design: Floats, values: Floats) -> Floats:
    """A smooth surface with a quarter of the values below it: nebulae, galaxies and a sensor's glow only add light."""
    least = 1e-4 * float(np.abs(values).max()) + 1e-12
    return robust.quantile_fit(design, values, LOWER_QUARTER, least=least, rounds=REWEIGHTED)


def _sky_light_adu(frame: NightFrame, rig: Rig) -> float:
    """Sky above the pedestal; where nothing tells that, the whole level, unless its zero was moved afterwards. [ADU]"""
    exposure, level = frame.result.exposure, frame.result.sky.level_adu
    pedestal = exposure.pedestal_adu if exposure.pedestal_adu is not None else rig.pedestal_adu
    if pedestal is not None:
        return level - pedestal
    gain = exposure.gain_e_per_adu or rig.gain_e_per_adu
    if frame.sky_e_per_s is not None and gain and exposure.exposure_s:
        return frame.sky_e_per_s * exposure.exposure_s / gain
    return math.nan if exposure.processed else level


def _above_pedestal(night: Night, rig: Rig) -> bool:
    return all(_sky_light_adu(frame, rig) < frame.result.sky.level_adu for frame in grouped(night))


def _light(series: Series, rig: Rig) -> Floats:
    """Light of each frame's sky, times a factor that all frames of a group share; shape (n_frames,).

    What makes a sky brighter raises its level as well as its noise; large stars raise the noise alone. So frames differ
    in light as their levels do, above the pedestal that half of them agree on. Without electrons the square of the
    noise stands for the light, which read noise makes seem to rise less.
    """
    rate = np.array([np.nan if one.sky_e_per_s is None else one.sky_e_per_s for one in series.frames])
    if not np.isfinite(rate).all():
        return series.noise_adu**2
    level = np.array([one.result.sky.level_adu for one in series.frames])
    above = np.array([_sky_light_adu(one, rig) for one in series.frames])
    if not np.any(above < level) or any(one.result.exposure.processed for one in series.frames):
        return rate
    return np.asarray(level - np.median(level - above))


def _rise(series: Series, rig: Rig) -> Floats:
    """How far each clear frame's sky stands above the darkest fifth, natural logarithm; NaN for others."""
    known = _light(series, rig)
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.log(np.where(known > 0, known, np.nan))
    value -= SKY_PER_AIRMASS * np.log(np.where(np.isfinite(series.airmass), series.airmass, 1.0))
    value[~(series.light >= CLEAR_LIGHT)] = np.nan  # a frame without stars, whose light is unknown, is not clear
    usable = np.flatnonzero(np.isfinite(value))
    if len(usable) < 3:
        return np.full(len(value), np.nan)
    padded = np.pad(value[usable], 1, mode="edge")
    steady = np.full(len(value), np.nan)
    steady[usable] = np.median([padded[:-2], padded[1:-1], padded[2:]], axis=0)
    return np.asarray(steady - np.nanpercentile(steady, 20), dtype=float)


def _noise_loss(series: Series, rise: Floats) -> Floats:
    """Effective exposure that a brighter sky takes: variance of the dark frames over the frame's own."""
    dark = np.nanpercentile(series.noise_adu, 20) ** 2
    loss = 1 - np.minimum(dark / np.maximum(series.noise_adu**2, 1e-12), 1)
    return np.where(rise > RISEN, loss, 0.0)
