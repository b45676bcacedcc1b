"""Causes that a photograph shows best: a frame that a line of light crosses, a star of a frame that was knocked."""

from base64 import b64encode
from collections import Counter
from collections.abc import Mapping
from html import escape
from pathlib import Path
from typing import Final

from framecheck.causes.result import Finding
from framecheck.decision.judgement import Judgement
from framecheck.night.trails import trails_of
from framecheck.report.chart import Chart
from framecheck.report.crops import FramePictures
from framecheck.words import path_in, plain

CROSSED: Final = "trail-crossing"
KNOCKED: Final = "shock"


def frame_of(judgement: Judgement, cause: str) -> int | None:
    """Index of the frame whose picture shows a cause best; None if the cause was not found."""
    affected = next((one.affected for one in judgement.findings if one.cause == cause), frozenset())
    night = judgement.night
    if not affected:
        return None
    if cause == KNOCKED:
        return max(sorted(affected), key=lambda i: judgement.grades[i].grade == "reject")
    lines = Counter(trail.frame for trail in trails_of(night.frames, night.groups) if not trail.fixed)
    return max(sorted(affected), key=lambda i: lines[i])


def cause_photo(judgement: Judgement, finding: Finding, pictures: Mapping[Path, FramePictures]) -> Chart | None:
    """The photograph of a cause; None for causes that have none, or where the frame could not be read again."""
    index = frame_of(judgement, finding.cause) if finding.cause in (CROSSED, KNOCKED) else None
    if index is None:
        return None
    file = judgement.night.frames[index].result.exposure.file
    seen, name = pictures.get(file), path_in(judgement.night.folder, file)
    if seen is None:
        return None
    return _line_of_light(seen, name) if finding.cause == CROSSED else _knock(judgement, seen, name, pictures)


def _line_of_light(seen: FramePictures, name: str) -> Chart | None:
    if seen.whole is None:
        return None
    drawing = _image("jpeg", seen.whole, f"Frame {name}, crossed by a line of light.")
    return Chart(name="photo", title="The line of light", caption=f"{name}, stretched.", drawing=drawing)


def _knock(
    judgement: Judgement, seen: FramePictures, name: str, pictures: Mapping[Path, FramePictures]
) -> Chart | None:
    """A star of the knocked frame beside one of a typical frame."""
    usual = next((star.file for star in judgement.morning.stars if star.role == "typical"), None)
    beside = next((one.star for file, one in pictures.items() if path_in(judgement.night.folder, file) == usual), None)
    if seen.star is None or beside is None:
        return None
    left, right = (
        _image("png", png, f"A star of {file}, {how}.")
        for png, file, how in ((seen.star, name, "which was knocked"), (beside, usual, "a typical frame"))
    )
    return Chart(
        name="photo",
        title="A star with the knock, and one without",
        caption=f"Left {name}, right {usual}, to one scale.",
        drawing=f'<div class="photos">{left}{right}</div>',
    )


def _image(kind: str, packed: bytes, text: str) -> str:
    address = f"data:image/{kind};base64,{b64encode(packed).decode()}"
    return f'<img class="photo" src="{address}" alt="{escape(plain(text))}">'
