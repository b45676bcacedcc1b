"""night.json: the night for programs. Every field is always there; unknown is null."""

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from framecheck._version import __version__
from framecheck.causes.catalogue import CAUSES
from framecheck.decision.frame_row import FrameRow, failed_row, frame_rows, measured_row
from framecheck.decision.judgement import Finding, Judgement, MountDecision, Range, Tracking, Undecided
from framecheck.field.result import FrameFailure, FrameResult
from framecheck.night.records import Night
from framecheck.read.paths import whole_path
from framecheck.read.remote import place_name
from framecheck.read.rig import Rig
from framecheck.report.chart_numbers import chart_numbers
from framecheck.report.left_out import Alike, failed_alike
from framecheck.words import path_in, steers, valid_text

SCHEMA: Final = 1
_DIGITS: Final = 6
"""Chosen: significant digits of a float, finer than any measurement here, so that equal nights give equal bytes."""
_MOST_FAILED: Final = 1000
"""Chosen: files that could not be measured have 1 kB of nulls each; all of them are counted in `failures`."""
_RIG_FIELDS: Final = (
    "focal_length_mm", "aperture_mm", "pixel_um", "binning", "pixel_scale_arcsec", "gain_e_per_adu", "read_noise_e",
    "saturation_adu", "mount_type", "worm_period_s", "camera_angle_deg",
)  # fmt: skip


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
    night, rows = judgement.night, frame_rows(judgement)
    document = {
        "schema": SCHEMA,
        "generator": {"name": "framecheck", "version": __version__},
        "source": _source(night, absolute_paths=absolute_paths),
        "rig": _rig(night.rig),
        "groups": [asdict(group) for group in judgement.groups],
        "frames": [asdict(row) for row in _listed(rows)],
        "skipped": [
            {"file": path_in(night.folder, skipped.file), "kind": skipped.kind, "why": skipped.why}
            for skipped in sorted(night.skipped, key=lambda skipped: skipped.file.as_posix())
        ],
        "tracking": _tracking(judgement.tracking),
        "sampling": asdict(judgement.sampling),
        "field": asdict(judgement.field_pattern),
        "budget": [asdict(term) for term in judgement.budget],
        "findings": [_finding(finding) for finding in judgement.findings],
        "undecided": [_undecided(undecided) for undecided in judgement.undecided],
        "explained": asdict(judgement.explained),
        "mount_decision": _mount_decision(judgement.mount_decision),
        "what_if": [asdict(case) for case in judgement.what_if],
        "charts": chart_numbers(judgement),
        "field_stretches": None if judgement.field_stretches is None else asdict(judgement.field_stretches),
        "failures": [_alike(group) for group in failed_alike(rows)],
    }
    plain: dict[str, Any] = plain_values(document)
    return plain


def _listed(rows: Sequence[FrameRow]) -> Iterator[FrameRow]:
    """All measured frames and the first of those that could not be: frames.csv has every one."""
    n_failed = 0
    for row in rows:
        n_failed += row.status == "failed"
        if row.status == "measured" or n_failed <= _MOST_FAILED:
            yield row


def _alike(group: Alike) -> dict[str, Any]:
    return {"failure": group.why, "n_files": group.n_files, "first": group.first}


def frame_document(result: FrameResult | FrameFailure, rig: Rig, folder: Path = Path()) -> dict[str, Any]:
    """One frame with the fields of night.json's `frames[]`; what only a night can tell is None."""
    row = failed_row(result, folder) if isinstance(result, FrameFailure) else measured_row(result, folder, rig)
    return row_document(row)


def row_document(row: FrameRow) -> dict[str, Any]:
    """One row as plain values, rounded."""
    plain: dict[str, Any] = plain_values(asdict(row))
    return plain


def json_text(document: Mapping[str, Any], *, indent: int | None = 1) -> str:
    """The document as JSON text that any reader takes: UTF-8, no NaN, keys in the order of the contract.

    Signs that could steer a terminal or reorder a line are written as JSON's own escapes.
    """
    text = json.dumps(document, ensure_ascii=False, allow_nan=False, indent=indent)
    steering = {sign for sign in set(text) - {"\n"} if steers(sign)}
    return text.translate({ord(sign): json.dumps(sign)[1:-1] if sign != "\x7f" else "\\u007f" for sign in steering})


def rounded(value: float) -> float | None:
    """A float with six significant digits; None if it is not finite."""
    return float(f"{value:.{_DIGITS}g}") if math.isfinite(value) else None


def plain_values(value: Any) -> Any:
    """Lists, dicts, text, numbers and None from records, tuples, times and numpy scalars."""
    if isinstance(value, datetime):
        return value.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    if isinstance(value, Mapping):
        return {valid_text(str(name)): plain_values(inner) for name, inner in value.items()}
    if isinstance(value, tuple | list):
        return [plain_values(inner) for inner in value]
    if isinstance(value, str):
        return valid_text(value)
    if value is None or isinstance(value, bool | int):
        return value
    if hasattr(value, "item"):
        return plain_values(value.item())
    if isinstance(value, float):
        return rounded(value)
    raise TypeError(f"night.json cannot hold a {type(value).__name__}: {value!r}")


def _source(night: Night, *, absolute_paths: bool) -> dict[str, Any]:
    measured, failed = len(night.frames), len(night.failures)
    return {
        "folder": place_name(whole_path(night.folder)) if absolute_paths else _shared_name(night.folder),
        "n_files": measured + failed + len(night.skipped),
        "n_measured": measured,
        "n_failed": failed,
    }


def _shared_name(folder: Path) -> str:
    return folder.name if folder.is_absolute() else place_name(folder)


def _rig(rig: Rig) -> dict[str, Any]:
    known = {name: getattr(rig, name) for name in _RIG_FIELDS}
    provenance = {name: rig.provenance[name] for name in _RIG_FIELDS if name in rig.provenance}
    return known | {"provenance": provenance}


def _tracking(tracking: Tracking) -> dict[str, Any]:
    polar = tracking.polar_error_arcmin
    return asdict(tracking) | {"polar_error_arcmin": None if polar is None else asdict(polar)}


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "cause": finding.cause,
        "family": CAUSES[finding.cause].family,
        "confidence": finding.confidence,
        "frames_affected": finding.frames_affected,
        "cost": finding.cost,
        "evidence": [asdict(seen) for seen in finding.evidence],
        "rivals": [asdict(rival) for rival in finding.rivals],
        "cures": finding.cures,
        "caution": finding.caution,
    }


def _undecided(undecided: Undecided) -> dict[str, Any]:
    return {
        "cause": undecided.cause,
        "family": CAUSES[undecided.cause].family,
        "because": undecided.because,
        "what_would_settle_it": undecided.what_would_settle_it,
    }


def _mount_decision(decision: MountDecision) -> dict[str, Any]:
    document = asdict(decision)
    unknown = asdict(Range())
    return document | {name: document[name] or unknown for name in ("gain", "tracking_rms_arcsec")}
