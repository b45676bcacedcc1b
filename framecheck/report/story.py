"""What was found in a night, told once as plain blocks."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from framecheck.causes.catalogue import CAUSES, caution_of
from framecheck.causes.result import CLAIMED, Evidence, Finding
from framecheck.decision.judgement import Judgement
from framecheck.report.blocks import Advice, Block, Part, Pictures, Points, Table, Text
from framecheck.report.cause_picture import cause_picture
from framecheck.report.crops import FramePictures
from framecheck.words import clause, counted, duration, fixed, likelihood, likely, percent, sentence

CASES: Final = {
    "as it was": "as it was",
    "perfect tracking": "perfect tracking",
    "guided as well as needed": "guided well enough",
    "half the exposure time": "half the exposure",
    "half the focal length": "half the focal length",
}
"""Cases of `what_if` as they are told."""


def finding_parts(judgement: Judgement, pictures: Mapping[Path, FramePictures]) -> tuple[Part, ...]:
    """What was found, the costliest first; suspicions after what is claimed."""
    order = sorted(
        judgement.findings, key=lambda one: (CAUSES[one.cause].advice, one.confidence < CLAIMED, -(one.cost or 0.0))
    )
    return tuple(_finding_part(judgement, finding, pictures) for finding in order)


def place_of(cause: str) -> str:
    """Name of the part that tells of a cause."""
    return f"finding-{cause}"


def _finding_part(judgement: Judgement, finding: Finding, pictures: Mapping[Path, FramePictures]) -> Part:
    picture = cause_picture(judgement, finding, pictures)
    blocks: list[Block] = [Text(CAUSES[finding.cause].meaning)]
    if picture is not None:
        blocks.insert(0, Pictures((picture,)))
    if finding.evidence:
        blocks.append(Table(("", "Measured", "Normal"), tuple(map(_row_of_evidence, finding.evidence))))
    if finding.cures:
        blocks.append(advice("Fixes, cheapest first", finding.cures))
    if finding.rivals:
        rivals = tuple((CAUSES[one.cause].title, f"{clause(one.why_less_likely)}.") for one in finding.rivals)
        blocks.append(Points("Why not something else", rivals))
    blocks.append(Text(f"How sure: {likelihood(finding.confidence)}."))
    frames = f", {counted(finding.frames_affected, 'frame')}" if finding.frames_affected else ""
    touched = likely(finding.confidence) + frames
    weak = finding.confidence < CLAIMED
    return Part(place_of(finding.cause), _conclusion(judgement, finding), touched, tuple(blocks), weak)


def _conclusion(judgement: Judgement, finding: Finding) -> str:
    """What a finding comes to."""
    culprit = CAUSES[finding.cause].culprit
    if CAUSES[finding.cause].advice:
        return f"Advice, not a fault: {culprit}"
    if finding.confidence < CLAIMED:
        return f"Perhaps {culprit}" + ("" if finding.cost is None else f", at a cost of {percent(finding.cost)}")
    lead = culprit[:1].upper() + culprit[1:]
    if finding.cost is None:
        every = finding.frames_affected == len(judgement.night.frames)
        return f"{lead} touched {'every frame' if every else counted(finding.frames_affected, 'frame')}"
    return f"{lead} cost {percent(finding.cost)}"


def _row_of_evidence(seen: Evidence) -> tuple[str, str, str]:
    return seen.statement[:1].upper() + seen.statement[1:], seen.measured, seen.normal


def advice(title: str, steps: Sequence[str]) -> Advice:
    """Steps with the cautions that belong to them."""
    return Advice(title, tuple((sentence(step), caution_of(step) or "") for step in steps))


def what_if_table(judgement: Judgement) -> Table | None:
    """The same night under other conditions; None where nothing is known of them."""
    if len(judgement.what_if) < 2:
        return None
    rows = tuple(
        (
            CASES[case.case][:1].upper() + CASES[case.case][1:],
            "–" if case.recorded_fwhm_arcsec is None else f"{fixed(case.recorded_fwhm_arcsec, 2)}″",
            f"{case.kept} of {case.n_frames}",
            duration(case.effective_exposure_s),
        )
        for case in judgement.what_if
    )
    return Table(("What if", "FWHM with pixel", "Frames kept", "Worth"), rows, right=(1, 2, 3))
