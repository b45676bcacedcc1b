"""Nights drawn by hand as the night.json that they would be read from, written by what writes it for a judged night."""

import json
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from framecheck.decision.grades import Grade
from framecheck.decision.judgement import Finding, GroupSummary, Judgement, Tracking
from framecheck.decision.past_night import Course, PastFrame, PastNight
from framecheck.field.result import FrameResult, FrameShape
from framecheck.night.axes import Axes
from framecheck.night.field_records import NoFieldModel
from framecheck.night.records import Group, Motion, Night, NightFrame
from framecheck.night.smears import Smears
from framecheck.night.tracking import Tracking as Tracked
from framecheck.read.exposure import Exposure, Orientation
from framecheck.read.rig import Rig
from framecheck.report.night_json import json_text, night_document
from framecheck.sky.model import SkySummary
from framecheck.stars.table import STAR_DTYPE, Stars

NORTH_UP = Orientation(pixel_scale_arcsec=1.0, north_up_deg=0.0, mirrored=False, ra_deg=210.0, dec_deg=54.0)
"""A pixel of one arcsecond, so that stars at -x, -y are a pointing to the west and the north by as much."""


def document_of(night: PastNight) -> dict[str, Any]:
    """What the writer makes of such a night, and the facts of its rig as they were chosen."""
    document: dict[str, Any] = json.loads(json_text(night_document(_judgement(night))))
    document["generator"]["version"] = night.version
    document["source"]["folder"] = night.folder
    document["rig"] |= night.rig
    return document


def write_night(night: PastNight, folder: Path) -> Path:
    """A report folder with nothing but its night.json."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "night.json").write_text(json.dumps(document_of(night)), encoding="utf-8")
    return folder


def _judgement(night: PastNight) -> Judgement:
    assert night.main is not None
    frames, main, n = tuple(_frame(one, night) for one in night.frames), night.main, len(night.frames)
    group = Group(
        id=main.id, target=main.target, filter=main.filter, exposure_s=main.exposure_s, binning=1, reference=0,
        members=tuple(range(n)),
    )  # fmt: skip
    return Judgement(
        night=Night(
            folder=Path(night.folder), rig=Rig(), frames=frames, groups=(group,), motion={main.id: _motion(night)},
            failures=(), skipped=(), tracking={main.id: _tracked(night)},
        ),
        grades=tuple(
            Grade(file=frame.result.exposure.file, grade=one.grade, reasons=())  # type: ignore[arg-type]
            for frame, one in zip(frames, night.frames, strict=True)
        ),
        groups=(
            GroupSummary(
                id=main.id, target=main.target, filter=main.filter, exposure_s=main.exposure_s, binning=1, n_frames=n,
                total_exposure_s=None, effective_exposure_s=None, median_fwhm_arcsec=None, median_elongation=None,
            ),
        ),
        aim="balanced",
        tracking=Tracking(polar_error_arcmin=night.polar_error_arcmin),
        budget=night.budget,
        findings=tuple(
            Finding(cause=one.cause, confidence=one.confidence, affected=frozenset(), cost=one.cost)
            for one in night.causes
        ),
        field_stretches=night.field,
    )  # fmt: skip


def _frame(one: PastFrame, night: PastNight) -> NightFrame:
    assert one.fwhm_px is not None
    assert one.elongation is not None
    return NightFrame(
        result=FrameResult(
            exposure=Exposure(
                file=Path(night.folder) / one.file, kind="light", width_px=3000, height_px=2000,
                exposure_s=one.exposure_s, start_utc=one.start_utc,
            ),
            sky=SkySummary(level_adu=900.0, noise_adu=20.0, gradient_percent=1.0,
                           level_mesh_adu=np.full((2, 2), 900.0, np.float32)),
            stars=Stars(table=np.zeros(0, STAR_DTYPE), n_found=300, n_saturated=0),
            shape=FrameShape(
                fwhm_px=one.fwhm_px, fwhm_px_error=0.01, elongation=one.elongation, elongation_error=0.01,
                elongation_pa_deg=0.0, e1=float(np.log(one.elongation)), e2=0.0, moffat_beta=3.5,
                half_flux_radius_px=0.6 * one.fwhm_px, trail_length_px=None, n_measured=200,
            ),
            stacked=None, saturation_adu=None,
        ),
        group=one.group or "", registration=None, transparency=None, transparency_error=None,
        effective_exposure_s=one.effective_exposure_s, altitude_deg=None, airmass=one.airmass, hour_angle_deg=None,
        sky_e_per_s=None,
    )  # fmt: skip


def _motion(night: PastNight) -> Motion:
    """Stars that go the other way than the pointing, all of it told as what remains about a drift of nothing."""
    course = night.course or Course(minutes=(), first=(), second=(), in_arcsec=True)
    hand = -1 if course.in_arcsec else 1  # of x with north up and east to the left it is the pointing's already
    return Motion(
        drift_x_px_per_min=0.0, drift_y_px_per_min=0.0, drift_error_px_per_min=0.01, rotation_deg_per_hour=None,
        rotation_error_deg_per_hour=None, dithered=False, frames=tuple(range(len(course.minutes))),
        minutes=course.minutes, residual_x_px=course.first, residual_y_px=tuple(hand * one for one in course.second),
        stretch=(0,) * len(course.minutes),
    )  # fmt: skip


def _tracked(night: PastNight) -> Tracked:
    n, known = len(night.frames), night.course is None or night.course.in_arcsec
    smear = np.array([np.nan if one.smear_px is None else one.smear_px for one in night.frames])
    return Tracked(
        axes=Axes(ra_angle_deg=0.0, source="plate solution", orientation=NORTH_UP) if known else None,
        field=NoFieldModel(because="by hand"),
        smears=Smears(
            frames=tuple(range(n)), minutes=np.array([_minutes(one.start_utc, night) for one in night.frames]),
            exposure_s=np.full(n, 120.0), fwhm_px=np.array([one.fwhm_px for one in night.frames], dtype=float),
            spin2_px2=smear**2 + 0j, error_px2=np.full(n, 0.05), rms_px=smear, rms_error_px=np.full(n, 0.1),
            path=("round",) * n, even=np.zeros(n, bool),
        ),
        response=1.0, drift=None, guided=None, guided_log_odds=0.0, wander_arcsec=None, rhythm=None,
        rhythm_inside=None, polar=None, polar_from=None,
    )  # fmt: skip


def _minutes(start: datetime | None, night: PastNight) -> float:
    first = night.start_utc
    return np.nan if start is None or first is None else (start - first).total_seconds() / 60
