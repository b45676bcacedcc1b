"""Small pictures of frames for the page: frames are read again, after they were judged, and only those asked for."""

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Final

from framecheck.cli.terminal import ProgressLine
from framecheck.decision.first_look import star_of
from framecheck.decision.judgement import Judgement
from framecheck.decision.morning import ShownStar
from framecheck.errors import UnusableFrame
from framecheck.read import read_frame
from framecheck.report.cause_photo import CROSSED, KNOCKED, frame_of
from framecheck.report.crops import FramePictures, corner_sheet, side_of_stars, star_crop
from framecheck.report.thumbnail import thumbnail
from framecheck.words import path_in

IN_QUESTION: Final = 12
"""Frames at least that have pictures without being asked."""
_ROOM_PX: Final = 320_000_000
"""Pixels that are read for them. Chosen: half a second, for twelve frames of 26 megapixels or all of small ones."""
MOST_BYTES: Final = 4_400_000
"""Of all pictures. Chosen: a page of 500 frames stays below 8 MB, packed as text (a third more) beside its figures."""
_MOST_BYTES_EACH: Final = 70_000
"""Chosen: what a picture 640 pixels wide takes, and its pieces."""
_WHOLE: Final = 0.6
"""Part of a frame's bytes for the whole frame; the pieces take the rest. Chosen."""
_WIDEST_PX: Final = ((40_000, 640), (15_000, 400), (0, 256))
"""Bytes for the whole frame from which its picture is so wide. Chosen by looking at them."""
_ORDER: Final = {"reject": 0, "doubtful": 1, "keep": 2}


def take_thumbnails(judgement: Judgement, *, of_all: bool = False, quiet: bool = False) -> dict[Path, FramePictures]:
    """Pictures by file: of all frames, or of those in question and of the three whose stars are shown first.

    A frame that cannot be read again, for it was moved or removed meanwhile, has none.
    """
    stars = _shown_stars(judgement)
    files = [grade.file for grade in judgement.grades] if of_all else frames_in_question(judgement)
    crossed = frame_of(judgement, CROSSED)
    of_trail = [] if crossed is None else [judgement.night.frames[crossed].result.exposure.file]
    files = list(dict.fromkeys([*files, *stars, *of_trail]))
    if not files:
        return {}
    side = side_of_stars([star.fwhm_px for star in stars.values()]) if stars else 0
    most_bytes = min(_MOST_BYTES_EACH, MOST_BYTES // len(files))

    def take(file: Path) -> tuple[Path, FramePictures | None]:
        return file, _take(file, most_bytes, stars.get(file), side)

    pictures: dict[Path, FramePictures] = {}
    with (
        ProgressLine("Pictures:", quiet=quiet or not of_all) as progress,
        ThreadPoolExecutor(min(4, os.cpu_count() or 1)) as workers,
    ):
        for done, (file, taken) in enumerate(workers.map(take, files), 1):
            if taken is not None:
                pictures[file] = taken
            progress(done, len(files))
    return pictures


def _shown_stars(judgement: Judgement) -> dict[Path, ShownStar]:
    """The stars of the first screen, and one of a knocked frame, by the file that they are in."""
    frames = judgement.night.frames
    named = {
        path_in(judgement.night.folder, frame.result.exposure.file): frame.result.exposure.file for frame in frames
    }
    stars = {named[star.file]: star for star in judgement.morning.stars}
    knocked = frame_of(judgement, KNOCKED)
    if knocked is not None:
        frame = frames[knocked]
        shape, file = frame.result.shape, frame.result.exposure.file
        if shape is not None and len(frame.result.stars.good):
            stars.setdefault(file, star_of(judgement, "knocked", frame, shape))
    return stars


def frames_in_question(judgement: Judgement) -> Sequence[Path]:
    """The worst rejected and doubtful frames; where these are few, some that are kept, evenly over the night."""
    sizes = [frame.result.exposure.width_px * frame.result.exposure.height_px for frame in judgement.night.frames]
    most = max(IN_QUESTION, _ROOM_PX // max([*sizes, 1]))
    graded = [grade for grade in judgement.grades if grade.grade != "keep"]
    graded.sort(key=lambda grade: (_ORDER[grade.grade], grade.benefit is not None, grade.benefit or 0.0))
    chosen = [grade.file for grade in graded[:most]]
    kept = [grade.file for grade in judgement.grades if grade.grade == "keep"]
    room = min(most - len(chosen), len(kept))
    return chosen + [kept[i * len(kept) // room] for i in range(room)]


def _take(file: Path, most_bytes: int, star: ShownStar | None, side: int) -> FramePictures | None:
    try:
        frame = read_frame(file)
    except (UnusableFrame, OSError):
        return None
    pixels, is_mosaic, (left, bottom) = frame.pixels, frame.mosaic is not None, frame.corner_px
    x_px, y_px = (0.0, 0.0) if star is None else (star.x_px - left, star.y_px - bottom)
    if frame.exposure.first_row_on_top:  # pictures have their first row at the bottom
        pixels, y_px = pixels[::-1], len(pixels) - 1 - y_px
    room = round(_WHOLE * most_bytes)
    widest = next(wide for least, wide in _WIDEST_PX if room >= least)
    whole = thumbnail(pixels, room, widest)
    return FramePictures(
        whole=whole,
        sheet=corner_sheet(pixels, most_bytes - len(whole), is_mosaic=is_mosaic),
        star=None if star is None else star_crop(pixels, x_px, y_px, side, is_mosaic=is_mosaic),
    )
