"""Nights drawn by hand as the night.json that they would be read from."""

import json
from dataclasses import fields
from pathlib import Path
from typing import Any

from framecheck.decision.night_document import NightDocument
from framecheck.decision.past_night import PastNight
from framecheck.document import json_text, plain_values


def document_of(night: PastNight) -> dict[str, Any]:
    """What the writer makes of such a night."""
    document = {field.name: getattr(night, field.name) for field in fields(NightDocument)}
    if night.course is not None and night.main is not None:
        course = {name: value for name, value in plain_values(night.course).items() if value}
        document["charts"] = {"groups": [{"group": night.main.id, "course": course}]}
    written: dict[str, Any] = json.loads(json_text(plain_values(document)))
    return written


def write_night(night: PastNight, folder: Path) -> Path:
    """A report folder with nothing but its night.json."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "night.json").write_text(json.dumps(document_of(night)), encoding="utf-8")
    return folder
