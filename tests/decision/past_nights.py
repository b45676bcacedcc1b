"""Judged nights drawn by hand: every law in them stands here."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framecheck.causes.result import Finding
from framecheck.decision.frame_row import FrameRow
from framecheck.decision.night_document import Generator, RigFacts, Source
from framecheck.decision.past_night import RIG_FACTS as RIG_FACTS
from framecheck.decision.past_night import Course, PastNight
from framecheck.decision.records import (
    BudgetTerm,
    FieldPattern,
    FieldStretch,
    FieldStretches,
    GroupSummary,
    Range,
    TrackingFigures,
)
from framecheck.decision.stretches import split_in_stretches

Floats = NDArray[np.float64]

DUSK = datetime(2025, 9, 12, 19, 40, tzinfo=UTC)
SCALE_ARCSEC = 206.265 * 3.76 / 530
RIG = RigFacts(
    focal_length_mm=530.0, aperture_mm=106.0, pixel_um=3.76, binning=1.0, pixel_scale_arcsec=SCALE_ARCSEC,
    mount_type="equatorial", camera_angle_deg=12.0,
)  # fmt: skip
EXPOSURE_S = 120.0
MAIN = GroupSummary(
    id="M 101/L/120s", target="M 101", filter="L", exposure_s=EXPOSURE_S, binning=1, n_frames=1,
    total_exposure_s=None, effective_exposure_s=None, median_fwhm_arcsec=None, median_elongation=None,
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Made:
    """How a night is made. Lengths are in arcseconds, of the usual frame, unless said otherwise."""

    seed: int = 1
    days: float = 0.0
    """After the first."""
    n_frames: int = 120
    cadence_min: float = 2.1
    seeing: float = 2.0
    """At the zenith."""
    rest: float = 1.2
    """Width that mount, optics and pixels make."""
    airmass: tuple[float, float] = (1.05, 1.3)
    """Of the first frame and the last."""
    restless: float = 0.1
    """Scatter of ln(seeing) within the night."""
    memory_min: float = 15.0
    smear: float = 0.5
    smear_scatter: float = 0.1
    """Relative, with the same memory."""
    drift: tuple[float, float] = (0.02, 0.05)
    """East and north. [arcsec/min]"""
    tilt_arcsec2: float = 0.1
    """Growth of the squared width from edge to edge."""
    curvature_arcsec2: float = 0.5
    """Growth of the squared width from centre to corner."""
    curvature_scatter: float = 0.05
    """Of that growth, from one stretch to the next. [arcsec²]"""
    polar_arcmin: float = 3.0
    kept_share: float = 0.9
    causes: tuple[str, ...] = ()
    rig: RigFacts = RIG
    main: GroupSummary = MAIN


def remembering(rng: np.random.Generator, minutes: Floats, memory_min: float) -> Floats:
    """A stationary walk of variance 1 whose correlation fades as exp(-t / memory) (Ornstein and Uhlenbeck)."""
    out = np.empty(len(minutes))
    out[0] = rng.normal()
    for k in range(1, len(minutes)):
        keeps = float(np.exp(-(minutes[k] - minutes[k - 1]) / memory_min))
        out[k] = keeps * out[k - 1] + np.sqrt(1 - keeps**2) * rng.normal()
    return out


def night(**changes: Any) -> PastNight:
    """A judged night; `changes` are fields of `Made`."""
    made = Made(**changes)
    rng = np.random.default_rng(made.seed)
    minutes = made.cadence_min * np.arange(made.n_frames)
    start = DUSK + timedelta(days=made.days)
    airmass = np.linspace(*made.airmass, made.n_frames)
    air = made.seeing * airmass**0.6 * np.exp(made.restless * remembering(rng, minutes, made.memory_min))
    fwhm = np.hypot(air, made.rest)
    smear = made.smear * np.exp(made.smear_scatter * remembering(rng, minutes, made.memory_min))
    kept = np.argsort(np.argsort(rng.random(made.n_frames))) < made.kept_share * made.n_frames
    frames = tuple(
        FrameRow(
            file=f"light_{k:04d}.fits", group=made.main.id,
            start_utc=(start + timedelta(minutes=float(minutes[k]))).isoformat(),
            exposure_s=EXPOSURE_S, grade="keep" if kept[k] else "reject", fwhm_px=float(fwhm[k] / SCALE_ARCSEC),
            elongation=1.1, smear_px=float(smear[k] / SCALE_ARCSEC), airmass=float(airmass[k]),
            effective_exposure_s=100.0,
        )
        for k in range(made.n_frames)
    )  # fmt: skip
    usual = float(np.median(fwhm))
    share = 1 - made.rest**2 / usual**2
    wander = 0.1 * remembering(rng, minutes, made.memory_min)
    return PastNight(
        name=f"night-{made.seed}", source=Source(folder="frames"), generator=Generator(version="0.1.0"), rig=made.rig,
        groups=(replace(made.main, n_frames=made.n_frames),), frames=frames,
        budget=(
            BudgetTerm(
                term="atmosphere", fwhm_arcsec=usual * share**0.5, low=0.9 * usual * share**0.5,
                high=min(1.1 * share**0.5, 0.99) * usual, share=share,
            ),
            BudgetTerm(term="tracking", fwhm_arcsec=made.rest, low=made.rest, high=made.rest, share=1 - share),
        ),
        tracking=TrackingFigures(
            polar_error_arcmin=Range(value=made.polar_arcmin, low=made.polar_arcmin - 0.1, high=made.polar_arcmin + 0.1)
        ),
        course=Course(
            minutes=tuple(minutes), ra_arcsec=tuple(made.drift[0] * minutes + wander),
            dec_arcsec=tuple(made.drift[1] * minutes + 0.1 * remembering(rng, minutes, made.memory_min)),
        ),
        field_stretches=_field(made, rng, minutes, fwhm, start),
        findings=tuple(Finding(cause=cause, confidence=0.9, cost=0.2) for cause in made.causes),
    )  # fmt: skip


def _field(made: Made, rng: np.random.Generator, minutes: Floats, fwhm: Floats, start: datetime) -> FieldStretches:
    """Percentages as a star of the stretch's own width shows them."""
    each = []
    for indices in split_in_stretches(minutes):
        width = float(np.median(fwhm[indices]))
        grown = made.curvature_arcsec2 + made.curvature_scatter * rng.normal()
        pattern = FieldPattern(
            tilt_x_percent=100 * made.tilt_arcsec2 / (2 * width**2),
            tilt_y_percent=0.0,
            curvature_percent=100 * (np.sqrt(1 + grown / width**2) - 1),
            coma_px=0.2 + 0.02 * rng.normal(),
            astigmatism_px=0.1 + 0.01 * rng.normal(),
            trefoil_px=0.0,
        )
        when = start + timedelta(minutes=float(minutes[indices[0]]))
        each.append(
            FieldStretch(
                start_utc=when.isoformat(), n_frames=len(indices), centre_fwhm_px=width / SCALE_ARCSEC, pattern=pattern
            )
        )
    return FieldStretches(group=made.main.id, width_px=3000, height_px=2000, each=tuple(each))


def with_rig(past: PastNight, **facts: Any) -> PastNight:
    """The same night, told to be of another rig."""
    return replace(past, rig=replace(past.rig, **facts))
