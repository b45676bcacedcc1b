"""Nights drawn by hand as the night.json that they would be read from."""

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from framecheck.decision.past_night import PastNight


def document_of(night: PastNight) -> dict[str, Any]:
    """What OUTPUT's contract and our additions to it say of such a night."""
    course = night.course
    first, second = ("ra_arcsec", "dec_arcsec") if course is not None and course.in_arcsec else ("x_px", "y_px")
    frames = [
        {**asdict(frame), "start_utc": None if frame.start_utc is None else frame.start_utc.isoformat(),
         "status": "measured", "failure": None, "reasons": []}
        for frame in night.frames
    ]  # fmt: skip
    document = {
        "schema": 1,
        "generator": {"name": "framecheck", "version": night.version},
        "source": {"folder": night.folder, "n_files": len(frames), "n_measured": len(frames), "n_failed": 0},
        "rig": {**night.rig, "provenance": {}},
        "groups": [] if night.main is None else [{**asdict(night.main), "binning": 1, "n_frames": len(frames)}],
        "frames": frames,
        "skipped": [],
        "tracking": {
            "polar_error_arcmin": None if night.polar_error_arcmin is None else asdict(night.polar_error_arcmin)
        },
        "budget": [asdict(term) for term in night.budget],
        "findings": [{**asdict(cause), "family": "mount", "evidence": []} for cause in night.causes],
        "charts": {
            "course": None
            if course is None
            else {"minutes": course.minutes, first: course.first, second: course.second}
        },
        "field_stretches": None if night.field is None else asdict(night.field),
    }
    read_back: dict[str, Any] = json.loads(json.dumps(document))
    return read_back


def write_night(night: PastNight, folder: Path) -> Path:
    """A report folder with nothing but its night.json."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "night.json").write_text(json.dumps(document_of(night)), encoding="utf-8")
    return folder
