"""Poor seeing: what the air alone makes of the stars, as the model of the night has it."""

import math
from collections.abc import Iterator
from typing import Final

import numpy as np

from framecheck import robust
from framecheck.causes.cloud import LEAST_FRAMES
from framecheck.causes.optics import Optics
from framecheck.causes.result import CannotTell, Evidence, Finding, Healthy, all_of, answer, log_odds_above
from framecheck.causes.series import Bools, Floats, Series, all_series
from framecheck.model.air import SEEING_OF_AIRMASS, AirAlone, air_alone
from framecheck.motion.night import Night
from framecheck.read.rig import Rig
from framecheck.robust import typical

POOR_SEEING_ARCSEC: Final = 3.5
"""[arcsec] FWHM at the zenith. Chosen: common nights at common sites have 2 to 3.5 (common practice, no source)."""
SIZE_SCATTER: Final = 0.06
"""[dimensionless] Error of the pixel scale and of what else widens the stars. Chosen."""

COARSEST_SCALE_ARCSEC: Final = 3.0
"""[arcsec/px] Coarser pixels hide the air: stars of poor seeing span little more than one. Chosen."""

ROUND: Final = 1.25
"""[dimensionless] Stars longer on average were moved, and nothing tells how far across as well. Chosen."""
ROUND_SCATTER: Final = 0.04

RESTLESS: Final = 0.02
"""[dimensionless] Scatter of ln(FWHM) from frame to frame, trend taken out; optics stay as they are. Chosen."""
RESTLESS_SCATTER: Final = 0.007
CALM_LOG_ODDS: Final = 1.0
"""[dimensionless] A calm night takes a quarter of the chance, no more: some air is steady. Chosen."""


def poor_seeing(night: Night, rig: Rig, optics: Optics | None) -> Finding | Healthy | CannotTell:
    """The air sets the size of the stars: large where focus, optics and motion are taken out, round, restless.

    Parameters
    ----------
    night : Night
    rig : Rig
        Of one session.
    optics : Optics or None
        The session as the model explains it.
    """
    scale = rig.pixel_scale_arcsec
    if optics is None or scale is None or scale > COARSEST_SCALE_ARCSEC:
        return _unseen(optics, scale)
    air = air_alone(optics.explained, scale)
    judged = [series for series in all_series(night) if np.isfinite(series.fwhm_px).any()]
    longest = max((typical(series.elongation) for series in judged), default=math.nan)
    changes = max((one for one in (_restlessness(series) for series in judged) if one is not None), default=None)
    signs = [_above(air.fwhm_arcsec), log_odds_above(ROUND, longest, ROUND_SCATTER)]
    if changes is not None:
        signs.append(max(log_odds_above(changes, RESTLESS, RESTLESS_SCATTER), CALM_LOG_ODDS))
    if signs[0] < 0 < min(_above(air.with_own_arcsec), *signs[1:]):
        return CannotTell(
            cause="poor-seeing",
            because=f"stars in focus would be {np.median(air.with_own_arcsec):.1f} arcsec wide at the zenith, and how "
            "much of that the optics themselves make is unknown",
            what_would_settle_it="frames of another night, or of a target lower in the sky, with the same optics",
        )
    return answer(
        "poor-seeing",
        all_of(*signs),
        affected=frozenset().union(*(series.where(_poor(series, air, scale)) for series in judged)),
        cost=float(np.median(_cost(air))),
        evidence=tuple(_evidence(air, longest, changes)),
    )


def _unseen(optics: Optics | None, scale_arcsec: float | None) -> CannotTell:
    """Why the air can't be seen in these frames."""
    if optics is None:
        because = "too few frames have enough stars to show what widens them"
        settles = "frames of a field richer in stars, without trails"
    elif scale_arcsec is None:
        because, settles = "the size of the stars on the sky is unknown", "focal_length_mm and pixel_um in the rig file"
    else:
        because = f"pixels of {scale_arcsec:.1f} arcsec are too coarse to show the air"
        settles = "a few frames at a longer focal length"
    return CannotTell(cause="poor-seeing", because=because, what_would_settle_it=settles)


def _evidence(air: AirAlone, longest: float, changes: float | None) -> Iterator[Evidence]:
    yield Evidence(
        statement="at the zenith the air alone would make stars of a FWHM of",
        value=float(np.median(air.fwhm_arcsec)),
        unit="arcsec",
        expected_if_healthy=f"below {POOR_SEEING_ARCSEC:g}",
    )
    yield Evidence(
        statement="they are round: long over short axis", value=longest, expected_if_healthy=f"below {ROUND:g}"
    )
    if changes is not None:
        yield Evidence(
            statement="their size changes from frame to frame by",
            value=100 * changes,
            unit="percent",
            expected_if_healthy=f"above {100 * RESTLESS:.0f} % under air, below under constant blur",
        )


def _above(fwhm_arcsec: Floats) -> float:
    """Log-odds that a size is above what is common, from its draws."""
    from scipy.special import ndtr

    over = np.log(np.maximum(fwhm_arcsec, 1e-3) / POOR_SEEING_ARCSEC)
    chance = float(np.clip(np.mean(ndtr(over / SIZE_SCATTER)), 1e-9, 1 - 1e-9))
    return math.log(chance) - math.log1p(-chance)


def _cost(air: AirAlone) -> Floats:
    """Share of the stars' squared width that common air would not make."""
    more = 1 - (POOR_SEEING_ARCSEC / np.maximum(air.fwhm_arcsec, POOR_SEEING_ARCSEC)) ** 2
    return np.asarray(air.share * more)


def _poor(series: Series, air: AirAlone, scale_arcsec: float) -> Bools:
    """Where the air's share of a frame's squared width is wider than common air."""
    zenith = scale_arcsec * _zenith_fwhm_px(series)
    return np.asarray(zenith * math.sqrt(float(np.median(air.share))) > POOR_SEEING_ARCSEC)


def _zenith_fwhm_px(series: Series) -> Floats:
    """FWHM as it would be at the zenith, if the air made all of it."""
    airmass = np.where(np.isfinite(series.airmass), series.airmass, 1.0)
    return np.asarray(series.fwhm_px / airmass ** (SEEING_OF_AIRMASS / 2))


def _restlessness(series: Series) -> float | None:
    """Scatter of ln(FWHM) from frame to frame, which no slow drift of focus makes; None with few frames."""
    value = np.log(_zenith_fwhm_px(series))
    value = value[np.isfinite(value)]
    if len(value) < LEAST_FRAMES:
        return None
    step = np.diff(value)
    return robust.mad_std(step) / math.sqrt(2)
