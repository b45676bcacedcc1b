"""Figures of a group for night.json: how the mount moved its stars, and how they change over the sensor."""

import math
from typing import Final

import numpy as np

from framecheck import robust, shear
from framecheck.causes.moved import SURE_SIGMA
from framecheck.constants import FEWEST_THAT_AGREE
from framecheck.decision.records import FieldPattern, Range, TrackingFigures
from framecheck.document import shared_fields
from framecheck.field import size_pattern
from framecheck.field.records import FieldModel
from framecheck.motion.night import Night
from framecheck.motion.records import Motion
from framecheck.motion.rhythm import Rhythm
from framecheck.motion.tracking import Tracking as Tracked
from framecheck.night.records import Group

BEST: Final = 0.1
"""Share of the frames that are taken for the sharpest. Chosen."""

SPARE: Final = 0.2
"""Growth of the squared short axis against the frames at rest that is called motion. [dimensionless] Chosen: air alone
changes it by a tenth."""

FEWEST_RANDOM: Final = 10
"""Frames whose scatter tells how random motion is shared between the axes. Chosen: to a third."""

MOST_ALIKE: Final = 0.85
"""Highest ratio of the two scatters that is believed: towards 1 the axes are alike, and the motion could have any size.
[dimensionless] Chosen."""

RESTLESS: Final = 0.025
"""Scatter of the smear over the squared FWHM that random motion makes at the least. [dimensionless] Chosen."""

STEADIER: Final = 0.15
"""How much rounder the sharpest frames' smear must be than the usual frame's, over the squared FWHM, for their width to
tell what the stars would be at rest. [dimensionless] Chosen."""


def tracking_figures(night: Night, group: Group | None) -> TrackingFigures:
    """How the mount moved the stars of a group: inside a usual exposure, and between exposures."""
    if group is None or group.id not in night.motion:
        return TrackingFigures()
    motion, found = night.motion[group.id], night.tracking.get(group.id)
    if found is None:
        return TrackingFigures(rotation_deg_per_hour=motion.rotation_deg_per_hour)
    scale = _scale(night, found)
    along, across = _inside(found)
    ra, dec = _by_axis(found, along, across, scale)
    rhythm = _rhythm(found)
    drift, polar = found.drift, found.polar
    swing = None if rhythm is None or rhythm.amplitude_px is None or scale is None else rhythm.amplitude_px * 2 * scale
    return TrackingFigures(
        axis_known=found.axes is not None,
        rms_along_px=along,
        rms_across_px=across,
        rms_ra_arcsec=ra,
        rms_dec_arcsec=dec,
        drift_ra_arcsec_per_min=drift.ra_arcsec_per_min if drift else None,
        drift_dec_arcsec_per_min=drift.dec_arcsec_per_min if drift else None,
        rotation_deg_per_hour=motion.rotation_deg_per_hour,
        period_s=None if rhythm is None else rhythm.period_s,
        period_error_s=None if rhythm is None else rhythm.period_error_s,
        periodic_peak_to_peak_arcsec=swing,
        polar_error_arcmin=None
        if polar is None
        else Range(value=polar.value_arcmin, low=polar.low_arcmin, high=polar.high_arcmin),
        polar_azimuth_arcmin=None if polar is None else polar.azimuth_arcmin,
        polar_altitude_arcmin=None if polar is None else polar.altitude_arcmin,
        axes_from=None if found.axes is None else found.axes.source,
        period_false_alarm_probability=None if rhythm is None else rhythm.false_alarm_probability,
        period_aliases_s=() if rhythm is None else rhythm.alias_periods_s,
        smear_explained_by_drift=_explained_by_drift(found, motion),
    )


def _explained_by_drift(found: Tracked, motion: Motion) -> float | None:
    drift, error, smears = motion.drift_px_per_min, motion.drift_error_px_per_min, found.smears
    if drift is None or not error or not len(smears.frames) or abs(drift) < SURE_SIGMA * error:
        return None
    line = abs(drift) * np.nan_to_num(smears.exposure_s) / 60
    expected = found.spin2_of_line(line) * shear.direction(drift) ** 2
    return shear.seen_of(smears.spin2_px2, expected) if np.any(expected) else None


def _scale(night: Night, found: Tracked) -> float | None:
    if found.axes is not None and found.axes.orientation is not None:
        return found.axes.orientation.pixel_scale_arcsec
    return night.rig.pixel_scale_arcsec


def _inside(found: Tracked) -> tuple[float | None, float | None]:
    """Rms inside a usual exposure, along its main direction and across; across only where some frames stood still."""
    smears = found.smears
    if not len(smears.frames):
        return None, None
    along = robust.held_rms(smears.rms_px)
    random = _random_across(found, along)
    if random > 0:
        return math.hypot(along, random), random
    size = smears.share
    order = np.argsort(smears.fwhm_px)
    best = order[: max(FEWEST_THAT_AGREE, round(BEST * len(order)))]
    if len(order) < 2 * FEWEST_THAT_AGREE or np.median(size) - np.median(size[best]) < STEADIER:
        return along, None
    # widths across the motion add in quadrature to a few per cent where they are small beside the star
    _, short = shear.half_maximum_axes(smears.fwhm_px, np.arcsinh(size))
    still = float(np.median(short[best])) ** 2
    spare = float(np.median(short)) ** 2 - still
    if spare < SPARE * still:
        return along, None
    return along, math.sqrt(max(spare, 0.0) / (8 * math.log(2)))


def _random_across(found: Tracked, along: float) -> float:
    """Rms across, of motion that is random on both axes; 0 where the smear scatters in another way. [px]

    The variance of N independent samples of motion scatters by 2 v² / N on each axis, and the mixed second moment by
    v1 v2 / N (Wishart distribution, textbook). The smear's part along its main direction, (v1 - v2) / 2, therefore
    scatters by (v1² + v2²) / 2 N, that at 45 degrees to it by v1 v2 / N: their ratio tells v2 / v1, N falls out.
    """
    smears = found.smears
    if len(smears.frames) < FEWEST_RANDOM or along <= 0 or found.rhythm is not None or found.rhythm_inside is not None:
        return 0.0
    middle = shear.middle(smears.spin2_px2)
    if smears.even.mean() > 0.5:  # slow motion is no sum of random steps
        return 0.0
    turned = smears.spin2_px2 * shear.direction(middle).conj()
    error2 = float(np.median(smears.error_px2)) ** 2
    main, mixed = (robust.held_variance(part) - error2 for part in (turned.real, turned.imag))
    if main < 4 * error2 or mixed <= 0 or main < (RESTLESS * float(np.median(smears.fwhm_px)) ** 2) ** 2:
        return 0.0
    share = min(mixed / main, MOST_ALIKE)
    ratio = (1 - math.sqrt(1 - share**2)) / share
    return along * math.sqrt(ratio / (1 - ratio))


def _by_axis(
    found: Tracked, along: float | None, across: float | None, scale: float | None
) -> tuple[float | None, float | None]:
    """Rms along right ascension and declination in a usual frame. [arcsec]"""
    if along is None or scale is None or found.axes is None:
        return None, None
    angle = np.angle(found.smears.spin2_px2) / 2 - math.radians(found.axes.ra_angle_deg)
    random = _random_across(found, robust.held_rms(found.smears.rms_px))
    rms, beside = np.hypot(found.smears.rms_px, random), across or 0.0
    ra = robust.held_rms(np.hypot(rms * np.cos(angle), beside * np.sin(angle)))
    dec = robust.held_rms(np.hypot(rms * np.sin(angle), beside * np.cos(angle)))
    return scale * ra, scale * dec


def _rhythm(found: Tracked) -> Rhythm | None:
    """The rhythm between exposures, which has a size; else that of the smear."""
    return found.rhythm if found.rhythm is not None else found.rhythm_inside


def field_figures(night: Night, group: Group | None, kept: list[int]) -> FieldPattern:
    """The sensor's pattern over a group's frames; `kept` are the frames of the whole night that are worth keeping."""
    if group is None:
        return FieldPattern()
    found = night.tracking.get(group.id)
    if found is not None and isinstance(found.field, FieldModel):
        return field_pattern(found.field)
    members = [i for i in group.members if i in set(kept)] or list(group.members)
    pattern = size_pattern([night.frames[i].result for i in members])
    if pattern is None:
        return FieldPattern()
    return FieldPattern(**shared_fields(pattern, FieldPattern))


def field_pattern(field: FieldModel) -> FieldPattern:
    """The pattern's terms as night.json has them."""
    constant = field.constant_astigmatism_px
    return FieldPattern(
        tilt_x_percent=field.tilt_x_percent.value,
        tilt_y_percent=field.tilt_y_percent.value,
        curvature_percent=field.curvature_percent.value,
        coma_px=max(field.coma_px.value, field.constant_coma_px.value),
        astigmatism_px=max(abs(field.astigmatism_px.value), 0.0 if constant is None else constant.value),
        trefoil_px=field.trefoil_px.value,
    )
