"""The files of a night's report."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from framecheck.decision.judgement import Judgement
from framecheck.document import json_text
from framecheck.report.crops import FramePictures
from framecheck.report.frames_csv import frames_csv
from framecheck.report.night_json import night_document
from framecheck.report.page import night_page
from framecheck.report.publish import Fill, prepare_folder, publish, text_as_bytes
from framecheck.report.stars_parquet import write_stars

PAGE: Final = "report.html"
NIGHT: Final = "night.json"
FRAMES: Final = "frames.csv"
STARS: Final = "stars.parquet"
FILES: Final = (PAGE, NIGHT, FRAMES, STARS)
"""The names of all that is written."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Written:
    """Where the files of a night lie."""

    page: Path
    night: Path
    frames: Path
    stars: Path | None


def write_night(
    judgement: Judgement,
    folder: Path,
    *,
    stars: bool = False,
    thumbnails: Mapping[Path, FramePictures] | None = None,
    absolute_paths: bool = False,
) -> Written:
    """Write report.html (with pictures, if given), night.json, frames.csv and, if asked for, stars.parquet.

    They are put into place together: a reader never meets half a file, nor a page beside numbers of another night, and
    a failure leaves earlier ones as they were. `absolute_paths` tells in night.json where the night's folder lies.

    Raises
    ------
    UnusableRequest
        If the folder does not take the files.
    """
    prepare_folder(folder)
    document = night_document(judgement, absolute_paths=absolute_paths)
    files: dict[str, Fill] = {
        NIGHT: text_as_bytes(json_text(document) + "\n"),
        FRAMES: text_as_bytes(frames_csv(judgement.rows)),
    }
    if stars:
        files[STARS] = lambda file: write_stars(judgement.night, file)
    files[PAGE] = text_as_bytes(night_page(judgement, thumbnails))
    publish(folder, files)
    return Written(
        page=folder / PAGE, night=folder / NIGHT, frames=folder / FRAMES, stars=folder / STARS if stars else None
    )
