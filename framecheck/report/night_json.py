"""night.json: the night for programs. Every field is always there; unknown is null."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from framecheck.decision.frame_row import FrameRow, failed_row, measured_row
from framecheck.decision.judgement import Judgement
from framecheck.decision.night_document import (
    FailedAlike,
    NightDocument,
    RigFacts,
    SkippedFile,
    Source,
)
from framecheck.decision.records import Range
from framecheck.document import plain_values, shared_fields
from framecheck.field.result import FrameFailure, FrameResult
from framecheck.motion.night import Night
from framecheck.night.ground import GroundInView
from framecheck.plan.longest import longest_tracked, standing_figures
from framecheck.read.paths import whole_path
from framecheck.read.remote import place_name
from framecheck.read.rig import Rig
from framecheck.report.chart_numbers import chart_numbers
from framecheck.report.left_out import failed_alike
from framecheck.report.notes import GROUND_ADVICE, ground_advice
from framecheck.words import path_in

_MOST_FAILED: Final = 1000
"""Chosen: files that could not be measured have 1 kB of nulls each; all of them are counted in `failures`."""


def night_document(judgement: Judgement, *, absolute_paths: bool = False) -> dict[str, Any]:
    """The whole night as night.json holds it.

    Parameters
    ----------
    judgement : Judgement
    absolute_paths : bool
        Whether it tells where on this machine the night's folder lies; a report is shared, so that else it is named
        as it was given, or by its last part.

    Returns
    -------
    dict
        Plain values only; floats with six significant digits, what is not finite as None. Equal judgements give
        equal documents: there is no date of writing and no run time in it.
    """
    night, rows, decision = judgement.night, judgement.rows, judgement.mount_decision
    document = NightDocument(
        source=_source(night, absolute_paths=absolute_paths),
        rig=_rig(night.rig),
        groups=judgement.groups,
        frames=tuple(_listed(rows)),
        skipped=tuple(
            SkippedFile(file=path_in(night.folder, skipped.file), kind=skipped.kind, why=skipped.why)
            for skipped in sorted(night.skipped, key=lambda skipped: skipped.file.as_posix())
        ),
        tracking=judgement.tracking,
        sampling=judgement.sampling,
        field=judgement.field_pattern,
        budget=judgement.budget,
        findings=judgement.findings,
        undecided=judgement.undecided,
        explained=judgement.explained,
        mount_decision=replace(
            decision,
            gain=decision.gain or Range(),
            tracking_rms_arcsec=decision.tracking_rms_arcsec or Range(),
        ),
        what_if=judgement.what_if,
        charts=chart_numbers(judgement),
        field_stretches=judgement.field_stretches,
        failures=tuple(
            FailedAlike(failure=one.why, n_files=one.n_files, first=one.first) for one in failed_alike(rows)
        ),
        ground=_ground(judgement.ground),
        standing=standing_figures(judgement.standing, night.rig.focal_length_mm),
        alignment=longest_tracked(night.rig, judgement.tracking.polar_error_arcmin),
        apertures=judgement.apertures or None,
        morning=judgement.morning,
    )
    plain: dict[str, Any] = plain_values(document)
    return plain


def _listed(rows: Sequence[FrameRow]) -> Iterator[FrameRow]:
    """All measured frames and the first of those that could not be: frames.csv has every one."""
    n_failed = 0
    for row in rows:
        n_failed += row.status == "failed"
        if row.status == "measured" or n_failed <= _MOST_FAILED:
            yield row


def _ground(ground: GroundInView | None) -> dict[str, Any] | None:
    """Ground in view, with what to do about it."""
    if ground is None:
        return None
    text = ground_advice(ground)
    return plain_values(ground) | {"advice": None if text is None else {"name": GROUND_ADVICE, "text": text}}


def frame_document(result: FrameResult | FrameFailure, rig: Rig, folder: Path = Path()) -> dict[str, Any]:
    """One frame with the fields of night.json's `frames[]`; what only a night can tell is None."""
    row = failed_row(result, folder) if isinstance(result, FrameFailure) else measured_row(result, folder, rig)
    plain: dict[str, Any] = plain_values(row)
    return plain


def _source(night: Night, *, absolute_paths: bool) -> Source:
    measured, failed = len(night.frames), len(night.failures)
    return Source(
        folder=place_name(whole_path(night.folder)) if absolute_paths else _shared_name(night.folder),
        n_files=measured + failed + len(night.skipped),
        n_measured=measured,
        n_failed=failed,
    )


def _shared_name(folder: Path) -> str:
    return folder.name if folder.is_absolute() else place_name(folder)


def _rig(rig: Rig) -> RigFacts:
    facts = shared_fields(rig, RigFacts)
    origins = {name: rig.provenance[name] for name in facts if name in rig.provenance}
    saved = [name for name, origin in rig.provenance.items() if origin == "saved rig"]
    told = {name: "rig file" if origin == "saved rig" else origin for name, origin in origins.items()}
    return RigFacts(**facts | {"provenance": told, "from_saved_rig": tuple(sorted(saved))})
