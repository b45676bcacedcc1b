"""rig.toml: what headers leave out, in the user's own hand; read with care and written as a start."""

import difflib
import errno
import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from framecheck.errors import UnusableRig
from framecheck.read.exposure import Exposure
from framecheck.read.paths import NoPlainFile, read_plain
from framecheck.read.place import signed_deg
from framecheck.read.rig import Rig
from framecheck.read.rig_keys import BY_NAME, FASTEST, KEYS, Key, takes, toml_line

_SOLVED: Final = ("pixel_scale_arcsec", "camera_angle_deg")
_TABLES: Final = tuple(dict.fromkeys(key.table for key in KEYS))
_MOST_BYTES: Final = 10**5
"""[byte] Chosen: a rig file is a page of text."""
_LONGEST_LINE: Final = 1000
"""[signs] Chosen: a key, its value and a remark. A key of many parts takes its reader time by their square."""


def load_rig(path: Path) -> Rig:
    """Read and check a rig file.

    Keys stand in the tables [optics], [camera], [mount] and [site], or without any table.

    Parameters
    ----------
    path : Path
        A TOML file with any of `KEYS`.

    Returns
    -------
    Rig
        With "rig file" as the provenance of all that it gives.

    Raises
    ------
    UnusableRig
        If the file cannot be read, isn't valid TOML, or has an unknown key, a wrong type or an impossible value; the
        message names file, line, key, what was found and what is allowed.
    """
    text = _read_text(path)
    long = next((n for n, line in enumerate(text.splitlines(), 1) if len(line) > _LONGEST_LINE), None)
    if long is not None:
        raise UnusableRig(f"{path}: line {long} has more than {_LONGEST_LINE} characters. Write key = value.")
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as why:
        raise UnusableRig(f"{path}: {_syntax_fault(text, str(why))}") from None
    except RecursionError:
        raise UnusableRig(f"{path}: brackets are nested too deeply; a rig file has tables of plain values.") from None
    values: dict[str, Any] = {}
    for table, name, value in _entries(tables):
        known_table = not table or table in _TABLES
        where = f"{path}, line {_line_of(text, table, name if known_table else '')}"
        key = _key(table, name, value, where)
        _refuse_wrong_value(key, value, where)
        if name in values:
            raise UnusableRig(f"{where}: `{name}` is given twice, on top and in [{key.table}]; keep one.")
        values[name] = value
    _refuse_impossible_optics(path, text, values)
    return _rig(values)


def rig_template(exposure: Exposure) -> str:
    """A rig.toml to start from, with what the header says filled in and the rest as lines to uncomment.

    Parameters
    ----------
    exposure : Exposure
        A frame of the rig.

    Returns
    -------
    str
        TOML that `load_rig` reads.
    """
    lines = [
        "# What framecheck should know of this rig. What stands here wins over what headers say.",
        "# Fill in what you know and take away the # in front of it; leave the rest as it is.",
    ]
    for table in _TABLES:
        lines += ["", f"[{table}]"]
        for key in KEYS:
            if key.table == table:
                lines += _template_lines(key, exposure)
    return "\n".join(lines) + "\n"


def _template_lines(key: Key, exposure: Exposure) -> Iterator[str]:
    """The explanation, then the value of the header or a commented example."""
    value = _value_of_header(key, exposure)
    yield f"# {key.help}"
    if key.choices:
        yield f"# It is {key.allowed}."
    source = "" if value is None else exposure.provenance.get(_source_of(key, exposure), "")
    yield toml_line(key, value) + (f"  # from the header ({source})" if source else "")


def _value_of_header(key: Key, exposure: Exposure) -> float | int | None:
    """The header's value, rounded as a person would write it, if the rig file would take it."""
    if key.name == "pixel_scale_arcsec":
        lies = exposure.orientation
        value = _stated_scale(exposure) if lies is None else lies.pixel_scale_arcsec
    elif key.name == "camera_angle_deg":
        value = None if exposure.orientation is None else exposure.orientation.north_up_deg
    elif key.name == "aperture_mm" and exposure.lens_f_number is not None:
        value = None  # a lens is stopped down from frame to frame, and each frame says so
    else:
        value = getattr(exposure, key.name, None)
    if value is None or not key.least <= value <= key.most:
        return None
    return int(value) if key.kind is int else float(f"{value:.6g}")


def _stated_scale(exposure: Exposure) -> float | None:
    """A scale that the header states, where nothing better tells it."""
    return None if exposure.pixel_um and exposure.focal_length_mm else exposure.stated_scale_arcsec


def _source_of(key: Key, exposure: Exposure) -> str:
    """The exposure's field that a key's value was taken from."""
    if key.name not in _SOLVED:
        return key.name
    return "stated_scale_arcsec" if exposure.orientation is None else "orientation"


def _read_text(path: Path) -> str:
    try:
        return read_plain(path, _MOST_BYTES).decode("utf-8-sig")
    except (FileNotFoundError, NoPlainFile, IsADirectoryError):
        raise UnusableRig(f"{path}: there is no such file. `framecheck rig FRAME` writes one to start from.") from None
    except UnicodeDecodeError:
        raise UnusableRig(f"{path}: isn't UTF-8 text. Save it as plain text, or give another file.") from None
    except OSError as why:
        if why.errno == errno.EFBIG:
            raise UnusableRig(f"{path}: is too large for a rig file. Give the TOML file, not a frame.") from None
        raise UnusableRig(
            f"{path}: cannot be read ({why.strerror or why}). Check the path and its permissions."
        ) from None


def _syntax_fault(text: str, why: str) -> str:
    """TOML's complaint with the line it is about."""
    place = re.search(r"\(at line (\d+), column \d+\)", why)
    number = int(place[1]) if place else len(text.splitlines())
    lines = text.splitlines()
    line = lines[number - 1].strip() if 0 < number <= len(lines) else ""
    reason = re.sub(r"\s*\(at .*\)", "", why)
    hint = "Write key = value, with text in quotation marks."
    if reason == "Invalid value" and re.search(r"=\s*(?:yes|no|on|off|true|false)\b", line, flags=re.IGNORECASE):
        hint = "Write true or false, in small letters."
    elif re.search(r"=\s*[-+]?[\d.]+\s*[a-z°″]", line, flags=re.IGNORECASE):
        hint = "Write the number without its unit."
    return f"line {number} isn't valid TOML ({_cut(reason)}): {_cut(line)!r}. {hint}"


def _entries(tables: Mapping[str, Any]) -> Iterator[tuple[str, str, Any]]:
    """Every key with its table ("" on top) and value."""
    for name, value in tables.items():
        if isinstance(value, dict) and name not in BY_NAME:
            for inner, inner_value in value.items():
                yield name, inner, inner_value
            if not value and name not in _TABLES:
                yield name, "", None
        else:
            yield "", name, value


def _key(table: str, name: str, value: Any, where: str) -> Key:
    """The key's definition; an unknown one is refused with the nearest that exists."""
    if table and table not in _TABLES:
        near = _nearest(table, _TABLES)
        tables = ", ".join(f"[{known}]" for known in _TABLES)
        raise UnusableRig(f"{where}: there is no table [{_cut(table)}]{near}; the tables are {tables}.")
    key = BY_NAME.get(name)
    if key is None:
        near = _nearest(name, tuple(BY_NAME))
        keys = ", ".join(known.name for known in KEYS if not table or known.table == table)
        raise UnusableRig(f"{where}: there is no key `{_cut(name)}`{near}; the keys here are {keys}.")
    if table and table != key.table:
        raise UnusableRig(f"{where}: `{name}` stands in [{table}] but belongs in [{key.table}].")
    return key


def _nearest(word: str, known: tuple[str, ...]) -> str:
    found = difflib.get_close_matches(word.lower().replace("-", "_"), known, n=1, cutoff=0.5)
    return f" (did you mean `{found[0]}`?)" if found else ""


def _refuse_wrong_value(key: Key, value: Any, where: str) -> None:
    if not takes(key, value):
        near = _nearest(value, key.choices) if isinstance(value, str) and key.choices else ""
        raise UnusableRig(f"{where}: `{key.name}` is {_shown(value)}{near}, but must be {key.allowed}.")


def _cut(text: str) -> str:
    """Words of the file's own in a message, cut if they are long."""
    return text if len(text) <= 60 else text[:57] + "..."


def _shown(value: Any) -> str:
    """A value as TOML writes it, cut if it is long."""
    try:
        text = json.dumps(value)
    except (TypeError, ValueError, RecursionError):
        text = str(value)
    return _cut(text)


def _refuse_impossible_optics(path: Path, text: str, values: Mapping[str, Any]) -> None:
    focal, aperture = values.get("focal_length_mm"), values.get("aperture_mm")
    if focal is None or aperture is None or focal / aperture >= FASTEST:
        return
    where = f"{path}, line {_line_of(text, 'optics', 'aperture_mm')}"
    raise UnusableRig(
        f"{where}: `aperture_mm` = {aperture:g} with `focal_length_mm` = {focal:g} makes f/{focal / aperture:.2f}, "
        "but no optics are that fast; both must be in millimetres."
    )


def _line_of(text: str, table: str, name: str) -> int:
    """Number of the line where a key stands, the first is 1; tomllib does not tell."""
    heading = re.compile(r"\s*\[+\s*[\"']?([^\]\"']+?)[\"']?\s*\]")
    here, start = "", 1
    for number, line in enumerate(text.splitlines(), start=1):
        match = heading.match(line)
        if match:
            here = match[1]
            if here == table:
                start = number
        pattern = rf"\s*[\"']?{re.escape(name)}[\"']?\s*[=.]"
        dotted = rf"\s*[\"']?{re.escape(table)}[\"']?\s*\.\s*[\"']?{re.escape(name)}[\"']?\s*[=.]"
        inline = rf"\s*[\"']?{re.escape(table)}[\"']?\s*=\s*\{{.*{re.escape(name)}"
        if here in (table, f"{table}.{name}") and name and re.match(pattern, line):
            return number
        if table and not here and (re.match(dotted, line) or re.match(inline, line)):
            return number
    return start


def _rig(values: Mapping[str, Any]) -> Rig:
    known: dict[str, Any] = {}
    for name, value in values.items():
        key = BY_NAME[name]
        known[key.field or name] = float(value) if key.kind is float else value
    if "camera_angle_deg" in known:
        known["camera_angle_deg"] %= 360
    if "site_longitude_deg" in known:
        known["site_longitude_deg"] = signed_deg(known["site_longitude_deg"])
    return Rig(**known, provenance=dict.fromkeys(known, "rig file"))
