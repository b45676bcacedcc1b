"""The night in a few lines of terminal text."""

from statistics import median

from framecheck.cli.terminal import duration, safe
from framecheck.decision.grades import Grade
from framecheck.decision.judgement import Judgement
from framecheck.field import FrameFailure
from framecheck.night.records import NightFrame

WORST_SHOWN = 6
"""Rejected frames named with their reasons. Chosen: the rest is on the page."""


def night_lines(judgement: Judgement) -> list[str]:
    """Sum a night up for a person: what to keep, how sharp it is, what is wrong with the rest."""
    night = judgement.night
    pairs = list(zip(night.frames, judgement.grades, strict=True))
    counts = {name: sum(grade.grade == name for _, grade in pairs) for name in ("keep", "doubtful", "reject")}
    lines = [
        f"{len(pairs)} frames measured: {counts['keep']} keep, {counts['doubtful']} doubtful, "
        f"{counts['reject']} reject."
    ]
    lines += _hours(pairs)
    lines += _sharpness(judgement, pairs)
    rejected = [(frame, grade) for frame, grade in pairs if grade.grade == "reject"]
    if rejected:
        lines.append("")
        lines.append("Rejected:")
        lines += [f"  {safe(grade.file.name)}: {safe(grade.reasons[0])}" for _, grade in rejected[:WORST_SHOWN]]
        if len(rejected) > WORST_SHOWN:
            lines.append(f"  and {len(rejected) - WORST_SHOWN} more, each with its reason, on the page.")
    if night.failures:
        lines.append("")
        lines.append("Not measured:")
        lines += [f"  {failure_line(failure)}" for failure in night.failures]
    return lines


def failure_line(failure: FrameFailure) -> str:
    """One file that could not be measured: name, fault, remedy."""
    name = failure.file.replace("\\", "/").rsplit("/", 1)[-1]
    return safe(f"{name} {failure.fault}. {failure.remedy}")


def _hours(pairs: list[tuple[NightFrame, Grade]]) -> list[str]:
    kept = [frame for frame, grade in pairs if grade.grade == "keep"]
    taken = [frame.result.exposure.exposure_s for frame, _ in pairs]
    worth = [frame.effective_exposure_s for frame in kept]
    if any(value is None for value in taken) or any(value is None for value in worth):
        return []
    total, effective = sum(v for v in taken if v is not None), sum(v for v in worth if v is not None)
    return [f"{duration(total)} taken; the kept frames are worth {duration(effective)} of the night's best."]


def _sharpness(judgement: Judgement, pairs: list[tuple[NightFrame, Grade]]) -> list[str]:
    shapes = [frame.result.shape for frame, _ in pairs if frame.result.shape is not None]
    if not shapes:
        return []
    width, elongation = median(s.fwhm_px for s in shapes), median(s.elongation for s in shapes)
    scale = judgement.night.rig.pixel_scale_arcsec
    size = f"{width:.1f} px" if scale is None else f"{width * scale:.1f} arcsec ({width:.1f} px)"
    return [
        f"Stars are {size} wide at half maximum, {elongation:.2f} times as long as wide (up to 1.2 is fine)."
    ]
