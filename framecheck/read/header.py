"""Foreign keywords become our words, here and once: the cards of a header turn into an `Exposure`.

Facts that need no more than the right keyword and a range are rows of `FACTS`. Times (`times.py`), places
(`pointing.py`), the pixel grid (`grid.py`), mosaics and kinds have rules of their own. Unknown is None; a value that
cannot be true is None with a sentence among the conflicts.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, fields
from datetime import timedelta
from pathlib import Path
from typing import Any, Final, Literal

from framecheck.read import keywords
from framecheck.read.cards import Header, Said
from framecheck.read.exposure import Exposure
from framecheck.read.grid import PixelGrid, read_grid, solved_focal_length
from framecheck.read.kind import kind_of_header
from framecheck.read.light_area import area_of_header
from framecheck.read.mosaic import PATTERNS, pattern_of_header, read_row_order
from framecheck.read.pointing import Pointing, read_pointing
from framecheck.read.times import read_start, span_s

_KELVIN_FROM: Final = 150.0
"""[K] Chosen: no sensor or tube is 150 deg C hot, so such a number is in kelvin."""
_ZERO_CELSIUS_K: Final = 273.15
_SPAN_AGREES: Final = 0.05
"""[dimensionless] Chosen: readout and latency lengthen the time between start and end."""
_AMPLIFIERS_AGREE: Final = 0.1
"""[dimensionless] Chosen: amplifiers of one chip are set alike, and a tenth does no harm to what is made of them."""
_EXPOSURES_AGREE: Final = 0.005
"""[dimensionless] Chosen: rounding and shutter latency."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Fact:
    """A field of `Exposure`, the keywords that carry it, and how their value becomes ours."""

    field: str
    keywords: tuple[str, ...]
    read: Callable[[Header, str], Any]
    """(header, keyword) -> value in our unit, or None."""
    least: float | None = None
    most: float | None = None


def words(header: Header, keyword: str) -> str | None:
    """Text as it stands."""
    return header.text(keyword)


def number(header: Header, keyword: str) -> float | None:
    """Number as it stands."""
    return header.number(keyword)


def filter_name(header: Header, keyword: str) -> str | None:
    """Text, unless it names a colour mosaic where the filter should be."""
    text = header.text(keyword)
    return None if text is None or text.upper() in PATTERNS else text


def millimetres(header: Header, keyword: str) -> float | None:
    """Length in mm; metres, centimetres and inches by the comment's unit; 0 is an unfilled card."""
    value = header.number(keyword)
    if not value:
        return None
    comment = header.comment(keyword)
    for pattern, factor in ((r"\[m\]|\bmetres\b|\bmeters\b", 1e3), (r"\[cm\]", 10.0), (r"\[in\]|\binch", 25.4)):
        if re.search(pattern, comment):
            return value * factor
    return value


def celsius(header: Header, keyword: str) -> float | None:
    """Temperature in deg C; kelvin by its size, kelvin and Fahrenheit by a unit beside it."""
    value = header.number(keyword)
    if value is None or abs(value) in (999.0, 9999.0, 273.15):  # sensors that are not there
        return None
    comment = f"{header.comment(keyword)} {_unit_beside(header, keyword)}"
    if "kelvin" in comment or "[k]" in comment:
        return value - _ZERO_CELSIUS_K if value > 0 else None
    if value >= _KELVIN_FROM:
        return value - _ZERO_CELSIUS_K
    if re.search(r"deg(?:ree)?s?\.? ?f\b|fahrenheit|\[f\]|\u00b0 ?f\b", comment):
        return (value - 32) / 1.8
    return value


def _unit_beside(header: Header, keyword: str) -> str:
    """The unit of a temperature that is written with its number ('48.2 F') or on a card for all of them."""
    letter = re.search(r"\d\s*(?:deg\.?|\u00b0)?\s*([cfk])$", (header.text(keyword) or "").lower())
    if letter:
        return f"[{letter[1]}]"
    said = re.fullmatch(
        r"(?:deg\.?|\u00b0)?\s*([cfk])\w*", (header.text(header.first(keywords.TEMPERATURE_UNIT) or "") or "").lower()
    )
    return f"[{said[1]}]" if said else ""


def positive(header: Header, keyword: str) -> float | None:
    """Number above 0; 0 and less are cards that nobody filled in."""
    value = header.number(keyword)
    return value if value is not None and value > 0 else None


def pedestal(header: Header, keyword: str) -> float | None:
    """Level that stands for no light: some write what was added, some what must be added to take it off."""
    value = header.number(keyword)
    return None if value is None else abs(value)


def side_of_pier(header: Header, keyword: str) -> Literal["east", "west"] | None:
    """The side of the pier that the telescope is on, as the header claims it."""
    text = (header.text(keyword) or "").lower()
    text = text.removeprefix("pier").strip(" _-")
    if text in ("e", "east"):
        return "east"
    return "west" if text in ("w", "west") else None


FACTS: Final = (
    Fact(field="target", keywords=keywords.TARGET, read=words),
    Fact(field="filter", keywords=keywords.FILTER, read=filter_name),
    Fact(field="camera", keywords=keywords.CAMERA, read=words),
    Fact(field="telescope", keywords=keywords.TELESCOPE, read=words),
    Fact(field="focal_length_mm", keywords=keywords.FOCAL_LENGTH, read=millimetres, least=2, most=200_000),
    Fact(field="read_noise_e", keywords=keywords.READ_NOISE, read=positive, least=0.05, most=500),
    Fact(field="saturation_adu", keywords=keywords.SATURATION, read=positive, least=1e-3, most=1e10),
    Fact(field="camera_offset_setting", keywords=keywords.OFFSET_SETTING, read=number),
    Fact(field="pedestal_adu", keywords=keywords.PEDESTAL, read=pedestal),
    Fact(field="sensor_temp_c", keywords=keywords.SENSOR_TEMPERATURE, read=celsius, least=-200, most=120),
    Fact(field="tube_temp_c", keywords=keywords.TUBE_TEMPERATURE, read=celsius, least=-90, most=80),
    Fact(field="focuser_steps", keywords=keywords.FOCUSER, read=number),
    Fact(field="pier_side", keywords=keywords.PIER_SIDE, read=side_of_pier),
)


def read_fact(header: Header, fact: Fact) -> Said[Any]:
    """The first keyword of the fact with a value that can be true."""
    conflicts = []
    for keyword in fact.keywords:
        value = fact.read(header, keyword)
        if value is None:
            continue
        too_low = fact.least is not None and value < fact.least
        if too_low or (fact.most is not None and value > fact.most):
            conflicts.append(f"{keyword} = {header.text(keyword)} can't be true and was ignored.")
            continue
        return Said(value=value, source=keyword, conflicts=tuple(conflicts))
    return Said(conflicts=tuple(conflicts))


def exposure_from_header(
    path: Path, header: Header, *, width_px: int, height_px: int, plane: str | None = None
) -> Exposure:
    """All that a header says of its exposure, in our words, with the keyword of every value and all contradictions.

    The header is that of the image, with the primary's cards where it is silent; `plane` says which plane of a colour
    image is measured.
    """
    said: dict[str, Said[Any]] = {fact.field: read_fact(header, fact) for fact in FACTS}
    said["kind"] = kind_of_header(header)
    said["exposure_s"] = read_exposure_time(header)
    exposure_s = said["exposure_s"].value
    said["start_utc"] = read_start(header, exposure_s)
    said["aperture_mm"] = read_aperture(header, said["focal_length_mm"].value)
    if said["read_noise_e"].value is None:
        said["read_noise_e"] = of_amplifiers(header, keywords.AMPLIFIER_NOISE, most=500, keep=said["read_noise_e"])
    said["gain_e_per_adu"], said["camera_gain_setting"] = read_gain(header)
    said["rows_top_down"] = read_row_order(header)
    said["light_area"] = area_of_header(header, width_px=width_px, height_px=height_px)
    said["mosaic_pattern"] = Said() if plane else pattern_of_header(header, height_px)
    grid = read_grid(header, width_px=width_px, height_px=height_px, focal_length_mm=said["focal_length_mm"].value)
    said |= _facts_of(grid)
    said["focal_length_mm"] = solved_focal_length(said["focal_length_mm"], grid)
    orientation = grid.orientation.value
    start = said["start_utc"].value
    pointing = read_pointing(
        header,
        middle_utc=None if start is None else start + timedelta(seconds=(exposure_s or 0.0) / 2),
        exposure_s=exposure_s,
        solved_deg=None if orientation is None else (orientation.ra_deg, orientation.dec_deg),
    )
    said |= _facts_of(pointing)
    return _record(path, header, said, width_px=width_px, height_px=height_px, plane=plane)


def _facts_of(record: PixelGrid | Pointing) -> dict[str, Said[Any]]:
    return {field.name: getattr(record, field.name) for field in fields(record)}


def _record(
    path: Path, header: Header, said: dict[str, Said[Any]], *, width_px: int, height_px: int, plane: str | None
) -> Exposure:
    values: dict[str, Any] = {name: fact.value for name, fact in said.items()}
    values["kind"] = values["kind"] or "unknown"
    provenance = {name: fact.source for name, fact in said.items() if fact.value is not None and fact.source}
    conflicts = [sentence for fact in said.values() for sentence in fact.conflicts]
    conflicts += [
        f"The card {keyword} isn't in the standard's form; we read it as it stands."
        for keyword in dict.fromkeys(provenance.values())
        if keyword in header and not header.cards[keyword].sound
    ]
    return Exposure(
        processed=header.first(keywords.PROCESSED) is not None,
        file=path,
        width_px=width_px,
        height_px=height_px,
        plane=plane,
        conflicts=tuple(dict.fromkeys(conflicts)),
        provenance=provenance,
        **values,
    )


def read_exposure_time(header: Header) -> Said[float]:
    """Exposure time in seconds; milliseconds where unit, a second card or the clock make it certain."""
    found: list[tuple[str, float]] = []
    for keyword in keywords.EXPOSURE:
        value = header.number(keyword)
        if value is None or not 0 <= value < 1e9:
            continue
        if re.search(r"\[ms\]|\bmilli-?sec|\bin ms\b|\(ms\)", header.comment(keyword)):
            value /= 1000
        elif re.search(r"\[us\]|\bmicro-?sec|\(us\)", header.comment(keyword)):
            value /= 1e6
        found.append((keyword, value))
    if not found:
        return Said()
    keyword, value = found[0]
    for other, second in found[1:]:
        if abs(second - value) <= max(_EXPOSURES_AGREE * value, 0.01):
            continue
        ratio = value / second if second > 0 else 0.0
        if abs(ratio - 1000) < 5 or abs(ratio - 0.001) < 5e-6:
            smaller = (keyword, value) if value < second else (other, second)
            longer = other if value < second else keyword
            said = f"{longer} is a thousand times {smaller[0]}: we read it as milliseconds."
            return Said(value=smaller[1], source=smaller[0], conflicts=(said,))
        said = f"{keyword} = {value:g} s and {other} = {second:g} s differ; we used {keyword}."
        return Said(value=value, source=keyword, conflicts=(said,))
    span = span_s(header)
    if span and span > 0 and abs(value / (1000 * span) - 1) < _SPAN_AGREES:
        said = f"{keyword} is a thousand times the time between start and end: we read it as milliseconds."
        return Said(value=value / 1000, source=keyword, conflicts=(said,))
    return Said(value=value, source=keyword)


def read_aperture(header: Header, focal_length_mm: float | None) -> Said[float]:
    """Diameter of the aperture. [mm] APERTURE may hold a focal ratio: 'f/2.8' is one, a small bare number may be."""
    for keyword in keywords.APERTURE:
        text = (header.text(keyword) or "").lower()
        ratio = re.fullmatch(r"f\s*/?\s*(\d+(?:\.\d+)?)", text)
        if ratio and focal_length_mm and 0.5 <= float(ratio[1]) <= 64:
            return Said(value=focal_length_mm / float(ratio[1]), source=f"{keyword} and focal length")
        value = millimetres(header, keyword)
        if value is None or value < 0:
            continue
        if keyword == "APERTURE" and value <= 32:
            continue
        if 5 <= value <= 50_000:
            return Said(value=value, source=keyword)
    return Said()


def read_gain(header: Header) -> tuple[Said[float], Said[float]]:
    """Electrons per ADU, and the camera's own gain setting; GAIN is the one in some headers, the other in most.

    GAIN counts as electrons per ADU if EGAIN is not there and its comment says so, or if the header gives a read
    noise as observatories do and the number is one that an amplifier can have.
    """
    setting = read_fact(header, Fact(field="", keywords=keywords.GAIN_SETTING, read=number))
    if re.fullmatch(r"e(lectrons?|-)?", (header.text("BUNIT") or "").lower()):
        return Said(value=1.0, source="BUNIT"), setting
    electrons = read_fact(header, Fact(field="", keywords=keywords.GAIN, read=positive, least=1e-4, most=1e4))
    if electrons.value is None:
        electrons = of_amplifiers(header, keywords.AMPLIFIER_GAIN, most=20, keep=electrons)
    keyword = keywords.GAIN_OR_SETTING[0]
    value = header.number(keyword)
    if value is None:
        return electrons, setting
    if electrons.value is not None:
        if abs(value / electrons.value - 1) < 0.01:
            return electrons, setting
        return electrons, Said(value=value, source=keyword)
    says_electrons = re.search(r"electron|\be-?/|\be- ?(per|/)|photo-?e", header.comment(keyword))
    observatory = header.first(keywords.READ_NOISE) is not None and 0.05 <= value <= 20
    if value > 0 and (says_electrons or observatory):
        return Said(value=value, source=keyword, conflicts=electrons.conflicts), setting
    return electrons, Said(value=value, source=keyword)


def of_amplifiers(header: Header, pattern: str, *, most: float, keep: Said[float]) -> Said[float]:
    """What cards say amplifier by amplifier, of those that read the image: their mean if they are much alike.

    The group in `pattern` is the amplifier's number. Numbers above `most` cannot be, nor those up to 0.05: amplifiers
    that are not there. Where no card tells anything it is `keep`.
    """
    used = {number for number, value in _numbered(header, keywords.AMPLIFIER_USED) if value == 1}
    n_used = header.number("NUMAMP")
    said = {
        number: value
        for number, value in _numbered(header, pattern)
        if 0.05 < value <= most and (not used or number in used)
    }
    if n_used and not used:
        said = {number: value for number, value in said.items() if number <= n_used}
    if not said:
        return keep
    mean, first = sum(said.values()) / len(said), next(k for k in header.cards if _number_of(k, pattern) in said)
    if max(abs(value / mean - 1) for value in said.values()) > _AMPLIFIERS_AGREE:
        each = ", ".join(f"{value:g}" for value in said.values())
        return Said(
            conflicts=(
                *keep.conflicts,
                f"{first} and its like differ from amplifier to amplifier ({each}); none was used.",
            )
        )
    return Said(value=mean, source=first, conflicts=keep.conflicts)


def _numbered(header: Header, pattern: str) -> list[tuple[int, float]]:
    """Amplifier and value of the cards that a pattern fits."""
    numbers = ((_number_of(keyword, pattern), keyword) for keyword in header.cards)
    found = [(number, header.number(keyword)) for number, keyword in numbers if number is not None]
    return [(number, value) for number, value in found if value is not None]


def _number_of(keyword: str, pattern: str) -> int | None:
    match = re.fullmatch(pattern, keyword)
    return int(match[1]) if match else None
