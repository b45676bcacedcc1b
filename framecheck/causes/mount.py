"""Causes in the mount that move the stars steadily: no tracking, a wrong polar axis, a turning field, flexure."""

import math
from collections.abc import Callable, Iterable
from typing import Final

import numpy as np

from framecheck.causes.moved import LINE_SEEN, SEEN, Moved, all_moved
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
from framecheck.constants import SIDEREAL_RATE_ARCSEC_PER_S
from framecheck.night.polar import DEG_PER_HOUR_PER_ARCMIN
from framecheck.night.records import Night
from framecheck.read.rig import Rig

UNTRACKED_ARCSEC_PER_S: Final = 0.35
"""[arcsec/s] Faster motion is no tracking, or a wrong rate: an axis 80 arcminutes off makes as much (closed form)."""
WRONG_RATE_ARCSEC_PER_MIN: Final = 2.5
"""[arcsec/min] Steady drift along right ascension alone that a wrong rate makes: 0.3 percent of the sky's own. Chosen:
refraction makes up to 1 where telescopes point."""
ALONG_RA: Final = 5.0
"""Drift along right ascension over that in declination from which a wrong axis hardly explains it. Chosen."""
RATIO_SCATTER: Final = 0.4
RATE_SCATTER: Final = 0.2
"""[dimensionless] Error of ln(rate) of a trail. Chosen."""
PLAIN_LINE: Final = 0.5
"""Length of a line over the FWHM from which its length is known. Chosen."""
LINE_SCATTER: Final = 0.1
"""[dimensionless] Error of a line's length over the FWHM. Chosen."""

SURE_SIGMA: Final = 4.0
"""Drift over its error from which it is real. Chosen: errors of a drift rest on few frames."""
SIGMA_SCATTER: Final = 1.3

PREDICTED_SCATTER: Final = 0.35
"""[dimensionless] Error of the smear that a drift lets expect, over itself. Chosen."""

POLAR_ARCMIN: Final = 4.0
"""[arcmin] Polar errors below are usual, and harmless where they do not smear. Common practice, no source."""
POLAR_GROSS_ARCMIN: Final = 15.0
"""[arcmin] In a guided night, from which an axis is called wrong by the turning of the field. Chosen."""
POLAR_SCATTER: Final = 0.3
"""[dimensionless] Of ln(polar error), beside its own interval. Chosen."""

CORNER_SEEN: Final = 0.45
"""Length of the corner's arc over the FWHM from which turning smears. [dimensionless] Chosen: an elongation of 1.06."""
ALTAZ_DEG_PER_HOUR: Final = 3.0
"""[deg/h] Turning that no polar error of an equatorial mount makes: 11 degrees of it at the equator. Closed form."""

FLEXURE_ARCSEC_PER_MIN: Final = 0.1
"""[arcsec/min] Drift of guided frames from which something bends. Chosen: half a pixel in ten minutes."""
FLEXURE_SCATTER: Final = 0.35
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
        return _no_motion(night, "untracked", "the pixel scale is unknown, so a trail has no rate in arcseconds")
    moved, log_odds, rate, full = max(known, key=lambda row: -math.inf if row[1] is None else row[1])
    share = rate / full
    return answer(
        "untracked",
        log_odds or 0.0,
        frames_affected=int((np.abs(moved.smear) > 0.2).sum()),
        cost=_cost(moved),
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
            Rival(cause="shock", why_less_likely="a knock spoils single frames, these lines are in all"),
        ),
    )  # fmt: skip


def _on_tripod(groups: list[Moved]) -> Finding | Healthy:
    """A mount that does not follow, with no pixel scale to tell the rate."""
    rows = [(float(np.median(math.sqrt(12) * one.tracking.smears.rms_px)), one) for one in groups]
    line, moved = max(rows, key=lambda row: row[0] / row[1].fwhm_px)
    return answer(
        "untracked",
        log_odds_above(line / moved.fwhm_px, PLAIN_LINE, LINE_SCATTER),
        frames_affected=int((np.abs(moved.smear) > SEEN).sum()),
        cost=_cost(moved),
        evidence=(
            Evidence(statement="this mount does not follow the sky, and stars are drawn out by", value=line, unit="px",
                     expected_if_healthy=f"below {PLAIN_LINE * moved.fwhm_px:.1f}"),
        ),
    )  # fmt: skip


def _sky_motion(moved: Moved, rig: Rig) -> tuple[float | None, float, float]:
    """Log-odds, rate of the trails and of the sky; None for the first without a pixel scale. [arcsec/s]"""
    scale, exposure = moved.scale_arcsec, float(np.nanmedian(moved.tracking.smears.exposure_s))
    if scale is None or not exposure > 0:
        return None, 0.0, 1.0
    full = SIDEREAL_RATE_ARCSEC_PER_S * _cos_dec(moved)
    line = math.sqrt(12) * moved.tracking.smears.rms_px
    inside = float(np.median(line))
    rate = inside * scale / exposure
    drifted = float(np.median(moved.line_px)) * scale / exposure
    fast = _above_in_ratio(rate, UNTRACKED_ARCSEC_PER_S, RATE_SCATTER)
    if moved.drift_seen > SURE_SIGMA or len(moved.motion.minutes) > 5:
        fast = all_of(fast, _above_in_ratio(drifted, UNTRACKED_ARCSEC_PER_S, 2 * RATE_SCATTER))
    slow = -math.inf
    drift = moved.tracking.drift
    if drift is not None and moved.drift_seen > SURE_SIGMA:
        east, north = abs(drift.ra_arcsec_per_min), abs(drift.dec_arcsec_per_min)
        along = math.log(max(east, 1e-3) / math.hypot(north, 2 * drift.error_arcsec_per_min, 1e-3))
        fast = all_of(fast, log_odds_above(along, math.log(ALONG_RA), RATIO_SCATTER))
        slow = all_of(
            _above_in_ratio(east, WRONG_RATE_ARCSEC_PER_MIN, RATE_SCATTER),
            log_odds_above(along, math.log(ALONG_RA), RATIO_SCATTER),
            log_odds_above(drifted / max(rate, 1e-6), 0.6, 0.15),
        )
    drawn = log_odds_above(inside / moved.fwhm_px, PLAIN_LINE, LINE_SCATTER)
    if rig.mount_type == "fixed":
        return drawn, rate, full
    odds = [drawn, any_of(fast, slow)]
    if rig.guided:
        odds.append(-2.0)
    return all_of(*odds), rate, full


def polar_misalignment(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """Unguided frames drift in declination as a wrong axis makes them; or guided ones turn about the guide star."""
    groups = list(all_moved(night))
    known = [one for one in groups if one.tracking.polar is not None]
    if not known or rig.mount_type in ("alt-azimuth", "fixed"):
        turning = [one for one in groups if one.motion.rotation_deg_per_hour is not None]
        by_turning = (
            _from_turning_alone(turning, rig) if turning and rig.mount_type not in ("alt-azimuth", "fixed") else None
        )
        return by_turning or _no_polar(night, rig, groups)
    moved, log_odds = _likeliest(known, lambda one: _axis_off(one, rig))
    polar, drift = moved.tracking.polar, moved.tracking.drift
    assert polar is not None
    evidence = [
        Evidence(
            statement="the polar axis is off by about", value=polar.value_arcmin, unit="arcmin",
            expected_if_healthy=f"below {POLAR_ARCMIN:.0f}",
        )
    ]  # fmt: skip
    if moved.tracking.polar_from == "drift" and drift is not None:
        evidence.append(
            Evidence(
                statement="the pointing drifts in declination by", value=drift.dec_arcsec_per_min, unit="arcsec/min",
                expected_if_healthy="what refraction makes, below 0.4",
            )
        )  # fmt: skip
        evidence.append(
            Evidence(
                statement="the drift draws a star out in one exposure by", value=_dec_line(moved) * moved.fwhm_px,
                unit="px", expected_if_healthy=f"below {LINE_SEEN * moved.fwhm_px:.1f}",
            )
        )  # fmt: skip
    else:
        evidence.append(
            Evidence(
                statement="the field turns by", value=moved.motion.rotation_deg_per_hour, unit="deg/h",
                expected_if_healthy=0.0,
            )
        )  # fmt: skip
    return answer(
        "polar-misalignment",
        log_odds,
        frames_affected=len(moved.frames) if log_odds > 0 else 0,
        cost=min(_dec_line(moved) ** 2 / 12 * 5.55, 1.0) if moved.tracking.polar_from == "drift" else None,
        evidence=tuple(evidence),
        rivals=(
            Rival(
                cause="differential-flexure",
                why_less_likely="it bends guided frames; these follow the axis" if moved.tracking.guided is not True
                else "bending shifts a field, it does not turn it",
            ),
            Rival(cause="periodic-error", why_less_likely="it comes and goes along right ascension, with no net drift"),
        ),
    )  # fmt: skip


def _from_turning_alone(groups: list[Moved], rig: Rig) -> Finding | None:
    """A claim from frames that turn under a guider, where nothing tells the axis' own angle; None without one."""
    moved, log_odds = _likeliest(groups, lambda one: _turns_under_guider(one, rig))
    least = _least_axis_arcmin(moved)
    found = answer(
        "polar-misalignment",
        log_odds,
        frames_affected=len(moved.frames) if log_odds > 0 else 0,
        cost=None,
        evidence=(
            Evidence(
                statement="the field turns by", value=moved.motion.rotation_deg_per_hour, unit="deg/h",
                expected_if_healthy=0.0,
            ),
            Evidence(
                statement="so that the polar axis is off by at least", value=least, unit="arcmin",
                expected_if_healthy=f"below {POLAR_GROSS_ARCMIN:.0f}",
            ),
        ),
        rivals=(Rival(cause="field-rotation", why_less_likely="it is what the wrong axis does, named beside it"),),
    )  # fmt: skip
    return found if isinstance(found, Finding) and log_odds > 0 else None


def _least_axis_arcmin(moved: Moved) -> float:
    """Smallest polar error that turns a guided field so fast. [arcmin] Closed form: 0.2625 deg/h a degree at most."""
    return abs(moved.motion.rotation_deg_per_hour or 0.0) * _cos_dec(moved) / DEG_PER_HOUR_PER_ARCMIN


def _turns_under_guider(moved: Moved, rig: Rig) -> float:
    rate, error = abs(moved.motion.rotation_deg_per_hour or 0.0), moved.motion.rotation_error_deg_per_hour or math.inf
    odds = [
        _above_in_ratio(_least_axis_arcmin(moved), POLAR_GROSS_ARCMIN, POLAR_SCATTER),
        log_odds_above(rate / max(error, 1e-9), SURE_SIGMA, SIGMA_SCATTER),
        moved.tracking.guided_log_odds,
        -(_sky_motion(moved, rig)[0] or -4.0),
    ]
    if rig.mount_type is None:
        odds.append(_above_in_ratio(ALTAZ_DEG_PER_HOUR, rate, 0.3))
    return all_of(*odds)


def _axis_off(moved: Moved, rig: Rig) -> float:
    polar = moved.tracking.polar
    if polar is None:
        return -math.inf
    known = math.hypot(POLAR_SCATTER, math.log(max(polar.value_arcmin / max(polar.low_arcmin, 1e-2), 1.05)) / 1.645)
    if moved.tracking.polar_from == "rotation":
        error = moved.motion.rotation_error_deg_per_hour or math.inf
        rate = abs(moved.motion.rotation_deg_per_hour or 0.0)
        return all_of(
            log_odds_above(math.log(polar.value_arcmin), math.log(POLAR_GROSS_ARCMIN), known),
            log_odds_above(rate / error, SURE_SIGMA, SIGMA_SCATTER),
            4.0 if rig.mount_type is not None else _above_in_ratio(ALTAZ_DEG_PER_HOUR, rate, 0.3),
        )
    drift = moved.tracking.drift
    if drift is None:
        return -math.inf
    sure = abs(drift.dec_arcsec_per_min) / max(drift.error_arcsec_per_min, 1e-6)
    return all_of(
        log_odds_above(math.log(polar.value_arcmin), math.log(POLAR_ARCMIN), known),
        log_odds_above(_dec_line(moved), LINE_SEEN, LINE_SCATTER),
        log_odds_above(sure, SURE_SIGMA, SIGMA_SCATTER),
        -(_sky_motion(moved, rig)[0] or -4.0),
        -moved.tracking.guided_log_odds,
    )


def _dec_line(moved: Moved) -> float:
    """Length of the line that drift in declination draws in one exposure, over the FWHM."""
    drift, scale = moved.tracking.drift, moved.scale_arcsec
    if drift is None or scale is None:
        return 0.0
    exposure = float(np.nanmedian(moved.tracking.smears.exposure_s))
    return abs(drift.dec_arcsec_per_min) * exposure / 60 / scale / moved.fwhm_px


def _no_polar(night: Night, rig: Rig, groups: list[Moved]) -> Healthy | CannotTell:
    if rig.mount_type in ("alt-azimuth", "fixed"):
        return CannotTell(
            cause="polar-misalignment", because="this mount has no polar axis in use",
            what_would_settle_it="nothing needs to be: it does not apply",
        )  # fmt: skip
    if not groups:
        return _no_motion(night, "polar-misalignment", "")
    lacking = "the site's latitude" if rig.site_latitude_deg is None else "which way north lies in the image"
    if groups[0].tracking.axes is not None and rig.site_latitude_deg is not None:
        lacking = "where the telescope pointed, or how far the frames moved against each other"
    return CannotTell(
        cause="polar-misalignment", because=f"the frames do not tell {lacking}",
        what_would_settle_it="plate-solved headers with the site's place, and three unguided frames or more",
    )  # fmt: skip


def field_rotation(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """The field turns between exposures so fast that its corners are smeared inside them."""
    known = [one for one in all_moved(night) if one.motion.rotation_deg_per_hour is not None]
    if not known:
        return _no_motion(night, "field-rotation", "fewer than three frames share stars")
    moved, log_odds = _likeliest(known, lambda one: _turning(one, rig))
    rate = moved.motion.rotation_deg_per_hour or 0.0
    return answer(
        "field-rotation",
        log_odds,
        frames_affected=len(moved.frames) if log_odds > 0 else 0,
        cost=min(_corner_arc(moved) ** 2 / 12 * 5.55 / 2, 1.0),
        evidence=(
            Evidence(statement="the field turns by", value=rate, unit="deg/h", expected_if_healthy=0.0),
            Evidence(
                statement="a star in the corner is drawn out along the circle by",
                value=_corner_arc(moved) * moved.fwhm_px, unit="px",
                expected_if_healthy=f"below {CORNER_SEEN * moved.fwhm_px:.1f}",
            ),
        ),
        rivals=(
            Rival(cause="field-curvature", why_less_likely="optics do not turn the stars from frame to frame"),
            Rival(
                cause="polar-misalignment",
                why_less_likely=f"{abs(rate):.1f} deg/h take an axis {abs(rate) / 0.2625 * 60 / 60:.0f} degrees off"
                if abs(rate) > ALTAZ_DEG_PER_HOUR else "it is what turns the field, and is named beside it",
            ),
        ),
    )  # fmt: skip


def _turning(moved: Moved, rig: Rig) -> float:
    rate, error = abs(moved.motion.rotation_deg_per_hour or 0.0), moved.motion.rotation_error_deg_per_hour or math.inf
    odds = [
        log_odds_above(_corner_arc(moved), CORNER_SEEN, LINE_SCATTER),
        log_odds_above(rate / max(error, 1e-9), SURE_SIGMA, SIGMA_SCATTER),
    ]
    still = _sky_motion(moved, rig)[0]
    if still is not None:  # an untracked camera sees the sky turn about the pole
        odds.append(-still)
    return all_of(*odds)


def _corner_arc(moved: Moved) -> float:
    """Length of the arc that a star in the corner draws in one exposure about the middle, over the FWHM."""
    exposure = moved.frames[0].result.exposure
    corner = math.hypot(exposure.width_px, exposure.height_px) / 2
    seconds = float(np.nanmedian(moved.tracking.smears.exposure_s))
    rate = abs(moved.motion.rotation_deg_per_hour or 0.0)
    return math.radians(rate) * seconds / 3600 * corner / moved.fwhm_px


def differential_flexure(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """Guided frames drift all the same, steadily, and are smeared along that drift."""
    known = [one for one in all_moved(night) if one.motion.drift_x_px_per_min is not None]
    if not known:
        return _no_motion(night, "differential-flexure", "fewer than three frames share stars")
    moved, log_odds = _likeliest(known, lambda one: _bending(one, rig))
    rate = math.hypot(moved.motion.drift_x_px_per_min or 0.0, moved.motion.drift_y_px_per_min or 0.0)
    line = float(np.median(moved.line_px))
    evidence = [
        Evidence(
            statement="the frames drift by", value=rate if moved.scale_arcsec is None else rate * moved.scale_arcsec,
            unit="px/min" if moved.scale_arcsec is None else "arcsec/min",
            expected_if_healthy=f"below {FLEXURE_ARCSEC_PER_MIN} with a guider",
        ),
        Evidence(
            statement="that draws a star out in one exposure by", value=line, unit="px",
            expected_if_healthy=f"below {LINE_SEEN * moved.fwhm_px:.1f}",
        ),
        Evidence(
            statement="of the smear that this drift lets expect is seen", value=100 * _agreement(moved), unit="percent",
            expected_if_healthy="none is expected",
        ),
    ]  # fmt: skip
    return answer(
        "differential-flexure",
        log_odds,
        frames_affected=len(moved.frames) if log_odds > 0 else 0,
        cost=min((line / moved.fwhm_px) ** 2 / 12 * 5.55, 1.0),
        evidence=tuple(evidence),
        rivals=(
            Rival(
                cause="polar-misalignment",
                why_less_likely="a guider takes its drift out, and leaves a turning field" if moved.tracking.guided
                else "whether a guider was at work is not known; without one, the axis explains it better",
            ),
            Rival(cause="guiding-noise", why_less_likely="it has no direction that lasts from frame to frame"),
        ),
    )  # fmt: skip


def _bending(moved: Moved, rig: Rig) -> float:
    scale = moved.scale_arcsec
    rate = math.hypot(moved.motion.drift_x_px_per_min or 0.0, moved.motion.drift_y_px_per_min or 0.0)
    line = float(np.median(moved.line_px)) / moved.fwhm_px
    odds = [
        log_odds_above(moved.drift_seen, SURE_SIGMA, SIGMA_SCATTER),
        log_odds_above(line, LINE_SEEN, LINE_SCATTER),
        moved.tracking.guided_log_odds,
    ]
    turned = abs(moved.motion.rotation_deg_per_hour or 0.0)
    if turned > SURE_SIGMA * (moved.motion.rotation_error_deg_per_hour or math.inf):
        # a field that turns about a guide star beside it drifts as well
        exposure = moved.frames[0].result.exposure
        near = GUIDE_STAR_DIAGONALS * math.hypot(exposure.width_px, exposure.height_px)
        if scale is not None:
            near = max(near, 60 * GUIDE_STAR_ARCMIN / scale)
        odds.append(_above_in_ratio(60 * rate / math.radians(turned), near, FLEXURE_SCATTER))
    if scale is not None:
        odds.append(_above_in_ratio(rate * scale, FLEXURE_ARCSEC_PER_MIN, FLEXURE_SCATTER))
        # nothing bends by half a degree an hour
        odds.append(_above_in_ratio(60 * UNTRACKED_ARCSEC_PER_S / 2, rate * scale, FLEXURE_SCATTER))
    return all_of(*odds)


def _agreement(moved: Moved) -> float:
    """Part of the smear predicted from the drift that is seen along it; 0 where none is predicted."""
    power = float(np.sum(np.abs(moved.from_drift) ** 2))
    return float(np.sum((moved.smear * moved.from_drift.conj()).real)) / power if power > 0 else 0.0


def _cos_dec(moved: Moved) -> float:
    axes = moved.tracking.axes
    dec = axes.orientation.dec_deg if axes is not None and axes.orientation is not None else math.nan
    if not math.isfinite(dec):
        known = [f.result.exposure.dec_deg for f in moved.frames if f.result.exposure.dec_deg is not None]
        dec = known[0] if known else math.nan
    return max(math.cos(math.radians(dec)), 0.05) if math.isfinite(dec) else 1.0


def _cost(moved: Moved) -> float:
    """Part of the squared FWHM that the smear makes: 1 - b / a."""
    return float(1 - np.exp(-np.arcsinh(np.median(moved.size))))


def _above_in_ratio(value: float, limit: float, scatter: float) -> float:
    return log_odds_above(math.log(max(value, 1e-6)), math.log(max(limit, 1e-6)), scatter)


def _likeliest(groups: Iterable[Moved], odds: Callable[[Moved], float]) -> tuple[Moved, float]:
    rows = [(one, odds(one)) for one in groups]
    return max(rows, key=lambda row: row[1])


def _no_motion(night: Night, cause: str, otherwise: str) -> CannotTell:
    stars = any(frame.result.shape is not None for frame in night.frames)
    return CannotTell(
        cause=cause,
        because=otherwise if stars and otherwise else "too few stars, or too few frames, show how the mount moved",
        what_would_settle_it="a run of ten frames or more of one target, with the pixel scale known",
    )
