"""Causes in the setting up of the mount: a wrong polar axis, and a field that turns."""

import math
from typing import Final

import numpy as np

from framecheck.causes.catalogue import CAUSES
from framecheck.causes.moved import (
    LINE_SCATTER,
    LINE_SEEN,
    RATIO_SCATTER,
    SIGMA_SCATTER,
    SURE_SIGMA,
    Moved,
    all_moved,
    cos_dec,
    likeliest,
    no_motion,
    smear_cost,
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

CORNER_SEEN: Final = 0.45
"""Length of the corner's arc over the FWHM from which turning smears. [dimensionless] Chosen: an elongation of 1.06."""
ALTAZ_DEG_PER_HOUR: Final = 3.0
"""[deg/h] Turning that no polar error of an equatorial mount makes: 11 degrees of it at the equator. Closed form."""


def polar_misalignment(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """Unguided frames drift in declination as a wrong axis makes them; or guided ones turn about the guide star."""
    groups = list(all_moved(night))
    known = [one for one in groups if one.tracking.polar is not None and one.tracking.polar_from != "turning"]
    if not known or rig.mount_type in ("alt-azimuth", "fixed"):
        turning = [one for one in groups if one.motion.rotation_deg_per_hour is not None]
        found = None
        if turning and rig.mount_type not in ("alt-azimuth", "fixed"):
            found = _from_turning_alone(turning, rig) or _from_drift_alone(turning, rig)
        return found or _no_polar(night, rig, groups)
    moved, log_odds = likeliest(known, lambda one: _axis_off(one, rig))
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
        affected=moved.every_frame if log_odds > 0 else frozenset(),
        cost=min(_dec_line(moved) ** 2 / 12 * 5.55, 1.0) if moved.tracking.polar_from == "drift" else None,
        evidence=tuple(evidence),
        rivals=(
            Rival(
                cause="differential-flexure",
                why_less_likely="it bends guided frames; these follow the axis" if moved.tracking.guided is not True
                else "bending shifts a field, it does not turn it",
            ),
            *CAUSES["polar-misalignment"].rivals,
        ),
    )  # fmt: skip


def _from_turning_alone(groups: list[Moved], rig: Rig) -> Finding | None:
    """A claim from frames that turn under a guider, where nothing tells the axis' own angle; None without one."""
    moved, log_odds = likeliest(groups, lambda one: _turns_under_guider(one, rig))
    least = _least_axis_arcmin(moved)
    found = answer(
        "polar-misalignment",
        log_odds,
        affected=moved.every_frame if log_odds > 0 else frozenset(),
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


def _from_drift_alone(groups: list[Moved], rig: Rig) -> Finding | None:
    """A claim from unguided frames that drift and are smeared by it, with no axes to say by how much; or None."""
    known = [one for one in groups if one.tracking.drift is None and one.scale_arcsec is not None]
    if not known:
        return None
    moved, log_odds = likeliest(known, lambda one: _drifts_unguided(one, rig))
    rate = math.hypot(moved.motion.drift_x_px_per_min or 0.0, moved.motion.drift_y_px_per_min or 0.0)
    found = answer(
        "polar-misalignment",
        log_odds,
        affected=moved.every_frame if log_odds > 0 else frozenset(),
        cost=smear_cost(moved),
        evidence=(
            *_off_by_turning(moved),
            Evidence(
                statement="without a guider the frames drift by", value=rate * (moved.scale_arcsec or 0.0),
                unit="arcsec/min", expected_if_healthy="what refraction makes, below 1",
            ),
        ),
        rivals=(
            Rival(cause="untracked", why_less_likely="a wrong rate is rarer than an axis a little off; it drifts "
                  "along right ascension as the gear's own swing does, and turns no field"),
        ),
    )  # fmt: skip
    return found if isinstance(found, Finding) else None


def _off_by_turning(moved: Moved) -> tuple[Evidence, ...]:
    """How far the axis is off, where a lens shows it by all that is left of the sky's turning."""
    polar = moved.tracking.polar
    if polar is None:
        return ()
    return (
        Evidence(
            statement="the polar axis is off by about", value=polar.value_arcmin, unit="arcmin",
            expected_if_healthy=f"below {POLAR_ARCMIN:.0f}",
        ),
    )  # fmt: skip


def _drifts_unguided(moved: Moved, rig: Rig) -> float:
    rate = abs(moved.motion.drift_px_per_min or 0.0) * (moved.scale_arcsec or 0.0)
    line = float(np.median(moved.line_px)) / moved.fwhm_px
    return all_of(
        log_odds_of_ratio(rate, POLAR_ARCMIN * ARCSEC_PER_MIN_PER_ARCMIN, RATIO_SCATTER),
        log_odds_above(line, LINE_SEEN, LINE_SCATTER),
        moved.tracking.drifting.log_odds("axis"),
    )


def _least_axis_arcmin(moved: Moved) -> float:
    """Smallest polar error that turns a guided field so fast. [arcmin] Closed form: 0.2625 deg/h a degree at most."""
    return abs(moved.motion.rotation_deg_per_hour or 0.0) * cos_dec(moved) / DEG_PER_HOUR_PER_ARCMIN


def _turns_under_guider(moved: Moved, rig: Rig) -> float:
    rate, error = abs(moved.motion.rotation_deg_per_hour or 0.0), moved.motion.rotation_error_deg_per_hour or math.inf
    odds = [
        log_odds_of_ratio(_least_axis_arcmin(moved), POLAR_GROSS_ARCMIN, POLAR_SCATTER),
        log_odds_above(rate / max(error, 1e-9), SURE_SIGMA, SIGMA_SCATTER),
        moved.tracking.guided_log_odds,
    ]
    if rig.mount_type is None:
        odds.append(log_odds_of_ratio(ALTAZ_DEG_PER_HOUR, rate, 0.3))
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
            4.0 if rig.mount_type is not None else log_odds_of_ratio(ALTAZ_DEG_PER_HOUR, rate, 0.3),
        )
    drift = moved.tracking.drift
    if drift is None:
        return -math.inf
    return all_of(
        log_odds_above(math.log(polar.value_arcmin), math.log(POLAR_ARCMIN), known),
        log_odds_above(_dec_line(moved), LINE_SEEN, LINE_SCATTER),
        moved.tracking.drifting.log_odds("axis"),
    )


def _dec_line(moved: Moved) -> float:
    """Length of the line that drift in declination draws in one exposure, over the FWHM."""
    drift, scale = moved.tracking.drift, moved.scale_arcsec
    if drift is None or scale is None:
        return 0.0
    exposure = moved.tracking.smears.typical_exposure_s
    return abs(drift.dec_arcsec_per_min) * exposure / 60 / scale / moved.fwhm_px


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
