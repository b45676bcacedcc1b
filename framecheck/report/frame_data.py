"""What the page's workbench draws from: frames, curves and the order from depth to sharpness, as plain values."""

import json
from base64 import b64encode
from collections import Counter
from collections.abc import Mapping, Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from framecheck.decision.frame_row import FrameRow
from framecheck.decision.grades import GRADES
from framecheck.decision.judgement import Judgement
from framecheck.document import rounded
from framecheck.night.trails import trails_of
from framecheck.quantity import Quantity, is_known, shown_as
from framecheck.read.local_time import LocalTime, local_time
from framecheck.report.crops import FramePictures
from framecheck.report.strips import limits
from framecheck.report.time_axis import time_axis
from framecheck.words import counted, cut, number, path_in, plain

_DIGITS: Final = 5
"""Significant digits. Chosen: finer than what is shown."""


def frame_data(judgement: Judgement, rows: Sequence[FrameRow], pictures: Mapping[Path, FramePictures]) -> str:
    """The data as JSON that may stand in the middle of a page: no sign in it ends an element.

    Parameters
    ----------
    judgement : Judgement
    rows : sequence of FrameRow
        The measured frames to be shown, in order of time: all, or some of very many.
    pictures : mapping
        What frames look like, by their path.
    """
    curves = [one for one in shown_as("curve", rows) if is_known(one, rows)]
    axis = time_axis(rows)
    local = local_time(judgement.night.rig) if axis.clock == "UTC" else None
    document = {
        "frames": _frames(judgement, rows, pictures),
        "at": [_short(x) for x in axis.positions],
        "span": [_short(axis.start), _short(axis.end)],
        "marks": [[_short(x), label, *_beside(x, local)] for x, label in axis.marks(8)] if rows else [],
        "clocks": [axis.clock, *([] if local is None else [local.name])],
        "curves": [_curve(one, rows) for one in curves],
        "columns": [one.name for one in shown_as("column", rows) if one in curves],
        "choice": _choice(judgement, rows),
        "folder": plain(cut(_folder(judgement))),
        "memory": _memory(rows),
    }
    return json.dumps(document, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c")


def _frames(
    judgement: Judgement, rows: Sequence[FrameRow], pictures: Mapping[Path, FramePictures]
) -> dict[str, list[Any]]:
    """Columns of the table, one entry a frame."""
    night = judgement.night
    index = {path_in(night.folder, frame.result.exposure.file): i for i, frame in enumerate(night.frames)}
    places = [index[row.file] for row in rows]
    crossed = Counter(trail.frame for trail in trails_of(night.frames, night.groups) if not trail.fixed)
    local = local_time(night.rig)
    several = len({row.group for row in rows}) > 1
    found = [night.frames[i].result.stars.n_found for i in places]
    return {
        "file": [plain(row.file) for row in rows],
        "clock": [row.start.strftime("%H:%M:%S") if row.start else "" for row in rows],
        "local": [_local_clock(row, local) for row in rows],
        "moment": [_moment(row, local) for row in rows],
        "grade": [GRADES.index(row.grade or "keep") for row in rows],
        "tag": [plain(row.tag or "") for row in rows],
        "why": [[plain(reason) for reason in row.reasons] for row in rows],
        "group": [plain(row.group or "") if several else "" for row in rows],
        "worth": [None if row.effective_exposure_s is None else _short(row.effective_exposure_s) for row in rows],
        "wider": [_short((judgement.grades[i].width_cost_percent or 0.0) / 100) for i in places],
        "text": [_seen(n, row, crossed[i]) for n, i, row in zip(found, places, rows, strict=True)],
        "picture": [int(night.frames[i].result.exposure.file in pictures) for i in places],
    }  # fmt: skip


def _seen(n_found: int, row: FrameRow, crossed: int) -> str:
    """What a frame shows, for who does not see it."""
    lines = "" if not crossed else f", {counted(crossed, 'line')} of light"
    return f"{counted(n_found, 'star')}, {number(row.fwhm_px)} px wide{lines}"


def _local_clock(row: FrameRow, local: LocalTime | None) -> str:
    """When a frame began by the place's clock; empty if unknown."""
    return "" if local is None or row.start is None or row.start_utc is None else local.clock(row.start)


def _moment(row: FrameRow, local: LocalTime | None) -> str:
    """When a frame began, by UTC and by the place's clock where that is known."""
    if row.start is None:
        return ""
    here = _local_clock(row, local)
    beside = f" ({here} {local.name})" if here and local is not None else ""
    return f"{row.start:%H:%M:%S} {'UTC' if row.start_utc else 'by the camera'}{beside}"


def _beside(hours: float, local: LocalTime | None) -> list[str]:
    """What the place's clock shows at so many hours of UTC; nothing where that is not known."""
    if local is None:
        return []
    minutes = round(60 * hours + local.ahead.total_seconds() / 60)
    return [f"{minutes // 60 % 24:02d}:{minutes % 60:02d}"]


def _curve(quantity: Quantity, rows: Sequence[FrameRow]) -> dict[str, Any]:
    curve = quantity.curve
    assert curve is not None
    mark, (low, high) = limits(quantity, rows)
    errors = [getattr(row, quantity.error) if quantity.error else None for row in rows]
    return {
        "key": quantity.name,
        "name": curve.name,
        "title": curve.title,
        "short": "" if quantity.column is None else quantity.column.heading,
        "unit": curve.unit,
        "good": curve.good,
        "low": _short(low),
        "high": _short(high),
        "mark": None if mark is None else _short(mark),
        "values": [None if value is None else _short(value) for row in rows for value in [getattr(row, quantity.name)]],
        "shown": [quantity.text(getattr(row, quantity.name)) for row in rows],
        "errors": [None if error is None else _short(error) for error in errors] if any(errors) else None,
    }


def _choice(judgement: Judgement, rows: Sequence[FrameRow]) -> dict[str, Any]:
    """The order in which frames are kept; widths of the stack only where all of its frames are shown."""
    choice, morning = judgement.choice, judgement.morning
    place = {row.file: k for k, row in enumerate(rows)}
    names = [path_in(judgement.night.folder, judgement.night.frames[i].result.exposure.file) for i in choice.order]
    whole = len(rows) == len(names)
    shown = [i for i, name in enumerate(names) if name in place]
    return {
        "order": [place[names[i]] for i in shown],
        "fwhm": [rounded(choice.fwhm[i]) for i in shown] if whole else None,
        "unit": "″" if choice.unit == "arcsec" else " px",
        "recommended": sum(i < morning.n_stack for i in shown),
        "keep": sum(i < choice.n_keep for i in shown),
        "whole": whole,
    }


def _folder(judgement: Judgement) -> str:
    """The folder as it is told where a page is shared: by its last part, if it is given in full."""
    folder = judgement.night.folder
    return folder.name if folder.is_absolute() else folder.as_posix()


def _memory(rows: Sequence[FrameRow]) -> str:
    """Name under which the page remembers a person's choices: that of these frames and no others."""
    names = "\n".join(f"{row.file}|{row.start_utc or row.start_local}" for row in rows)
    return "framecheck-choices-" + sha256(names.encode()).hexdigest()[:16]


def _short(value: float) -> float:
    return float(f"{value:.{_DIGITS}g}")


def picture_data(
    judgement: Judgement, rows: Sequence[FrameRow], pictures: Mapping[Path, FramePictures]
) -> list[tuple[int, str]]:
    """Of each frame shown that has pictures: its number among the rows, and both of them as text."""
    by_name = {
        path_in(judgement.night.folder, frame.result.exposure.file): pictures.get(frame.result.exposure.file)
        for frame in judgement.night.frames
    }
    packed = [(k, by_name[row.file]) for k, row in enumerate(rows)]
    return [
        (k, " ".join("" if part is None else b64encode(part).decode() for part in (one.whole, one.sheet)))
        for k, one in packed
        if one is not None
    ]
