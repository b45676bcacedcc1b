"""Nights built by hand: every number in them is chosen here, none is measured."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from framecheck.causes.result import Evidence, Finding, Rival, Undecided
from framecheck.decision.grades import Grade
from framecheck.decision.judgement import Judgement
from framecheck.decision.records import BudgetTerm, GroupSummary, MountDecision, Range, Sampling
from framecheck.field.result import FrameFailure, FrameResult, FrameShape
from framecheck.motion.night import Night
from framecheck.motion.records import Motion
from framecheck.night.records import Group, NightFrame, Registration, Skipped
from framecheck.read.exposure import Exposure
from framecheck.read.rig import Rig
from framecheck.sky.model import SkySummary
from framecheck.stars.table import STAR_DTYPE, Stars

FOLDER = Path("nights/2024-03-12")
DUSK = datetime(2024, 3, 12, 19, 40, tzinfo=UTC)
WIDTH, HEIGHT = 6248, 4176
RIG = Rig(
    focal_length_mm=530.0,
    pixel_um=3.76,
    gain_e_per_adu=0.25,
    provenance={"focal_length_mm": "rig file", "pixel_um": "header", "pixel_scale_arcsec": "header"},
)


def stars(rng: np.random.Generator, n: int, fwhm_px: float, e1: float, e2: float) -> Stars:
    """Stars over the field: larger in one corner, drawn out along the radius, and by the frame's own smear."""
    table = np.zeros(n, dtype=STAR_DTYPE)
    table["x"], table["y"] = rng.uniform(0, WIDTH, n), rng.uniform(0, HEIGHT, n)
    u, v = table["x"] / WIDTH - 0.5, table["y"] / HEIGHT - 0.5
    radius, angle = np.hypot(u, v), np.arctan2(v * HEIGHT, u * WIDTH)
    table["fwhm_px"] = fwhm_px * (1 + 0.25 * radius**2 + 0.12 * u) * rng.normal(1, 0.02, n)
    table["e1"] = e1 + 0.35 * radius**2 * np.cos(2 * angle) + rng.normal(0, 0.03, n)
    table["e2"] = e2 + 0.35 * radius**2 * np.sin(2 * angle) + rng.normal(0, 0.03, n)
    table["e1_error"] = table["e2_error"] = 0.03
    table["snr"], table["flux_adu"] = 60.0, 20000.0
    return Stars(table=table, n_found=n * 4, n_saturated=n // 50)


def frame(index: int, *, n_stars: int = 60, filter: str = "L", **changes: Any) -> NightFrame:
    """One frame of a night that gets slowly worse, with a cloud, a gust and a knock."""
    rng = np.random.default_rng(index)
    cloud = float(np.exp(-(((index - 22) / 3) ** 2)))
    knocked = index in (9, 31)
    fwhm_px = 1.75 + 0.004 * index + 0.15 * cloud + 1.4 * knocked + rng.normal(0, 0.05)
    long = 1.07 + 0.6 * knocked + abs(rng.normal(0, 0.02))
    pa_deg = 20.0 + rng.normal(0, 10)
    e1, e2 = np.log(long) * np.cos(np.radians(2 * pa_deg)), np.log(long) * np.sin(np.radians(2 * pa_deg))
    transparency = float(0.97 - 0.7 * cloud - 0.002 * index)
    exposure = Exposure(
        file=FOLDER / f"lights/M101_{filter}_{index + 1:03d}.fits",
        kind="light",
        width_px=WIDTH,
        height_px=HEIGHT,
        start_utc=DUSK + timedelta(seconds=310 * index),
        exposure_s=300.0,
        target="M 101",
        filter=filter,
        binning=1,
        sensor_temp_c=-10.0,
        tube_temp_c=6.0 - 0.05 * index,
    )
    shape = FrameShape(
        fwhm_px=fwhm_px,
        fwhm_px_error=0.02,
        elongation=long,
        elongation_error=0.006,
        elongation_pa_deg=pa_deg,
        e1=float(e1),
        e2=float(e2),
        moffat_beta=3.2,
        half_flux_radius_px=fwhm_px * 0.62,
        trail_length_px=None,
        n_measured=n_stars,
    )
    result = FrameResult(
        exposure=exposure,
        sky=SkySummary(
            level_adu=820 + 2.0 * index + 300 * cloud,
            noise_adu=14.0,
            gradient_percent=3.0,
            level_mesh_adu=np.full((12, 16), 820, dtype=np.float32),
        ),
        stars=stars(rng, n_stars, fwhm_px, float(e1), float(e2)),
        shape=shape,
        stacked=None,
        saturation_adu=65535.0,
    )
    known = {
        "group": f"M 101 {filter} 300 s",
        "registration": Registration(
            shift_x_px=3.0 * (index % 4) + 0.1 * index,
            shift_y_px=2.0 * (index % 3),
            rotation_deg=0.001 * index,
            scale=1.0,
            n_common=50,
            rms_px=0.08,
            shift_error_px=0.02,
            rotation_error_deg=0.0005,
            flipped=False,
        ),
        "transparency": transparency,
        "transparency_error": 0.01,
        "effective_exposure_s": 300.0 * transparency**2 / (1 + 0.4 * knocked),
        "altitude_deg": 70.0 - 0.3 * index,
        "airmass": 1.06 + 0.005 * index,
        "hour_angle_deg": -30.0 + 1.25 * index,
        "sky_e_per_s": 0.68 + 0.0017 * index + 0.25 * cloud,
    }
    return NightFrame(result=result, **(known | changes))


def grade(of: NightFrame) -> Grade:
    """The grade that the builder's story asks for."""
    if of.result.shape is None:
        reason = "None of its 240 detections could be measured well."
        return Grade(file=of.result.exposure.file, grade="reject", reasons=(reason,))
    if of.result.shape.elongation > 1.4:
        reasons = ("stars are 1.7 times as long as wide (keep below 1.3)", "sharpness falls more than depth gains")
        return Grade(file=of.result.exposure.file, grade="reject", reasons=reasons)
    if of.transparency is not None and of.transparency < 0.75:
        reasons = (f"only {100 * of.transparency:.0f} % of the light comes through (thin cloud)",)
        return Grade(file=of.result.exposure.file, grade="doubtful", reasons=reasons)
    return Grade(file=of.result.exposure.file, grade="keep", reasons=())


def judgement(n_frames: int = 44, **changes: Any) -> Judgement:
    """A night of one target; `changes` go to the Judgement."""
    frames = tuple(frame(index) for index in range(n_frames))
    return judgement_of(frames, **changes)


def judgement_of(frames: tuple[NightFrame, ...], *, rig: Rig = RIG, **changes: Any) -> Judgement:
    """A Judgement of these frames, grouped by what they say."""
    ids = tuple(dict.fromkeys(one.group for one in frames))
    members = {name: tuple(i for i, one in enumerate(frames) if one.group == name) for name in ids}
    first = {name: frames[members[name][0]].result.exposure for name in ids}
    night = Night(
        folder=FOLDER,
        rig=rig,
        frames=frames,
        groups=tuple(
            Group(
                id=name,
                target=first[name].target,
                filter=first[name].filter,
                exposure_s=300.0,
                binning=1,
                reference=members[name][0],
                members=members[name],
                best_fwhm_px=1.7,
                best_noise_adu=14.0,
            )
            for name in ids
        ),
        motion={
            name: Motion(
                drift_x_px_per_min=0.01,
                drift_y_px_per_min=0.02,
                drift_error_px_per_min=0.002,
                rotation_deg_per_hour=0.01,
                rotation_error_deg_per_hour=0.001,
                dithered=True,
            )
            for name in ids
        },
        failures=(
            FrameFailure(
                exposure=None,
                file=str(FOLDER / "lights/M101_L_099.fits"),
                fault="ends after 12 of 52 MB",
                remedy="Copy it again from the camera",
            ),
        ),
        skipped=(
            Skipped(file=FOLDER / "darks/dark_300s.fits", kind="dark", why="its header says IMAGETYP = 'Dark Frame'"),
            Skipped(
                file=FOLDER / "notes.txt",
                kind="not a frame",
                why="its name is not that of a FITS file, a camera raw or a picture",
            ),
        ),
    )
    summaries = tuple(
        GroupSummary(
            id=group.id,
            target=group.target,
            filter=group.filter,
            exposure_s=group.exposure_s,
            binning=group.binning,
            n_frames=len(group.members),
            total_exposure_s=300.0 * len(group.members),
            effective_exposure_s=sum(frames[i].effective_exposure_s or 0.0 for i in group.members),
            median_fwhm_arcsec=2.71,
            median_elongation=1.08,
        )
        for group in night.groups
    )
    given = {"night": night, "grades": tuple(grade(one) for one in frames), "groups": summaries, "aim": "balanced"}
    return Judgement(**(given | changes))


def with_causes(plain: Judgement) -> Judgement:
    """The same night with findings, a budget and advice."""
    finding = Finding(
        cause="polar-misalignment",
        confidence=0.86,
        affected=frozenset(range(len(plain.night.frames))),
        cost=0.18,
        evidence=(
            Evidence(
                statement="the field drifts steadily in declination",
                value=0.42,
                unit="arcsec/min",
                expected_if_healthy="below 0.1",
            ),
        ),
        rivals=(Rival(cause="differential-flexure", why_less_likely="the drift does not turn with the pointing"),),
        cures=("Align the polar axis again by drift.", "Check that the tripod stands firm."),
        caution="Refraction explains 0.1 arcsec/min of it.",
    )
    return replace(
        plain,
        findings=(finding,),
        undecided=(
            Undecided(
                cause="periodic-error",
                because="the exposures are longer than half a worm turn",
                what_would_settle_it="thirty unguided exposures of 20 s",
            ),
        ),
        sampling=Sampling(px_per_fwhm=1.85, verdict="undersampled", suggestion="dither, and combine on a finer grid"),
        budget=(
            BudgetTerm(term="atmosphere", fwhm_arcsec=2.1, low=1.9, high=2.3, share=0.6),
            BudgetTerm(term="tracking", fwhm_arcsec=1.3, low=1.1, high=1.5, share=0.25),
            BudgetTerm(term="pixel", fwhm_arcsec=1.0, low=1.0, high=1.0, share=0.15),
        ),
        mount_decision=MountDecision(
            answer="fix technique first",
            because=("The polar axis is 4 arcmin off the pole.",),
            ladder=("Align the polar axis again by drift.",),
            gain=Range(value=0.15, low=0.12, high=0.2),
            tracking_rms_arcsec=Range(value=0.9, low=0.7, high=1.2),
            needed_rms_arcsec=0.6,
            fwhm_now_arcsec=2.7,
            fwhm_with_perfect_tracking_arcsec=2.3,
            kept_now=36,
            kept_with_perfect_tracking=41,
        ),
    )
