"""Small records that a judgement is made of, each as night.json tells it."""

from dataclasses import dataclass
from typing import Literal

from framecheck.field.sampling import Sampled
from framecheck.night.records import InCommon

BudgetName = Literal["atmosphere", "diffraction", "pixel", "tracking", "focus and optics"]
WhatIfCase = Literal[
    "as it was", "perfect tracking", "guided as well as needed", "half the exposure time", "half the focal length"
]
MountAnswer = Literal["not needed", "fix technique first", "upgrade justified", "cannot tell"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Range:
    """A value with the interval that holds it in about 68 of 100 cases."""

    value: float | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class GroupSummary(InCommon):
    """Frames that can be compared, summed up."""

    n_frames: int
    total_exposure_s: float | None
    effective_exposure_s: float | None
    median_fwhm_arcsec: float | None
    median_elongation: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class TrackingFigures:
    """How the image moved, inside exposures and between them."""

    axis_known: bool = False
    """True if right ascension and declination have known directions in the image."""
    rms_along_px: float | None = None
    """Smear inside one exposure along its main direction. [px]"""
    rms_across_px: float | None = None
    rms_ra_arcsec: float | None = None
    rms_dec_arcsec: float | None = None
    drift_ra_arcsec_per_min: float | None = None
    """Of the pointing on the sky, positive to the east, times cos(dec). [arcsec/min]"""
    drift_dec_arcsec_per_min: float | None = None
    rotation_deg_per_hour: float | None = None
    period_s: float | None = None
    period_error_s: float | None = None
    periodic_peak_to_peak_arcsec: float | None = None
    polar_error_arcmin: Range | None = None
    polar_azimuth_arcmin: float | None = None
    """Turn of the axis about the vertical, clockwise from above; None if the hour angles do not tell it apart."""
    polar_altitude_arcmin: float | None = None
    """Axis too high."""
    axes_from: str | None = None
    """What told which way right ascension runs in the image."""
    period_false_alarm_probability: float | None = None
    period_aliases_s: tuple[float, ...] = ()
    """Periods that frames at this interval cannot tell from `period_s`."""
    smear_explained_by_drift: float | None = None
    """Smear seen inside exposures along the drift between them, over what that drift makes: 1 if it is drift, far from
    it if something faster is at work; None where no drift is seen."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Sampling:
    """How finely the pixels sample the stars."""

    px_per_fwhm: float | None = None
    verdict: Sampled | None = None
    diffraction_fwhm_arcsec: float | None = None
    suggestion: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class FieldPattern:
    """How star size and shape change over the sensor."""

    tilt_x_percent: float | None = None
    """Change of the FWHM from edge to edge along x. [percent]"""
    tilt_y_percent: float | None = None
    curvature_percent: float | None = None
    """FWHM in the corners over that in the centre, less 1. [percent]"""
    coma_px: float | None = None
    astigmatism_px: float | None = None
    trefoil_px: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class FieldStretch:
    """The sensor's pattern in one stretch of the night."""

    start_utc: str | None
    """Start of its first frame, ISO 8601."""
    n_frames: int
    centre_fwhm_px: float
    """Root of the mean squared axes at half maximum at the sensor's centre."""
    pattern: FieldPattern


@dataclass(frozen=True, kw_only=True, slots=True)
class FieldStretches:
    """The pattern of the largest group, stretch by stretch."""

    group: str
    width_px: int
    """Of the frames."""
    height_px: int
    each: tuple[FieldStretch, ...]
    """In order of time; those in which no pattern could be fitted are left out."""


@dataclass(frozen=True, kw_only=True, slots=True)
class BudgetTerm:
    """One contribution to the size of the stars; the terms add in quadrature."""

    term: BudgetName
    fwhm_arcsec: float | None
    low: float | None
    high: float | None
    share: float | None
    """Part of the squared FWHM; the shares sum to 1."""


@dataclass(frozen=True, kw_only=True, slots=True)
class MountDecision:
    """Whether a better mount would pay."""

    answer: MountAnswer = "cannot tell"
    because: tuple[str, ...] = ()
    """Reasons only."""
    ladder: tuple[str, ...] = ()
    """What to try before another mount, cheapest first."""
    gain: Range | None = None
    """By what share perfect tracking would narrow the star as the pixels record it."""
    tracking_rms_arcsec: Range | None = None
    needed_rms_arcsec: float | None = None
    fwhm_now_arcsec: float | None = None
    fwhm_with_perfect_tracking_arcsec: float | None = None
    kept_now: int | None = None
    kept_with_perfect_tracking: int | None = None
    what_would_settle_it: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class WhatIf:
    """The same night under one changed condition."""

    case: WhatIfCase
    fwhm_arcsec: float | None
    """Of the usual frame of the largest group, before the pixel."""
    recorded_fwhm_arcsec: float | None
    """The same as the pixels record it."""
    narrower: float
    """By what share that is less than on the night as it was; negative if it is more."""
    n_frames: int
    kept: int
    effective_exposure_s: float | None
    """Of the frames kept, in seconds of ideal frames of the night as it was; no frame counts for more than was taken.
    [s]"""
    sentence: str
