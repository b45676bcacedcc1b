"""Causes in the setting up of the mount: a wrong polar axis, and a field that turns."""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from framecheck import shear
from framecheck.causes.catalogue import CAUSES
from framecheck.causes.moved import (
    LINE_SCATTER,
    LINE_SEEN,
    SIGMA_SCATTER,
    SURE_SIGMA,
    Moved,
    all_moved,
    cos_dec,
    likeliest,
    line_cost,
    no_motion,
)
from framecheck.causes.result import (
    CannotTell,
    Evidence,
    Finding,
    Healthy,
    Rival,
    all_of,
    answer,
    log_odds_above,
    log_odds_of_ratio,
)
from framecheck.motion.night import Night
from framecheck.motion.polar import ARCSEC_PER_MIN_PER_ARCMIN, DEG_PER_HOUR_PER_ARCMIN
from framecheck.read.rig import Rig

POLAR_ARCMIN: Final = 4.0
"""[arcmin] Polar errors below are usual, and harmless where they do not smear. Common practice, no source."""
POLAR_GROSS_ARCMIN: Final = 15.0
"""[arcmin] In a guided night, from which an axis is called wrong by the turning of the field. Chosen."""
POLAR_SCATTER: Final = 0.3
"""[dimensionless] Of ln(polar error), beside its own interval. Chosen."""

DRAWN_OUT: Final = 0.4
DRAWN_OUT_SCATTER: Final = 0.15
"""Smear over that which the drift lets expect, from which the drift is one of the exposures. [dimensionless] Chosen."""
OPTICS_DRAW: Final = 0.05
"""Smear that the optics may add or take. [squared FWHM] Chosen: half of what is seen."""

CORNER_SEEN: Final = 0.45
"""Length of the corner's arc over the FWHM from which turning smears. [dimensionless] Chosen: an elongation of 1.06."""
ALTAZ_DEG_PER_HOUR: Final = 3.0
"""[deg/h] Turning that no polar error of an equatorial mount makes: 11 degrees of it at the equator. Closed form."""


def polar_misalignment(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """Unguided frames drift as a wrong axis makes them; or guided ones turn about the guide star."""
    groups = [one for one in all_moved(night) if one.motion.drift_px_per_min is not None]
    if not groups or rig.mount_type in ("alt-azimuth", "fixed"):
        return _no_polar(night, rig, groups)
    signs = [sign for one in groups for sign in (_by_drift(one), _by_turning(one, rig)) if sign is not None]
    if not signs:
        return _no_polar(night, rig, groups)
    best = max(signs, key=lambda one: one.log_odds)
    found = answer(
        "polar-misalignment",
        best.log_odds,
        affected=best.moved.every_frame if best.log_odds > 0 else frozenset(),
        cost=best.cost,
        evidence=best.evidence,
        rivals=best.rivals,
    )
    if isinstance(found, Finding) and best.by_turning:  # neither bending nor a rate turns a guided field
        found = replace(found, stands=True)
    known = any(one.tracking.polar is not None and one.tracking.polar_from != "turning" for one in groups)
    return found if known or isinstance(found, Finding) else _no_polar(night, rig, groups)


@dataclass(frozen=True, slots=True)
class _Sign:
    """What speaks for a wrong axis in one group."""

    moved: Moved
    log_odds: float
    cost: float | None
    evidence: tuple[Evidence, ...]
    rivals: tuple[Rival, ...]
    by_turning: bool = False


def _drawn_out(moved: Moved) -> float:
    """Log-odds that the stars are drawn out as the drift between exposures lets expect."""
    expected = float(np.median(np.abs(moved.from_drift)))
    scatter = math.hypot(DRAWN_OUT_SCATTER, OPTICS_DRAW / max(expected, 1e-6))
    return log_odds_above(float(shear.seen_of(moved.smear, moved.from_drift)), DRAWN_OUT, scatter)


def _by_drift(moved: Moved) -> _Sign | None:
    """Drift without a guider: in declination, or all of it where no axes are known. None without a pixel scale."""
    drift, scale = moved.tracking.drift, moved.scale_arcsec
    whole, error = moved.motion.drift_px_per_min, moved.motion.drift_error_px_per_min
    if whole is None or error is None or scale is None:
        return None
    seen, of_noise = abs(whole) * scale, error * scale
    if drift is not None:  # one part of it alone
        seen, of_noise = abs(drift.dec_arcsec_per_min), drift.error_arcsec_per_min / math.sqrt(2)
    rate = float(shear.calm(seen, of_noise))
    seconds = moved.tracking.smears.typical_exposure_s
    line = rate * (seconds if math.isfinite(seconds) else 0.0) / 60 / scale / moved.fwhm_px
    log_off, scatter, off = _off(moved, ("drift", "turning"), rate / ARCSEC_PER_MIN_PER_ARCMIN, "about")
    log_odds = all_of(
        log_odds_above(log_off, math.log(POLAR_ARCMIN), scatter),
        log_odds_above(line, LINE_SEEN, LINE_SCATTER),
        moved.tracking.drifting.log_odds("axis"),
    )
    if moved.drift_seen < SURE_SIGMA:  # a sure one stands, even where another motion rounds the stars
        log_odds = all_of(log_odds, _drawn_out(moved))
    evidence = (
        off,
        Evidence(
            statement="without a guider the pointing drifts by" if drift is None
            else "the pointing drifts in declination by",
            value=seen if drift is None else drift.dec_arcsec_per_min, unit="arcsec/min",
            expected_if_healthy=f"what refraction makes, below {1 if drift is None else 0.4}",
        ),
        Evidence(
            statement="the drift draws a star out in one exposure by", value=line * moved.fwhm_px, unit="px",
            expected_if_healthy=f"below {LINE_SEEN * moved.fwhm_px:.1f}",
        ),
    )  # fmt: skip
    rivals = (
        Rival(cause="differential-flexure", why_less_likely="it bends guided frames; these follow the axis"),
        Rival(cause="untracked", why_less_likely="a wrong rate is rarer than an axis a little off; it drifts "
              "along right ascension as the gear's own swing does"),
        *CAUSES["polar-misalignment"].rivals,
    )  # fmt: skip
    return _Sign(moved, log_odds, line_cost(line), evidence, rivals)


def _by_turning(moved: Moved, rig: Rig) -> _Sign | None:
    """Turning under a guider that smears the corners, or the field about a guide star far off. None if unknown."""
    rate, error = moved.motion.rotation_deg_per_hour, moved.motion.rotation_error_deg_per_hour
    if rate is None or not error:
        return None
    least, line = abs(rate) * cos_dec(moved) / DEG_PER_HOUR_PER_ARCMIN, max(corner_arc(moved), _sure_line(moved))
    log_off, scatter, off = _off(moved, ("rotation",), least, "at least")
    odds = [
        log_odds_above(log_off, math.log(POLAR_GROSS_ARCMIN), scatter),
        log_odds_above(abs(rate) / error, SURE_SIGMA, SIGMA_SCATTER),
        log_odds_above(line, LINE_SEEN, LINE_SCATTER),
        moved.tracking.guided_log_odds,
    ]
    if rig.mount_type is None:
        odds.append(log_odds_of_ratio(ALTAZ_DEG_PER_HOUR, abs(rate), POLAR_SCATTER))
    turning = Evidence(statement="the field turns by", value=rate, unit="deg/h", expected_if_healthy=0.0)
    drawn = Evidence(
        statement="where it is worst, a star is drawn out in one exposure by", value=line * moved.fwhm_px, unit="px",
        expected_if_healthy=f"below {LINE_SEEN * moved.fwhm_px:.1f}",
    )  # fmt: skip
    rivals = (
        Rival(cause="differential-flexure", why_less_likely="bending shifts a field, it does not turn it"),
        Rival(cause="field-rotation", why_less_likely="it is what the wrong axis does, named beside it"),
        *CAUSES["polar-misalignment"].rivals,
    )
    return _Sign(moved, all_of(*odds), None, (off, turning, drawn), rivals, by_turning=True)


def _sure_line(moved: Moved) -> float:
    """Line that a sure drift draws in one exposure, over the FWHM: what turns about a guide star far off moves, too."""
    seconds = moved.tracking.smears.typical_exposure_s
    if moved.drift_seen < SURE_SIGMA or not math.isfinite(seconds):
        return 0.0
    return abs(moved.motion.drift_px_per_min or 0.0) * seconds / 60 / moved.fwhm_px


def _off(moved: Moved, ways: tuple[str, ...], otherwise_arcmin: float, by: str) -> tuple[float, float, Evidence]:
    """Logarithm of how far the axis is off, its scatter, and the words for it: as known, or by the closed form."""
    polar, scatter = moved.tracking.polar, POLAR_SCATTER
    arcmin = otherwise_arcmin
    if polar is not None and moved.tracking.polar_from in ways:
        arcmin, by = polar.value_arcmin, "about"
        scatter = math.hypot(scatter, math.log(max(arcmin / max(polar.low_arcmin, 1e-2), 1.05)) / 1.645)
    said = Evidence(
        statement=f"the polar axis is off by {by}", value=arcmin, unit="arcmin",
        expected_if_healthy=f"below {POLAR_ARCMIN:.0f}",
    )  # fmt: skip
    return math.log(max(arcmin, 1e-3)), scatter, said


def _no_polar(night: Night, rig: Rig, groups: list[Moved]) -> Healthy | CannotTell:
    if rig.mount_type in ("alt-azimuth", "fixed"):
        return CannotTell(
            cause="polar-misalignment", because="this mount has no polar axis in use",
            what_would_settle_it="nothing needs to be: it does not apply",
        )  # fmt: skip
    if not groups:
        return no_motion(night, "polar-misalignment", "")
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
        return no_motion(night, "field-rotation", "fewer than three frames share stars")
    moved, log_odds = likeliest(known, lambda one: _turning(one, rig))
    rate = moved.motion.rotation_deg_per_hour or 0.0
    return answer(
        "field-rotation",
        log_odds,
        affected=moved.every_frame if log_odds > 0 else frozenset(),
        cost=min(corner_arc(moved) ** 2 / 12 * 5.55 / 2, 1.0),
        evidence=(
            Evidence(statement="the field turns by", value=rate, unit="deg/h", expected_if_healthy=0.0),
            Evidence(
                statement="a corner star trails along the circle by",
                value=corner_arc(moved) * moved.fwhm_px, unit="px",
                expected_if_healthy=f"below {CORNER_SEEN * moved.fwhm_px:.1f}",
            ),
        ),
        rivals=(
            *CAUSES["field-rotation"].rivals,
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
        log_odds_above(corner_arc(moved), CORNER_SEEN, LINE_SCATTER),
        log_odds_above(rate / max(error, 1e-9), SURE_SIGMA, SIGMA_SCATTER),
    ]
    return all_of(*odds)


def corner_arc(moved: Moved) -> float:
    """Length of the arc that a star in the corner draws in one exposure about the middle, over the FWHM."""
    exposure = moved.frames[0].result.exposure
    corner = math.hypot(exposure.width_px, exposure.height_px) / 2
    seconds = moved.tracking.smears.typical_exposure_s
    rate = abs(moved.motion.rotation_deg_per_hour or 0.0)
    return math.radians(rate) * seconds / 3600 * corner / moved.fwhm_px
