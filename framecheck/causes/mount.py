"""Causes in the mount that move the stars steadily: no tracking, a wrong rate, flexure."""

import math
from typing import Final

import numpy as np

from framecheck import shear
from framecheck.causes.catalogue import CAUSES
from framecheck.causes.moved import (
    LINE_SCATTER,
    LINE_SEEN,
    RATIO_SCATTER,
    SEEN,
    SIGMA_SCATTER,
    SURE_SIGMA,
    Complexes,
    Moved,
    all_moved,
    cos_dec,
    likeliest,
    no_motion,
    smear_cost,
)
from framecheck.causes.polar_axis import corner_arc
from framecheck.causes.rate_or_axis import rate_over_axis
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
    log_odds_of_ratio,
)
from framecheck.constants import SIDEREAL_RATE_ARCSEC_PER_S
from framecheck.motion.night import Night
from framecheck.motion.smears import lines_px
from framecheck.read.rig import Rig

UNTRACKED_ARCSEC_PER_S: Final = 0.35
"""[arcsec/s] Faster motion is no tracking, or a wrong rate: an axis 80 arcminutes off makes as much (closed form)."""
WRONG_RATE_ARCSEC_PER_MIN: Final = 2.5
"""[arcsec/min] Steady drift along right ascension alone that a wrong rate makes: 0.3 percent of the sky's own. Chosen:
refraction makes up to 1 where telescopes point."""
WRONG_SHARE: Final = 0.2
"""Share of the sky's own motion below which a drift of unknown direction may be a wrong axis' as well. Chosen."""
ALONG_RA: Final = 5.0
"""Drift along right ascension over that in declination from which a wrong axis hardly explains it. Chosen."""
RATE_SCATTER: Final = 0.2
"""[dimensionless] Error of ln(rate) of a trail. Chosen."""
PLAIN_LINE: Final = 0.5
"""Length of a line over the FWHM from which its length is known. Chosen."""

LEAST_STEP_PX: Final = 0.5
STEP_SCATTER_PX: Final = 0.1
"""[px] Stars that move by less from one frame to the next are tracked, however they look. Chosen: places are known to
some hundredths."""
NOTHING_SAID: Final = 6.0
"""Log-odds of a sign that cannot be read, where others decide. Chosen."""

FLEXURE_ARCSEC_PER_MIN: Final = 0.1
"""[arcsec/min] Drift of guided frames from which something bends. Chosen: half a pixel in ten minutes."""
COHERENT: Final = 0.85
"""From which smear and drift have one direction: within 16 degrees. [dimensionless] Chosen."""
FLEXURE_SCATTER: Final = 0.35
AXIS_AS_WELL: Final = 0.0
"""Log-odds of bending against a wrong axis, where nothing but still stars tells of a guider, and no axis of the drift's
direction. Chosen: either."""
FEWEST_TURNING: Final = 8
ONE_WAY: Final = 0.5
ONE_WAY_SCATTER: Final = 0.1
"""Way from first to last frame over the way gone, of a drift whose direction turns slowly: 0.6 over half a turn.
[dimensionless] Closed form; swings and random motion come back to where they were."""
GUIDE_STAR_ARCMIN: Final = 120.0
"""[arcmin] Farthest guide star from the middle of the field, in a guide scope. Chosen: few are off by a degree."""
GUIDE_STAR_DIAGONALS: Final = 3.0
"""The same over the diagonal of the image. Chosen."""


def untracked(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """All frames show lines along one direction whose length is the sky's own motion, or much of it."""
    seen = [(one, *_sky_motion(one, rig)) for one in all_moved(night)]
    known = [row for row in seen if row[1] is not None]
    if not known and rig.mount_type == "fixed" and seen:
        return _on_tripod([row[0] for row in seen])
    if not known:
        return no_motion(night, "untracked", "the pixel scale is unknown, so a trail has no rate in arcseconds")
    moved, log_odds, rate, full = max(known, key=lambda row: -math.inf if row[1] is None else row[1])
    share = rate / full
    return answer(
        "untracked",
        log_odds or 0.0,
        affected=moved.where(np.abs(moved.smear) > 0.2),
        cost=smear_cost(moved),
        evidence=(
            Evidence(statement="stars move over the sensor at", value=rate, unit="arcsec/s", expected_if_healthy=0.0),
            Evidence(
                statement="of the sky's own motion at this declination", value=100 * share, unit="percent",
                expected_if_healthy=0.0,
            ),
        ),
        rivals=(
            Rival(
                cause="polar-misalignment",
                why_less_likely=f"the axis would have to be {rate * 60 / 0.2625 / 60:.0f} degrees off",
            ),
            *CAUSES["untracked"].rivals,
        ),
    )  # fmt: skip


def _on_tripod(groups: list[Moved]) -> Finding | Healthy:
    """A mount that does not follow, with no pixel scale to tell the rate."""
    rows = [(float(np.median(math.sqrt(12) * one.tracking.smears.rms_px)), one) for one in groups]
    line, moved = max(rows, key=lambda row: row[0] / row[1].fwhm_px)
    return answer(
        "untracked",
        log_odds_above(line / moved.fwhm_px, PLAIN_LINE, LINE_SCATTER),
        affected=moved.where(np.abs(moved.smear) > SEEN),
        cost=smear_cost(moved),
        evidence=(
            Evidence(statement="this mount does not follow the sky, and stars trail by", value=line, unit="px",
                     expected_if_healthy=f"below {PLAIN_LINE * moved.fwhm_px:.1f}"),
        ),
        rivals=(),
    )  # fmt: skip


def _sky_motion(moved: Moved, rig: Rig) -> tuple[float | None, float, float]:
    """Log-odds, rate of the trails and of the sky; None for the first without a pixel scale. [arcsec/s]"""
    scale, exposure = moved.scale_arcsec, moved.tracking.smears.typical_exposure_s
    if scale is None or not exposure > 0:
        return None, 0.0, 1.0
    full = SIDEREAL_RATE_ARCSEC_PER_S * cos_dec(moved)
    line = math.sqrt(12) * moved.tracking.smears.rms_px
    inside = float(np.median(line))
    rate = inside * scale / exposure
    drifted = float(np.median(moved.line_px)) * scale / exposure
    fast = log_odds_of_ratio(rate, UNTRACKED_ARCSEC_PER_S, RATE_SCATTER)
    if moved.drift_seen > SURE_SIGMA or len(moved.motion.minutes) > 5:
        fast = all_of(
            fast,
            log_odds_of_ratio(drifted, UNTRACKED_ARCSEC_PER_S, 2 * RATE_SCATTER),
            log_odds_above(moved.drift_seen, SURE_SIGMA, SIGMA_SCATTER),
        )
    slow = -math.inf
    drift = moved.tracking.drift
    if drift is None and rate < WRONG_SHARE * full:  # it may as well be a wrong axis
        of_rate = rate_over_axis(moved)
        fast = all_of(fast, of_rate)
        slow = all_of(
            log_odds_of_ratio(60 * drifted, WRONG_RATE_ARCSEC_PER_MIN, RATE_SCATTER),
            log_odds_above(moved.drift_seen, SURE_SIGMA, SIGMA_SCATTER),
            log_odds_above(drifted / max(rate, 1e-6), 0.6, 0.15),
            -moved.tracking.guided_log_odds,
            of_rate,
        )
    if drift is not None and moved.drift_seen > SURE_SIGMA:
        east, north = abs(drift.ra_arcsec_per_min), abs(drift.dec_arcsec_per_min)
        along = math.log(max(east, 1e-3) / math.hypot(north, 2 * drift.error_arcsec_per_min, 1e-3))
        fast = all_of(fast, log_odds_above(along, math.log(ALONG_RA), RATIO_SCATTER))
        slow = all_of(
            log_odds_of_ratio(east, WRONG_RATE_ARCSEC_PER_MIN, RATE_SCATTER),
            log_odds_above(along, math.log(ALONG_RA), RATIO_SCATTER),
            log_odds_above(drifted / max(rate, 1e-6), 0.6, 0.15),
        )
    drawn = log_odds_above(inside / moved.fwhm_px, PLAIN_LINE, LINE_SCATTER)
    if rig.mount_type == "fixed":  # beside the pole the middle may hardly trail
        return any_of(drawn, log_odds_above(corner_arc(moved), PLAIN_LINE, LINE_SCATTER)), rate, full
    odds = [drawn, any_of(fast, slow), _runs_by(moved)]
    if rig.guided:
        odds.append(-2.0)
    return all_of(*odds), rate, full


def _runs_by(moved: Moved) -> float:
    """Log-odds that stars move from frame to frame, as under any mount that does not follow; no weight if unknown."""
    found = [frame.registration for frame in moved.frames if frame.registration is not None]
    if len(found) < 2:
        return NOTHING_SAID
    shift = np.array([complex(one.shift_x_px, one.shift_y_px) for one in found])
    return log_odds_above(float(np.median(np.abs(np.diff(shift)))), LEAST_STEP_PX, STEP_SCATTER_PX)


def differential_flexure(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """Guided frames drift all the same, steadily, and are smeared along that drift."""
    known = [one for one in all_moved(night) if one.motion.drift_x_px_per_min is not None]
    if not known:
        return no_motion(night, "differential-flexure", "fewer than three frames share stars")
    moved, log_odds = likeliest(known, lambda one: _bending(one, rig))
    line, expected, _ = _line(moved)
    rate = 60 * line / moved.tracking.smears.typical_exposure_s
    evidence = [
        Evidence(
            statement="the frames drift by", value=rate if moved.scale_arcsec is None else rate * moved.scale_arcsec,
            unit="px/min" if moved.scale_arcsec is None else "arcsec/min",
            expected_if_healthy=f"below {FLEXURE_ARCSEC_PER_MIN} with a guider",
        ),
        Evidence(
            statement="that trails a star in one exposure by", value=line, unit="px",
            expected_if_healthy=f"below {LINE_SEEN * moved.fwhm_px:.1f}",
        ),
        Evidence(
            statement="of the smear expected from this drift is seen",
            value=100 * shear.seen_of(moved.smear, expected),
            unit="percent",
            expected_if_healthy="none is expected",
        ),
    ]  # fmt: skip
    return answer(
        "differential-flexure",
        log_odds,
        affected=moved.every_frame if log_odds > 0 else frozenset(),
        cost=min((line / moved.fwhm_px) ** 2 / 12 * 5.55, 1.0),
        evidence=tuple(evidence),
        rivals=(
            Rival(
                cause="polar-misalignment",
                why_less_likely="a guider takes its drift out, and leaves a turning field" if moved.tracking.guided
                else "whether a guider was at work is not known; without one, the axis explains it better",
            ),
            *CAUSES["differential-flexure"].rivals,
        ),
    )  # fmt: skip


def _bending(moved: Moved, rig: Rig) -> float:
    scale = moved.scale_arcsec
    line_px, _, bends = _line(moved)
    rate, line = 60 * line_px / moved.tracking.smears.typical_exposure_s, line_px / moved.fwhm_px
    along = all_of(
        log_odds_above(moved.drift_seen, SURE_SIGMA / 2, SIGMA_SCATTER / 2),
        log_odds_above(shear.coherence(moved.smear, moved.from_drift), COHERENT, 0.05),
        log_odds_above(float(np.median(moved.size)), SEEN, 0.03),
    )
    odds = [
        any_of(log_odds_above(moved.drift_seen, SURE_SIGMA, SIGMA_SCATTER), along, bends),
        log_odds_above(line, LINE_SEEN, LINE_SCATTER),
        moved.tracking.guided_log_odds,
    ]
    if rig.guided is None and moved.tracking.drift is None:
        odds.append(any_of(AXIS_AS_WELL, bends))
    turned = abs(moved.motion.rotation_deg_per_hour or 0.0)
    if turned > SURE_SIGMA * (moved.motion.rotation_error_deg_per_hour or math.inf):
        # a field that turns about a guide star beside it drifts as well
        exposure = moved.frames[0].result.exposure
        near = GUIDE_STAR_DIAGONALS * math.hypot(exposure.width_px, exposure.height_px)
        if scale is not None:
            near = max(near, 60 * GUIDE_STAR_ARCMIN / scale)
        odds.append(log_odds_of_ratio(60 * rate / math.radians(turned), near, FLEXURE_SCATTER))
    if scale is not None:
        odds.append(log_odds_of_ratio(rate * scale, FLEXURE_ARCSEC_PER_MIN, FLEXURE_SCATTER))
        # nothing bends by a degree in three hours
        odds.append(log_odds_of_ratio(60 * UNTRACKED_ARCSEC_PER_S, rate * scale, FLEXURE_SCATTER))
    return all_of(*odds)


def _line(moved: Moved) -> tuple[float, Complexes, float]:
    """Usual length of the drift's line in an exposure, the smear expected, and the log-odds that it turns slowly.

    Where the direction turns, the speed beside each frame tells line and smear, else one drift for all.
    """
    smears = moved.tracking.smears
    local = lines_px(moved.motion, smears.frames, smears.exposure_s)
    known = np.isfinite(local)
    straight = float(np.median(moved.line_px))
    if known.sum() < FEWEST_TURNING:
        return straight, moved.from_drift, -NOTHING_SAID
    kept = float(abs(local[known].sum()) / max(np.abs(local[known]).sum(), 1e-9))
    bends = all_of(
        log_odds_above(kept, ONE_WAY, ONE_WAY_SCATTER),
        log_odds_above(shear.coherence(moved.smear[known], moved.from_speed[known]), COHERENT, 0.05),
        log_odds_above(float(np.median(moved.size)), SEEN, 0.03),
    )
    if bends <= 0:
        return straight, moved.from_drift, bends
    return float(np.median(np.abs(local[known]))), np.where(known, moved.from_speed, moved.from_drift), bends
