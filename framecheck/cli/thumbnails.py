"""Small pictures of frames for the page: frames are read again, after they were judged, and only those asked for."""

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Final

from framecheck.cli.terminal import ProgressLine
from framecheck.decision.judgement import Judgement
from framecheck.errors import UnusableFrame
from framecheck.read import read_frame
from framecheck.report.thumbnail import thumbnail

IN_QUESTION: Final = 12
"""Frames that the page shows without being asked. Chosen: half a second for frames of 26 megapixels."""
MOST_BYTES: Final = 3_600_000
"""Of all pictures. Chosen: a page of 500 frames stays below 8 MB, packed as text (a third more) beside its charts."""
MOST_BYTES_EACH: Final = 12_000
"""Chosen: what a small picture with little noise takes."""
_ORDER: Final = {"reject": 0, "doubtful": 1, "keep": 2}


def take_thumbnails(judgement: Judgement, *, of_all: bool = False, quiet: bool = False) -> dict[Path, bytes]:
    """Small pictures by file: of all frames, or of those in question.

    A frame that cannot be read again, for it was moved or removed meanwhile, has none.
    """
    files = [grade.file for grade in judgement.grades] if of_all else frames_in_question(judgement)
    if not files:
        return {}
    most_bytes = min(MOST_BYTES_EACH, MOST_BYTES // len(files))
    pictures: dict[Path, bytes] = {}
    with (
        ProgressLine("Small pictures:", quiet=quiet or not of_all) as progress,
        ThreadPoolExecutor(min(4, os.cpu_count() or 1)) as workers,
    ):
        for done, (file, picture) in enumerate(workers.map(lambda file: (file, _take(file, most_bytes)), files), 1):
            if picture is not None:
                pictures[file] = picture
            progress(done, len(files))
    return pictures


def frames_in_question(judgement: Judgement) -> Sequence[Path]:
    """The worst rejected and doubtful frames; where these are few, some that are kept, evenly over the night."""
    graded = [grade for grade in judgement.grades if grade.grade != "keep"]
    graded.sort(key=lambda grade: (_ORDER[grade.grade], grade.benefit is not None, grade.benefit or 0.0))
    chosen = [grade.file for grade in graded[:IN_QUESTION]]
    kept = [grade.file for grade in judgement.grades if grade.grade == "keep"]
    room = min(IN_QUESTION - len(chosen), len(kept))
    return chosen + [kept[i * len(kept) // room] for i in range(room)]


def _take(file: Path, most_bytes: int) -> bytes | None:
    try:
        return thumbnail(read_frame(file).pixels, most_bytes)
    except (UnusableFrame, OSError):
        return None
