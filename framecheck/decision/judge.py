"""A night's judgement put together from its grades, motion, field and sampling."""

from collections.abc import Sequence
from dataclasses import replace
from statistics import median

from framecheck.causes.result import CLAIMED, Finding
from framecheck.causes.weigh import told_together, weigh_sessions
from framecheck.decision.budget import Budget, budget_of, group_parts
from framecheck.decision.figures import field_figures, tracking_figures
from framecheck.decision.grades import Aim, grade_frames
from framecheck.decision.judgement import Judgement
from framecheck.decision.mount_decision import decide
from framecheck.decision.records import GroupSummary, Sampling
from framecheck.decision.stretches import field_stretches
from framecheck.decision.what_if import what_if
from framecheck.document import shared_fields
from framecheck.field import diffraction_fwhm_arcsec, judge_sampling
from framecheck.field.sampling import Sampled
from framecheck.model.explain import ShareExplained
from framecheck.model.parts import Parts
from framecheck.motion.night import Night
from framecheck.night.records import Group, NightFrame


def judge(night: Night, aim: Aim = "balanced") -> Judgement:
    """Judge a night that has been measured.

    Parameters
    ----------
    night : Night
    aim : {"depth", "balanced", "detail"}
        What the stack is for.
    """
    grades = grade_frames(night, aim)
    weighed = weigh_sessions(night, night.rig)
    findings, undecided = told_together(weighed)
    largest = max(night.groups, key=lambda group: len(group.members), default=None)
    own = night if largest is None else replace(night, rig=night.rig_of(largest.session))
    # the mount is judged by the session of the largest group alone
    of_largest = [one for one in weighed if largest is None or largest in one.night.groups]
    mine, open_there = told_together(of_largest)
    shares = [one.explained for one in of_largest]
    parts = {
        group.id: made
        for one in weighed
        for group in one.night.groups
        for made in [group_parts(one, group)]
        if made is not None
    }
    budget = _budget(own, largest, parts)
    cases = what_if(own, aim, grades, budget, largest, {name: one for name, (one, _) in parts.items()}, mine)
    return Judgement(
        night=night,
        grades=grades,
        groups=tuple(_summary(night, group) for group in night.groups),
        aim=aim,
        tracking=tracking_figures(own, largest),
        sampling=_sampling(own, largest, findings),
        field_pattern=field_figures(own, largest, [i for i, grade in enumerate(grades) if grade.grade == "keep"]),
        explained=shares[0] if shares else ShareExplained(),
        budget=() if budget is None else budget.terms,
        findings=findings,
        undecided=undecided,
        mount_decision=decide(own, largest, grades, mine, open_there, budget, cases),
        what_if=cases,
        field_stretches=field_stretches(night, largest),
    )


def _budget(night: Night, group: Group | None, parts: dict[str, tuple[Parts, bool]]) -> Budget | None:
    if group is None or group.id not in parts:
        return None
    of_group, settled = parts[group.id]
    return budget_of(night, group, of_group, settled=settled)


def _summary(night: Night, group: Group) -> GroupSummary:
    scale = night.rig_of(group.session).pixel_scale_arcsec
    return GroupSummary(
        **shared_fields(group, GroupSummary),
        n_frames=len(group.members),
        median_fwhm_arcsec=None if scale is None or group.median_fwhm_px is None else scale * group.median_fwhm_px,
    )


def _members(night: Night, group: Group | None) -> list[NightFrame]:
    return [] if group is None else [night.frames[i] for i in group.members]


def _widths(frames: list[NightFrame]) -> list[float]:
    return [f.result.shape.fwhm_px for f in frames if f.result.shape is not None]


def _sampling(night: Night, group: Group | None, findings: Sequence[Finding]) -> Sampling:
    """How finely the pixels sample the stars: what the findings say of it, in one word."""
    aperture = night.rig.aperture_mm
    diffraction = None if aperture is None else diffraction_fwhm_arcsec(aperture)
    widths = _widths(_members(night, group))
    if not widths:
        return Sampling(diffraction_fwhm_arcsec=diffraction)
    claimed = {one.cause for one in findings if one.confidence >= CLAIMED}
    said: Sampled = "well sampled"
    if "undersampled" in claimed:
        said = "undersampled"
    elif "oversampled" in claimed:
        said = "oversampled"
    verdict = judge_sampling(median(widths), said)
    return Sampling(**shared_fields(verdict, Sampling), diffraction_fwhm_arcsec=diffraction)
