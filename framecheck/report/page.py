"""report.html: the night for a person, on one page that needs nothing else."""

from base64 import b64encode
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from framecheck import words
from framecheck._version import __version__
from framecheck.causes.catalogue import CAUSES
from framecheck.decision.frame_row import FrameRow
from framecheck.decision.judgement import Judgement
from framecheck.decision.morning import ShownStar
from framecheck.report.crops import FramePictures, mean_star_png
from framecheck.report.expert import expert_parts
from framecheck.report.frame_data import frame_data, picture_data
from framecheck.report.html import part, template
from framecheck.report.night_title import night_title
from framecheck.report.notes import notes_of
from framecheck.report.story import finding_parts, place_of
from framecheck.report.time_axis import night_hours, several_nights

_MOST_BYTES: Final = 8_000_000
"""[byte] Chosen: what a phone opens without thinking; more was never read. Whatever the folder holds, the page stays
below."""
_SHOWN: Final = (20_000, 5000, 2000, 1000, 300, 100, 30, 10)
"""Chosen: frames that the page shows at most, the fewer the longer their names and reasons."""
_MOST_FILTERS: Final = 12


def night_page(judgement: Judgement, pictures: Mapping[Path, FramePictures] | None = None) -> str:
    """The whole page as HTML text; `pictures` are what frames look like, as far as there are any.

    Every text that comes from files or headers is escaped, every number is one of night.json's or a sum over them.
    The page loads nothing: styles, script and pictures are part of it, and its content policy forbids all else. It is
    no larger than 8 MB for any folder: of very many frames it shows those in question and some of the others, and
    files that could not be measured are told in groups.
    """
    rows = [row for row in judgement.rows if row.status == "measured"]
    parts = _parts(judgement, pictures or {})
    page = ""
    for most in _SHOWN:
        shown = rows_shown(rows, most)
        page = template("report.html").render(
            **parts,
            n_shown=len(shown),
            data=frame_data(judgement, shown, pictures or {}),
            pictures=picture_data(judgement, shown, pictures or {}),
        )
        if len(page.encode()) <= _MOST_BYTES:
            break
    return page


def _parts(judgement: Judgement, pictures: Mapping[Path, FramePictures]) -> dict[str, Any]:
    """What the page shows of the night as a whole, however many frames are shown one by one."""
    script = part("report.js")
    morning = judgement.morning
    return {
        "style": part("report.css"),
        "script": script,
        "script_hash": b64encode(sha256(script.encode()).digest()).decode(),
        "version": __version__,
        "title": words.cut(night_title(judgement, judgement.rows)),
        "facts": _facts(judgement),
        "notes": list(filter(None, (several_nights(judgement.rows), *notes_of(judgement)))),
        "morning": morning,
        "action_link": None if morning.action.cause is None else place_of(morning.action.cause),
        "stars": shown_stars(judgement, pictures),
        "n_frames": len(judgement.night.frames),
        "findings": finding_parts(judgement, pictures),
        "expert": expert_parts(judgement, judgement.rows),
        "n_checked": len(CAUSES) - len(judgement.undecided),
        "aim": judgement.aim,
    }


@dataclass(frozen=True, kw_only=True, slots=True)
class StarImage:
    """A star of the first screen."""

    role: str
    size: str
    address: str
    """A `data:` address."""
    text: str


def shown_stars(judgement: Judgement, pictures: Mapping[Path, FramePictures]) -> list[StarImage]:
    """Real pixels where the frames could be read again, else the frames' mean stars."""
    frames = {path_in(judgement, one.result.exposure.file): one.result for one in judgement.night.frames}
    images = []
    for star in judgement.morning.stars:
        result = frames[star.file]
        seen = pictures.get(result.exposure.file)
        png, what = None if seen is None else seen.star, "A star"
        if png is None and result.stacked is not None:
            on_top = result.exposure.first_row_on_top
            png, what = mean_star_png(result.stacked, first_row_on_top=on_top), "The mean star"
        if png is not None:
            images.append(_image(star, png, what))
    return images


def _image(star: ShownStar, png: bytes, what: str) -> StarImage:
    size = f"{words.fixed(star.fwhm_px, 1)} px" if star.fwhm_arcsec is None else f"{words.fixed(star.fwhm_arcsec, 1)}″"
    return StarImage(
        role=star.role,
        size=size,
        address="data:image/png;base64," + b64encode(png).decode(),
        text=f"{what} of the {star.role} frame, {words.plain(star.file)}: FWHM {size}, elongation "
        f"{words.fixed(star.elongation, 2)}.",
    )


def path_in(judgement: Judgement, file: Path) -> str:
    """Name of a frame as in night.json."""
    return words.path_in(judgement.night.folder, file)


def rows_shown(rows: Sequence[FrameRow], most: int) -> list[FrameRow]:
    """The frames shown one by one, in order: all if they are few, else those in question first."""
    if len(rows) <= most:
        return list(rows)
    chosen = evenly([row for row in rows if row.grade != "keep"], most)
    chosen += evenly([row for row in rows if row.grade == "keep"], most - len(chosen))
    names = {row.file for row in chosen}
    return [row for row in rows if row.file in names]


def evenly(rows: Sequence[FrameRow], most: int) -> list[FrameRow]:
    """So many of them at most, at even steps."""
    if len(rows) <= most:
        return list(rows)
    return [rows[k * len(rows) // most] for k in range(most)] if most > 0 else []


def _facts(judgement: Judgement) -> list[str]:
    """The line under the title: what was looked at, and with what."""
    night = judgement.night
    first = night.frames[0].result.exposure if night.frames else None
    filters = list(dict.fromkeys(group.filter for group in judgement.groups if group.filter))
    scale = night.rig.pixel_scale_arcsec
    facts = [
        words.counted(len(judgement.rows), "frame"),
        night_hours(judgement) or "",
        _filters(filters),
        words.cut(first.telescope) if first and first.telescope else "",
        words.cut(first.camera) if first and first.camera else "",
        f"{words.number(scale, 3)}″ per pixel" if scale is not None else "",
        f"graded for {_AIMS[judgement.aim]}",
    ]
    return [fact for fact in facts if fact]


def _filters(filters: list[str]) -> str:
    if len(filters) > _MOST_FILTERS:
        return words.counted(len(filters), "filter")
    return ("filter " if len(filters) == 1 else "filters ") + words.cut(words.listed(filters)) if filters else ""


_AIMS: Final = {"depth": "depth", "balanced": "depth and detail", "detail": "detail"}
