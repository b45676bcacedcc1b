"""A judged night read again from its night.json, with a sentence where it is none."""

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, get_args

from framecheck.decision.judgement import BudgetName, BudgetTerm, FieldPattern, FieldStretch, FieldStretches, Range
from framecheck.decision.past_night import RIG_FACTS, Course, Fact, Named, PastFrame, PastGroup, PastNight
from framecheck.errors import UnusableRequest, refused
from framecheck.read.foreign_json import json_of
from framecheck.read.paths import read_plain
from framecheck.report.night_json import SCHEMA

_PATTERN: Final = tuple(FieldPattern.__dataclass_fields__)
_LARGEST: Final = 256 << 20
"""A file is not read beyond this. [byte] Chosen: a night of 50,000 frames."""
_MOST: Final = 100_000
"""Frames, or places of a list. Chosen: a month of one-second exposures at night comes to more, and is no night."""
_LONGEST_TEXT: Final = 4096
"""[signs] Linux, path_resolution(7): no path is longer, and all other texts of a night are names."""
_MOST_STRETCHES: Final = 100
"""Of a night. Chosen: eight are written."""
_USUAL: Final = (-1e6, 1e6)
_RANGES: Final[Mapping[str, tuple[float, float]]] = {
    # chosen: wider than anything that is built or seen, narrow enough for arithmetic
    "exposure_s": (0, 1e6), "effective_exposure_s": (0, 1e6), "fwhm_px": (1e-3, 1e5), "centre_fwhm_px": (0, 1e5),
    "elongation": (1, 1e4), "smear_px": (0, 1e5), "airmass": (0.5, 100), "confidence": (0, 1), "share": (-10, 10),
    "n_frames": (0, 1e7), "width_px": (0, 1e6), "height_px": (0, 1e6), "minutes": (-1e7, 1e7),
    "focal_length_mm": (0.1, 1e6), "aperture_mm": (0.1, 1e6), "pixel_um": (1e-3, 1e4), "binning": (0.1, 1000),
    "pixel_scale_arcsec": (1e-4, 1e6), "worm_period_s": (0, 1e6),
}  # fmt: skip
"""What a number of a name may be, in its unit; others lie in `_USUAL`."""
_YEARS: Final = (1800, 2200)
"""Chosen: photographs of the sky began in 1840."""


class _Foreign(Exception):  # noqa: N818 - says what it is
    """Something that framecheck does not write; the message names it."""


def read_past_night(file: Path, name: str) -> PastNight:
    """Read a night.json.

    Parameters
    ----------
    file : Path
        Written by `framecheck night`, of this version or an older one.
    name : str
        What the night is called among others.

    Raises
    ------
    UnusableRequest
        If it cannot be read or is something else; the message says what to do.
    """
    try:
        text = read_plain(file, _LARGEST).decode()
    except (OSError, UnicodeDecodeError) as why:
        reason = getattr(why, "strerror", None) or "it is no text"
        text = f"{file}: cannot be read: {reason}. Give a report folder of `framecheck night`."
        raise (refused(why, text) if isinstance(why, OSError) else UnusableRequest(text)) from why
    try:
        document = json_of(text)
    except ValueError as why:
        raise UnusableRequest(
            f"{file}: this is no whole night.json. Run `framecheck night` again; frames known to the logbook take "
            "seconds."
        ) from why
    return past_night(document, name, str(file))


def past_night(document: Any, name: str, source: str) -> PastNight:
    """Take what a comparison needs from a night's document.

    Parameters
    ----------
    document : dict
        As `night_json.night_document` makes it. What an older version did not write stays unknown.
    name, source : str
        What the night is called, and where it comes from, for the message.

    Raises
    ------
    UnusableRequest
        If it is something else.
    """
    try:
        return _past_night(document, name)
    except _Foreign as why:
        raise UnusableRequest(
            f"{source}: this is no night.json of framecheck: {why}. Give a report folder of `framecheck night`, or run "
            "it again."
        ) from why


def _past_night(document: Any, name: str) -> PastNight:
    whole = _table(document, "the file")
    schema = whole.get("schema")
    if schema != SCHEMA or isinstance(schema, bool):
        raise _Foreign(
            f"its schema is {_shown(schema)}, ours is {SCHEMA}" if schema is not None else "it has no schema"
        )
    rig = _table(whole.get("rig") or {}, "rig")
    frames = [_frame(row, f"frames[{k}]") for k, row in enumerate(_list(whole, "frames"))]
    measured = sorted((one for one in frames if one is not None), key=_when)
    tracking = _table(whole.get("tracking") or {}, "tracking")
    main = _main_group(whole)
    return PastNight(
        name=name,
        folder=_text(_table(whole.get("source") or {}, "source"), "folder") or "",
        version=_text(_table(whole.get("generator") or {}, "generator"), "version"),
        rig={key: _fact(rig.get(key), f"rig.{key}") for key in RIG_FACTS},
        main=main,
        frames=tuple(measured),
        budget=_budget(whole),
        polar_error_arcmin=_range(tracking.get("polar_error_arcmin")),
        course=_course(_drawn_for(main, _table(whole.get("charts") or {}, "charts"))),
        field=_field(whole.get("field_stretches")),
        causes=tuple(
            Named(
                cause=_text(row, "cause") or "", confidence=_number(row, "confidence", "findings") or 0.0,
                cost=_number(row, "cost", "findings"),
            )
            for row in (_table(one, "findings[]") for one in _list(whole, "findings"))
        ),
    )  # fmt: skip


def _when(frame: PastFrame) -> tuple[bool, float]:
    """In order of time, those without one last."""
    return frame.start_utc is None, 0.0 if frame.start_utc is None else frame.start_utc.timestamp()


def _frame(row: Any, place: str) -> PastFrame | None:
    fields = _table(row, place)
    if fields.get("status", "measured") != "measured":
        return None
    return PastFrame(
        file=_text(fields, "file") or "",
        group=_text(fields, "group"),
        start_utc=_time(fields.get("start_utc") or fields.get("start_local"), place),
        grade=_text(fields, "grade"),
        **{
            key: _number(fields, key, place)
            for key in ("exposure_s", "fwhm_px", "elongation", "smear_px", "airmass", "effective_exposure_s")
        },
    )


def _main_group(whole: Mapping[str, Any]) -> PastGroup | None:
    groups = [_table(one, "groups[]") for one in _list(whole, "groups")]
    largest = max(groups, key=lambda group: _number(group, "n_frames", "groups[]") or 0, default=None)
    if largest is None:
        return None
    return PastGroup(
        id=_text(largest, "id") or "", target=_text(largest, "target"), filter=_text(largest, "filter"),
        exposure_s=_number(largest, "exposure_s", "groups[]"),
    )  # fmt: skip


def _budget(whole: Mapping[str, Any]) -> tuple[BudgetTerm, ...]:
    terms = []
    for row in _list(whole, "budget"):
        fields = _table(row, "budget[]")
        name = next((one for one in get_args(BudgetName) if one == fields.get("term")), None)
        if name is None:
            raise _Foreign(f"its budget has a term {_shown(fields.get('term'))}")
        numbers = {key: _number(fields, key, "budget[]") for key in ("fwhm_arcsec", "low", "high", "share")}
        terms.append(BudgetTerm(term=name, **numbers))
    return tuple(terms)


def _range(value: Any) -> Range | None:
    if value is None:
        return None
    fields = _table(value, "polar_error_arcmin")
    return Range(**{key: _number(fields, key, "polar_error_arcmin") for key in ("value", "low", "high")})


def _drawn_for(main: PastGroup | None, charts: Mapping[str, Any]) -> Any:
    """The course behind the pictures of a group; older versions drew the largest one alone."""
    groups = [_table(one, "charts.groups[]") for one in _list(charts, "groups")]
    mine = (one.get("course") for one in groups if main is not None and one.get("group") == main.id)
    return next(mine, charts.get("course"))


def _course(value: Any) -> Course | None:
    if value is None:
        return None
    fields = _table(value, "charts.course")
    in_arcsec = "ra_arcsec" in fields
    names = ("minutes", "ra_arcsec", "dec_arcsec") if in_arcsec else ("minutes", "x_px", "y_px")
    columns = [_numbers(fields, name) for name in names]
    if len({len(column) for column in columns}) != 1:
        raise _Foreign("the columns of charts.course differ in length")
    return Course(minutes=columns[0], first=columns[1], second=columns[2], in_arcsec=in_arcsec)


def _field(value: Any) -> FieldStretches | None:
    if value is None:
        return None
    fields = _table(value, "field_stretches")
    each = []
    rows = _list(fields, "each")
    if len(rows) > _MOST_STRETCHES:
        raise _Foreign(f"field_stretches.each has {len(rows)} entries")
    for row in rows:
        one = _table(row, "field_stretches.each[]")
        pattern = _table(one.get("pattern") or {}, "field_stretches.each[].pattern")
        width = _number(one, "centre_fwhm_px", "field_stretches.each[]")
        if width is None or width <= 0:
            continue
        each.append(
            FieldStretch(
                start_utc=_text(one, "start_utc"), n_frames=int(_number(one, "n_frames", "field_stretches") or 0),
                centre_fwhm_px=width,
                pattern=FieldPattern(**{key: _number(pattern, key, "pattern") for key in _PATTERN}),
            )
        )  # fmt: skip
        _time(each[-1].start_utc, "field_stretches.each[]")
    width_px, height_px = (int(_number(fields, key, "field_stretches") or 0) for key in ("width_px", "height_px"))
    return FieldStretches(group=_text(fields, "group") or "", width_px=width_px, height_px=height_px, each=tuple(each))


def _table(value: Any, place: str) -> Mapping[str, Any]:
    if not isinstance(value, dict):
        raise _Foreign(f"{place} is no table of fields")
    return value


def _list(fields: Mapping[str, Any], key: str) -> list[Any]:
    value = fields.get(key)
    if value is None:
        if key == "frames":
            raise _Foreign("it has no frames")
        return []
    if not isinstance(value, list):
        raise _Foreign(f"{key} is no list")
    if len(value) > _MOST:
        raise _Foreign(f"{key} has {len(value)} entries")
    return value


def _number(fields: Mapping[str, Any], key: str, place: str) -> float | None:
    value = fields.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or value != value:
        raise _Foreign(f"{place}.{key} is {_shown(value)}, not a number")
    low, high = _RANGES.get(key, _USUAL)
    if not low <= value <= high:
        raise _Foreign(f"{place}.{key} is {_shown(value)}, which cannot be")
    return float(value)


def _shown(value: Any) -> str:
    """What was found, in few signs."""
    try:
        text = repr(value)
    except ValueError:  # a whole number of thousands of digits
        text = "a number of thousands of digits"
    return text if len(text) <= 60 else f"{text[:60]}…"


def _numbers(fields: Mapping[str, Any], key: str) -> tuple[float, ...]:
    return tuple(_number({key: one}, key, "charts.course") or 0.0 for one in _list(fields, key))


def _text(fields: Mapping[str, Any], key: str) -> str | None:
    value = fields.get(key)
    if value is None:
        return None
    if not isinstance(value, str):
        raise _Foreign(f"{key} is {_shown(value)}, not a text")
    if len(value) > _LONGEST_TEXT:
        raise _Foreign(f"{key} has {len(value)} signs")
    return value


def _fact(value: Any, place: str) -> Fact:
    key = place.rpartition(".")[2]
    return _text({key: value}, key) if isinstance(value, str) else _number({key: value}, key, "rig")


def _time(value: Any, place: str) -> datetime | None:
    if value is None:
        return None
    try:
        moment = datetime.fromisoformat(value)
    except (TypeError, ValueError):
        raise _Foreign(f"{place} starts at {_shown(value)}, which is no time") from None
    if not _YEARS[0] <= moment.year <= _YEARS[1]:
        raise _Foreign(f"{place} starts at {_shown(value)}, which cannot be")
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
