"""A night's judgement put together from its grades, motion, field and sampling."""

from statistics import median

from framecheck.causes.weigh import weigh
from framecheck.decision.budget import budget_of
from framecheck.decision.figures import field_figures, tracking_figures
from framecheck.decision.grades import grade_frames
from framecheck.decision.judgement import (
    Aim,
    GroupSummary,
    Judgement,
    Sampling,
)
from framecheck.decision.mount_decision import decide
from framecheck.decision.stretches import field_stretches
from framecheck.decision.what_if import what_if
from framecheck.field import diffraction_fwhm_arcsec, judge_sampling
from framecheck.night.records import Group, Night, NightFrame


def judge(night: Night, aim: Aim = "balanced") -> Judgement:
    """Judge a night that has been measured.

    Parameters
    ----------
    night : Night
    aim : {"depth", "balanced", "detail"}
        What the stack is for.
    """
    grades = grade_frames(night, aim)
    findings, undecided = weigh(night, night.rig)
    largest = max(night.groups, key=lambda group: len(group.members), default=None)
    scale = night.rig.pixel_scale_arcsec
    budget = budget_of(night, largest, findings)
    cases = what_if(night, aim, grades, budget, largest, findings)
    return Judgement(
        night=night,
        grades=grades,
        groups=tuple(_summary(night, group, scale) for group in night.groups),
        aim=aim,
        tracking=tracking_figures(night, largest),
        sampling=_sampling(night, largest),
        field_pattern=field_figures(night, largest, [i for i, grade in enumerate(grades) if grade.grade == "keep"]),
        budget=() if budget is None else budget.terms,
        findings=findings,
        undecided=undecided,
        mount_decision=decide(night, largest, grades, findings, undecided, budget, cases),
        what_if=cases,
        field_stretches=field_stretches(night, largest),
    )


def _summary(night: Night, group: Group, scale: float | None) -> GroupSummary:
    return GroupSummary(
        id=group.id,
        target=group.target,
        filter=group.filter,
        exposure_s=group.exposure_s,
        binning=group.binning,
        n_frames=len(group.members),
        total_exposure_s=group.total_exposure_s,
        effective_exposure_s=group.effective_exposure_s,
        median_fwhm_arcsec=None if scale is None or group.median_fwhm_px is None else scale * group.median_fwhm_px,
        median_elongation=group.median_elongation,
    )


def _members(night: Night, group: Group | None) -> list[NightFrame]:
    return [] if group is None else [night.frames[i] for i in group.members]


def _widths(frames: list[NightFrame]) -> list[float]:
    return [f.result.shape.fwhm_px for f in frames if f.result.shape is not None]


def _sampling(night: Night, group: Group | None) -> Sampling:
    aperture = night.rig.aperture_mm
    diffraction = None if aperture is None else diffraction_fwhm_arcsec(aperture)
    widths = _widths(_members(night, group))
    if not widths:
        return Sampling(diffraction_fwhm_arcsec=diffraction)
    verdict = judge_sampling(median(widths))
    return Sampling(
        px_per_fwhm=verdict.px_per_fwhm,
        verdict=verdict.verdict,
        diffraction_fwhm_arcsec=diffraction,
        suggestion=verdict.suggestion,
    )
