"""Camera raws: the mosaic as the sensor's converter wrote it, and what the camera says of the exposure.

No colour is made up, nothing is balanced or bent: black and white levels become facts, pixels stay as stored.
"""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any, Final

from framecheck.errors import UnusableFrame
from framecheck.read.cards import Said
from framecheck.read.exposure import Exposure, Frame
from framecheck.read.fits import open_frame, with_mosaic
from framecheck.read.layout import LEAST_SIDE_PX, amount
from framecheck.read.light_area import cut_to, without_dark_edges
from framecheck.read.pixels import refuse_worthless
from framecheck.read.tiff import CFA_REPEAT, DNG_VERSION, EXIF, GPS, PHOTOMETRIC, Directory, last_byte, read_directories
from framecheck.read.unpacking import told_of, unpacked

_LINEAR: Final = 34892
"""PhotometricInterpretation of a raw that was demosaiced. DNG Specification 1.4, chapter 2."""
_LOSSY: Final = (34892, 52546)
"""Compression with loss, or that may be with loss. DNG Specification 1.4 and 1.7, chapter 2."""
_SAMPLES, _COMPRESSION, _MAKE, _MODEL, _LENS = 277, 259, 271, 272, 42036
_TIME, _TIME_FRACTION, _TIME_ZONE = 36867, 37521, 36881
_ISO, _ISO_BEYOND = 34855, (34866, 34867)
_ISO_TOP: Final = 65535.0
"""More does not fit into the tag, and stands in others. Exif 2.31, section 4.6.5, PhotographicSensitivity."""
_PLANE_RESOLUTION, _PLANE_UNIT = 41486, 41488
_UM_OF_UNIT: Final = {2: 25_400.0, 3: 10_000.0, 4: 1000.0, 5: 1.0}
"""[micrometre] Inch and centimetre by Exif 2.31, section 4.6.5; millimetre and micrometre are common practice."""
_PIXELS_UM: Final = (0.5, 30.0)
"""[micrometre] Chosen: pixels of phones have 0.6, those of cameras up to 9; beyond, the tag is about something else."""
_FIRST_YEAR: Final = 1990
"""[year] Chosen: older is a clock that was never set."""
_BLACKS_AGREE_ADU: Final = 1.0
"""[ADU] Chosen: black levels are whole numbers, and rounding leaves one."""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Number:
    """A number that Exif and the library know: field of `Exposure`, tag, the library's word, and its range."""

    field: str
    name: str
    tag: int
    word: str
    least: float
    most: float


_NUMBERS: Final = (
    _Number(field="exposure_s", name="ExposureTime", tag=33434, word="exposure_s", least=1e-6, most=1e6),
    _Number(field="lens_f_number", name="FNumber", tag=33437, word="f_number", least=0.5, most=128),
    _Number(field="focal_length_mm", name="FocalLength", tag=37386, word="focal_length_mm", least=2, most=20_000),
    _Number(field="iso", name="PhotographicSensitivity", tag=_ISO, word="iso", least=1, most=1e8),
    _Number(field="tube_temp_c", name="Temperature", tag=37888, word="", least=-90, most=80),
)
"""Exif 2.31, sections 4.6.5 and 4.6.9 (temperature of the surroundings)."""


def read_raw_exposure(path: Path) -> Exposure:
    """Read what a raw says of its exposure, without its pixels.

    Parameters
    ----------
    path : Path
        A raw of any camera that the raw library knows. It is opened read-only.

    Returns
    -------
    Exposure
        Of kind "unknown", since cameras do not say whether a frame is a light. Black and white levels and the order of
        colours come with the pixels.

    Raises
    ------
    UnusableFrame
        If it cannot be opened, is cut short, is no raw, or none with a mosaic of 2 x 2 pixels.
    """
    directories = _checked(path)
    return _exposure(path, directories, told_of(path, "raw"))


def read_raw_frame(path: Path) -> Frame:
    """Read a raw with the pixels of its active area, as they are stored.

    Parameters
    ----------
    path : Path
        As for `read_raw_exposure`.

    Returns
    -------
    Frame
        uint16, no value changed; `mosaic` counts from the first of these pixels.

    Raises
    ------
    UnusableFrame
        As for `read_raw_exposure`; also if every pixel is clipped or the same, or if the file changes meanwhile.
    """
    directories = _checked(path)
    before = _state(path)
    about, pixels = unpacked(path, "raw")
    if _state(path) != before:
        raise UnusableFrame(
            path,
            "changed while it was read, so it is still being written",
            "Wait until it is complete, then run again.",
        )
    exposure = _exposure(path, directories, about)
    refuse_worthless(pixels, path, exposure.saturation_adu)
    height, width = pixels.shape
    area = without_dark_edges(pixels, (0, 0, width, height))
    pixels = cut_to(pixels, area)
    x, y = about["left"], about["top"]
    lit = (area[0] + x, area[1] + y, area[2] + x, area[3] + y)
    whole = (0, 0, exposure.width_px, exposure.height_px)
    return with_mosaic(replace(exposure, light_area=None if lit == whole else lit), pixels)


def _state(path: Path) -> tuple[int, int]:
    try:
        state = path.stat()
    except OSError:
        return 0, 0
    return state.st_size, state.st_mtime_ns


def _checked(path: Path) -> tuple[Directory, ...]:
    """Tags of a raw, which is refused where they or its size show that it cannot be measured."""
    _, directories = whole_file(path)
    _refuse_no_mosaic(path, directories)
    return directories


def whole_file(path: Path) -> tuple[bytes, tuple[Directory, ...]]:
    """First bytes and tags of a raw or picture; one that ends before its tags say is refused."""
    with open_frame(path) as file:
        head = file.read(16)
        directories = read_directories(file)
        size = file.seek(0, 2)
    if not size:
        raise UnusableFrame(path, "is empty (0 bytes)", "Copy it again from the camera, or delete it.")
    end = last_byte(directories)
    if end > size:
        remedy = "If it is still being written, wait until it is complete; if not, copy it again from the camera."
        raise UnusableFrame(path, f"ends after {amount(size)} of {amount(end)}", remedy)
    return head, directories


def _refuse_no_mosaic(path: Path, directories: tuple[Directory, ...]) -> None:
    """Refuse what a raw is by its own tags where that is nothing to measure; the library tells the rest."""
    is_dng = any(DNG_VERSION in directory.tags for directory in directories)
    images = [directory for directory in directories if directory.number(254) in (None, 0)]  # no preview
    for image in images if is_dng else ():
        if image.number(PHOTOMETRIC) == _LINEAR and image.number(_SAMPLES) != 1:
            fault = "is a demosaiced DNG: two colours in three were made up from pixels beside them"
            raise UnusableFrame(path, fault, "Give the raws as the camera wrote them, converted without demosaicing.")
        if image.number(_COMPRESSION) in _LOSSY:
            raise UnusableFrame(
                path, "is packed with loss, which changes stars", "Give the raws as the camera wrote them."
            )
    for image in images:
        repeat = image.numbers(CFA_REPEAT)
        if len(repeat) == 2 and repeat != (2, 2):
            fault = f"has a mosaic that repeats after {repeat[1]:.0f} x {repeat[0]:.0f} pixels"
            raise UnusableFrame(path, fault, "Leave it out: only mosaics of 2 x 2 pixels are read.")


def _exposure(path: Path, directories: tuple[Directory, ...], about: Mapping[str, Any]) -> Exposure:
    """All that tags and library say, in our words."""
    width, height = about["width"], about["height"]
    lit = (about["left"], about["top"], about["right"], about["bottom"])
    if min(lit[2] - lit[0], lit[3] - lit[1]) < LEAST_SIDE_PX:
        size = f"{lit[2] - lit[0]} x {lit[3] - lit[1]} pixels"
        raise UnusableFrame(path, f"has only {size}, too few for a star", "Leave it out of the folder of frames.")
    said = exif_facts(directories, about)
    if "pattern" in about:
        said["mosaic_pattern"] = Said(value=about["pattern"], source="CFAPattern")
        said["pedestal_adu"] = _pedestal(about["black"], about["pattern"])
        white = float(about["white"])
        said["saturation_adu"] = Said(value=white if 0 < white < 2**16 else None, source="WhiteLevel")
    if lit != (0, 0, width, height):
        said["light_area"] = Said(value=lit, source="ActiveArea")
    return exposure_of(path, said, width_px=width, height_px=height)


def exposure_of(path: Path, said: Mapping[str, Said[Any]], *, width_px: int, height_px: int, **more: Any) -> Exposure:
    """The record of facts as they were said."""
    facts: dict[str, Any] = {name: fact.value for name, fact in said.items()} | more
    return Exposure(
        file=path,
        kind="unknown",
        width_px=width_px,
        height_px=height_px,
        rows_top_down=True,
        conflicts=tuple(dict.fromkeys(sentence for fact in said.values() for sentence in fact.conflicts)),
        provenance={name: fact.source for name, fact in said.items() if fact.value is not None and fact.source},
        **facts,
    )


def exif_facts(directories: tuple[Directory, ...], about: Mapping[str, Any]) -> dict[str, Said[Any]]:
    """What Exif says of an exposure, and the library where Exif lies out of reach."""
    exif = [directory for directory in directories if directory.pointer == EXIF] + list(directories[:1])
    said: dict[str, Said[Any]] = {each.field: _number_of(each, exif, about) for each in _NUMBERS}
    said["start_utc"], said["start_local"] = _start(exif, about.get("clock"))
    said["pixel_um"] = _pixel(exif)
    focal, f_number = said["focal_length_mm"].value, said["lens_f_number"].value
    if focal is not None and f_number is not None:
        said["aperture_mm"] = Said(value=focal / f_number, source="FNumber and FocalLength")
    said["camera_gain_setting"] = replace(said["iso"], conflicts=())
    said["camera"], said["telescope"] = _text_of(directories, _MODEL, "Model"), _text_of(exif, _LENS, "LensModel")
    places = [directory for directory in directories if directory.pointer == GPS]
    for name, letters, where in (("site_latitude_deg", "NS", 1), ("site_longitude_deg", "EW", 3)):
        said[name] = _degrees(places, where, letters)
    return said


def _number_of(number: _Number, exif: list[Directory], about: Mapping[str, Any]) -> Said[float]:
    """The first that can be true of what Exif and the library say."""
    values = [directory.number(number.tag) for directory in exif]
    if number.tag == _ISO and _ISO_TOP in values:
        values = [directory.number(tag) for directory in exif for tag in _ISO_BEYOND]
    conflicts: list[str] = []
    for value in (*values, about.get(number.word)):
        if value is None or (value == 0 and number.least > 0):
            continue
        if number.least <= value <= number.most:
            return Said(value=float(value), source=number.name, conflicts=tuple(conflicts))
        conflicts.append(f"{number.name} = {value:g} can't be true and was ignored.")
    return Said(conflicts=tuple(conflicts[:1]))


def _pedestal(blacks: list[float], pattern: str | None) -> Said[float]:
    """Black level of the pixels that are measured: the green ones of a mosaic."""
    red, green, blue, second = map(float, blacks)
    level = red if pattern is None else (green + second) / 2
    conflicts = []
    if pattern is not None and max(abs(each - level) for each in (red, green, blue, second)) > _BLACKS_AGREE_ADU:
        conflicts.append(
            f"BlackLevel differs from colour to colour (red {red:g}, green {green:g} and {second:g}, blue {blue:g} ADU)"
            "; we used green's, the colour that is measured."
        )
    return Said(value=level if 0 < level < 2**16 else None, source="BlackLevel", conflicts=tuple(conflicts))


def _pixel(exif: list[Directory]) -> Said[float]:
    """Side of a pixel from how many of them lie along a unit of length of the focal plane. [micrometre]"""
    for directory in exif:
        resolution, unit = directory.number(_PLANE_RESOLUTION), directory.number(_PLANE_UNIT)
        unit_um = _UM_OF_UNIT.get(2 if unit is None else int(unit) if math.isfinite(unit) else 0)
        if not resolution or resolution < 0 or unit_um is None:
            continue
        value = unit_um / resolution
        if _PIXELS_UM[0] <= value <= _PIXELS_UM[1]:
            return Said(value=value, source="FocalPlaneXResolution")
        told = f"FocalPlaneXResolution would make pixels of {value:.3g} micrometres, and was ignored."
        return Said(conflicts=(told,))
    return Said()


def _start(exif: list[Directory], library: str | None) -> tuple[Said[datetime], Said[datetime]]:
    """The start in UTC if the clock names its zone, else by its own time; one of the two is unknown."""
    for directory in exif:
        text = directory.text(_TIME)
        if text is None:
            continue
        moment = clock_time(text, directory.text(_TIME_FRACTION))
        if moment is None:
            if re.search("[1-9]", text):
                return Said(), Said(conflicts=(f"DateTimeOriginal = '{text}' can't be true.",))
            continue
        zone = re.fullmatch(r"([+-])(\d\d):(\d\d)", directory.text(_TIME_ZONE) or "")
        if zone is None:
            return Said(), Said(value=moment, source="DateTimeOriginal")
        ahead = timedelta(hours=int(zone[2]), minutes=int(zone[3])) * (1 if zone[1] == "+" else -1)
        if abs(ahead) < timedelta(hours=24):
            aware = moment.replace(tzinfo=timezone(ahead)).astimezone(UTC)
            return Said(value=aware, source="DateTimeOriginal and OffsetTimeOriginal"), Said()
        return Said(), Said(value=moment, source="DateTimeOriginal")
    return Said(), Said(value=clock_time(library or "", None), source="the camera's clock")


def clock_time(text: str, fraction: str | None) -> datetime | None:
    """A moment of a clock without a zone, as Exif writes it; None if there can be no such."""
    parts = re.match(r"(\d{4})[:-](\d\d)[:-](\d\d)[ T](\d\d):(\d\d):(\d\d)", text)
    if parts is None or int(parts[1]) < _FIRST_YEAR:
        return None
    digits = re.match(r"\d{1,6}", fraction or "")
    try:
        return datetime(*map(int, parts.groups()), int(digits[0].ljust(6, "0")) if digits else 0)  # type: ignore[arg-type,call-arg]
    except ValueError:
        return None


def _text_of(directories: "list[Directory] | tuple[Directory, ...]", tag: int, name: str) -> Said[str]:
    text = next((found for directory in directories if (found := directory.text(tag))), None)
    return Said(value=None if text is None else text[:100], source=name)


def _degrees(places: list[Directory], tag: int, letters: str) -> Said[float]:
    """Latitude or longitude of the receiver in the camera, from degrees, minutes and seconds. Exif 2.31, 4.6.6."""
    for place in places:
        letter, parts = place.text(tag), place.numbers(tag + 1)
        if letter is None or letter[0] not in letters or not 1 <= len(parts) <= 3:
            continue
        value = sum(part / 60**k for k, part in enumerate(parts))
        if 0 < value <= (90 if letters == "NS" else 180):
            return Said(value=value if letter[0] == letters[0] else -value, source="GPS")
    return Said()
