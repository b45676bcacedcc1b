"""The pixel grid: how it lies on the sky (world coordinates), how big a pixel is, and how it was binned."""

import re
from dataclasses import dataclass
from math import atan2, cos, degrees, hypot, isfinite, radians, sin, sqrt
from typing import Final

from framecheck.constants import ARCSEC_PER_RADIAN, arcsec_of
from framecheck.read import keywords
from framecheck.read.cards import Header, Said
from framecheck.read.exposure import Orientation
from framecheck.read.place import signed_deg
from framecheck.read.rig_keys import BY_NAME, takes

_UNIT_DEG: Final = {"DEG": 1.0, "ARCMIN": 1 / 60, "ARCSEC": 1 / 3600, "RAD": degrees(1.0)}
_SCALE, _PIXEL, _BINNING = (BY_NAME[name] for name in ("pixel_scale_arcsec", "pixel_um", "binning"))
"""Values beyond what a rig file may hold are placeholders, such as CDELT1 = 1."""
_SCALE_AGREES: Final = 0.03
"""[dimensionless] Chosen: focal lengths are typed in by hand; 3 % is more than rounding and less than a reducer."""
PLATE_SOLUTION: Final = "plate solution"
"""Where a focal length comes from if a plate solution contradicted the header's."""
_BINNED_AGREES: Final = 0.25
"""[dimensionless] Chosen: two readings of a pixel size are a factor of at least 2 apart, typed focal lengths less."""


@dataclass(frozen=True, kw_only=True, slots=True)
class PixelGrid:
    """Binning, pixel size and orientation, ready for the exposure's record."""

    binning: Said[int]
    pixel_um: Said[float]
    stated_scale_arcsec: Said[float]
    orientation: Said[Orientation]


def read_grid(header: Header, *, width_px: int, height_px: int, focal_length_mm: float | None) -> PixelGrid:
    """Binning, pixel size (of the file's pixel), scale and orientation on the sky."""
    binning = read_binning(header)
    orientation = read_orientation(header, width_px=width_px, height_px=height_px)
    scale = _stated_scale(header)
    solved = None if orientation.value is None else orientation.value.pixel_scale_arcsec
    pixel = read_pixel_size(
        header,
        binning=binning.value,
        focal_length_mm=focal_length_mm,
        scale_arcsec=solved if solved is not None else scale.value,
    )
    pixel = _binned_once(pixel, binning.value, focal_length_mm, solved if solved is not None else scale.value)
    conflicts = pixel.conflicts + _scale_conflicts(solved, scale, pixel.value, focal_length_mm)
    return PixelGrid(
        binning=binning,
        pixel_um=Said(value=pixel.value, source=pixel.source, conflicts=conflicts),
        stated_scale_arcsec=scale,
        orientation=orientation,
    )


def read_binning(header: Header) -> Said[int]:
    """Sensor pixels along one side of a pixel of the file; None if the two sides differ."""
    x, keyword = _binning(header, keywords.BINNING_X, 0)
    y, keyword_y = _binning(header, keywords.BINNING_Y, -1)
    if x is not None and y is not None and x != y:
        return Said(conflicts=(f"{keyword} and {keyword_y} bin {x} x {y}: the pixels are not square.",))
    return Said(value=x if x is not None else y, source=keyword or keyword_y)


def _binning(header: Header, names: tuple[str, ...], side: int) -> tuple[int | None, str]:
    """A whole number, or the number of one side where both are given ('2x2', '2 2')."""
    for keyword in names:
        numbers = re.findall(r"[-+.\d]+", header.text(keyword) or "")
        match = re.fullmatch(r"\+?(\d{1,2})(?:\.0*)?", numbers[side]) if numbers else None
        if match and takes(_BINNING, int(match[1])):
            return int(match[1]), keyword
    return None, ""


def read_pixel_size(
    header: Header, *, binning: int | None, focal_length_mm: float | None, scale_arcsec: float | None
) -> Said[float]:
    """Side of one pixel of the file. [micrometre]

    XPIXSZ is the binned pixel in one dialect and the sensor's bare one in another. What decides, in this order: the
    sensor's pixel in a card of its own, the comment, the scale on the sky with the focal length; else it is binned.
    """
    stated, keyword = _micrometres(header, keywords.PIXEL_OF_FILE)
    bare, bare_keyword = _micrometres(header, keywords.PIXEL_OF_SENSOR)
    factor = binning or 1
    if stated is None:
        if bare is None:
            return Said()
        source = bare_keyword if factor == 1 else f"{bare_keyword} and binning"
        return Said(value=bare * factor, source=source)
    conflicts: list[str] = []
    other, other_keyword = _micrometres(header, keywords.PIXEL_OF_FILE_Y)
    if other is not None and abs(other / stated - 1) > 0.01:
        conflicts.append(f"{keyword} and {other_keyword} differ: the pixels aren't square; we used {stated:g} um.")
    if factor == 1:
        if bare is not None and abs(bare / stated - 1) > _SCALE_AGREES:
            conflicts.append(f"{keyword} = {stated:g} um and {bare_keyword} = {bare:g} um differ without binning.")
        return Said(value=stated, source=keyword, conflicts=tuple(conflicts))
    comment = header.comment(keyword)
    if bare is not None:
        expected = bare * factor
        if min(abs(stated / expected - 1), abs(stated / bare - 1)) > _SCALE_AGREES:
            conflicts.append(f"{keyword} = {stated:g} um is neither {bare_keyword} = {bare:g} um nor its binned size.")
        else:
            stated = expected
        return Said(value=stated, source=keyword, conflicts=tuple(conflicts))
    if re.search(r"\bunbinned|\bbefore bin|\bwithout bin|\bnative|\bphysical", comment):
        return Said(value=stated * factor, source=f"{keyword} and binning", conflicts=tuple(conflicts))
    if "bin" not in comment and focal_length_mm is not None and scale_arcsec is not None:
        expected = scale_arcsec / ARCSEC_PER_RADIAN * focal_length_mm * 1e3
        if abs(stated * factor / expected - 1) <= _BINNED_AGREES:
            return Said(value=stated * factor, source=f"{keyword} and binning", conflicts=tuple(conflicts))
    return Said(value=stated, source=keyword, conflicts=tuple(conflicts))


def _binned_once(
    pixel: Said[float], binning: int | None, focal_length_mm: float | None, scale_arcsec: float | None
) -> Said[float]:
    """A pixel without the binning that was counted twice, where the scale on the sky shows it."""
    if pixel.value is None or binning in (None, 1) or focal_length_mm is None or scale_arcsec is None:
        return pixel
    expected = scale_arcsec / ARCSEC_PER_RADIAN * focal_length_mm * 1e3
    once = pixel.value / (binning or 1)
    if abs(once / expected - 1) > _SCALE_AGREES or abs(pixel.value / expected - 1) <= _BINNED_AGREES:
        return pixel
    said = f"{pixel.source} makes a pixel of {pixel.value:g} um with its binning counted twice; we used {once:g} um."
    return Said(value=once, source=pixel.source, conflicts=(*pixel.conflicts, said))


def solved_focal_length(said: Said[float], grid: PixelGrid) -> Said[float]:
    """The focal length that a plate solution makes with the pixel, if the header's contradicts it. [mm]"""
    if said.value is None or grid.pixel_um.value is None or grid.orientation.value is None:
        return said
    focal_length_mm = ARCSEC_PER_RADIAN * grid.pixel_um.value * 1e-3 / grid.orientation.value.pixel_scale_arcsec
    if abs(focal_length_mm / said.value - 1) <= _SCALE_AGREES:
        return said
    return Said(value=focal_length_mm, source=PLATE_SOLUTION, conflicts=said.conflicts)


def _micrometres(header: Header, names: tuple[str, ...]) -> tuple[float | None, str]:
    for keyword in names:
        value = header.number(keyword)
        if value is None:
            continue
        if re.search(r"\[m\]", header.comment(keyword)):
            value *= 1e6
        elif re.search(r"\[mm\]|\bmillimet", header.comment(keyword)):
            value *= 1e3
        if takes(_PIXEL, value):
            return value, keyword
    return None, ""


def _stated_scale(header: Header) -> Said[float]:
    for keyword in keywords.SCALE:
        value = header.number(keyword)
        if value is not None and takes(_SCALE, abs(value)):
            if "unbinned" in header.comment(keyword) or "deg" in header.comment(keyword):
                continue
            return Said(value=abs(value), source=keyword)
    return Said()


def _scale_conflicts(
    solved: float | None, scale: Said[float], pixel_um: float | None, focal_length_mm: float | None
) -> tuple[str, ...]:
    """Sentences for scales that disagree by more than 3 %."""
    conflicts = []
    computed = None
    if pixel_um is not None and focal_length_mm:
        computed = arcsec_of(pixel_um, focal_length_mm)
    if solved is not None and computed is not None and abs(solved / computed - 1) > _SCALE_AGREES:
        conflicts.append(
            f"The plate solution gives {solved:.3f} arcsec a pixel, focal length and pixel size {computed:.3f}; "
            f"we used the solution (it makes the focal length {computed / solved * (focal_length_mm or 0):.0f} mm)."
        )
    best = solved if solved is not None else computed
    if scale.value is not None and best is not None and abs(scale.value / best - 1) > _SCALE_AGREES:
        conflicts.append(f"{scale.source} gives {scale.value:.3f} arcsec a pixel, the rest of the header {best:.3f}.")
    return tuple(conflicts)


def read_orientation(header: Header, *, width_px: int, height_px: int) -> Said[Orientation]:
    """How the sensor lies on the sky, from the header's world coordinate system.

    Scale, position angle and parity hold at the centre of the image; distortion terms are left out, and any zenithal
    projection is taken as gnomonic.

    References
    ----------
    .. [1] E. W. Greisen and M. R. Calabretta, A&A 395, 1061 (2002); M. R. Calabretta and E. W. Greisen, A&A 395, 1077
       (2002): CDi_j, PCi_j with CDELTi, CROTA2.
    """
    axes = (header.text("CTYPE1") or "").upper(), (header.text("CTYPE2") or "").upper()
    swapped = axes[0].startswith("DEC") and axes[1].startswith("RA")
    if not swapped and not (axes[0].startswith("RA") and axes[1].startswith("DEC")):
        return Said()
    status = header.number("WCSERR")
    if status and "status" in header.comment("WCSERR"):  # the system is then the one that the pointing was made for
        return Said(conflicts=(f"WCSERR = {status:g} says that the plate solution failed; it was ignored.",))
    units = [_UNIT_DEG.get((header.text(f"CUNIT{axis}") or "DEG").upper(), 1.0) for axis in (1, 2)]
    matrix, source = _linear_part(header, units)
    reference = [header.number(keyword) for keyword in ("CRVAL1", "CRVAL2", "CRPIX1", "CRPIX2")]
    if matrix is None or any(number is None for number in reference):
        return Said()
    lon, lat, column, row = (number or 0.0 for number in reference)
    lon, lat = lon * units[0], lat * units[1]
    (xi_x, xi_y), (eta_x, eta_y) = matrix
    if swapped:
        lon, lat = lat, lon
        (xi_x, xi_y), (eta_x, eta_y) = (eta_x, eta_y), (xi_x, xi_y)
    determinant = xi_x * eta_y - xi_y * eta_x
    scale_arcsec = 3600 * sqrt(abs(determinant))
    if not takes(_SCALE, scale_arcsec) or abs(lat) > 90:
        return Said()
    # CRPIX counts from 1 and the centre of the first pixel, so the middle of the image is at (n + 1) / 2
    dx, dy = (width_px + 1) / 2 - column, (height_px + 1) / 2 - row

    def sky(step: float) -> tuple[float, float]:
        y = dy + step
        return _gnomonic(xi_x * dx + xi_y * y, eta_x * dx + eta_y * y, lon, lat)

    centre = sky(0.0)
    orientation = Orientation(
        pixel_scale_arcsec=scale_arcsec,
        north_up_deg=_position_angle_deg(centre, sky(1.0)),
        mirrored=determinant > 0,
        ra_deg=centre[0],
        dec_deg=centre[1],
    )
    if not all(map(isfinite, (orientation.north_up_deg, *centre))):
        return Said()
    return Said(value=orientation, source=source)


Matrix = tuple[tuple[float, float], tuple[float, float]]


def _linear_part(header: Header, units: list[float]) -> tuple[Matrix | None, str]:
    """Degrees on the tangent plane for a step of one pixel, rows by axis; CD before PC before CROTA2."""
    pairs = ((1, 1), (1, 2), (2, 1), (2, 2))
    if any(f"CD{i}_{j}" in header for i, j in pairs):
        a, b, c, d = (header.number(f"CD{i}_{j}") or 0.0 for i, j in pairs)
        return ((a * units[0], b * units[0]), (c * units[1], d * units[1])), "CD1_1"
    steps = [header.number("CDELT1"), header.number("CDELT2")]
    has_pc = any(f"PC{i}_{j}" in header for i, j in pairs)
    if steps == [None, None] and not has_pc:
        return None, ""
    x_step, y_step = ((1.0 if step is None else step) * unit for step, unit in zip(steps, units, strict=True))
    if has_pc:
        given = [header.number(f"PC{i}_{j}") for i, j in pairs]
        a, b, c, d = (float(i == j) if n is None else n for n, (i, j) in zip(given, pairs, strict=True))
        return ((a * x_step, b * x_step), (c * y_step, d * y_step)), "PC1_1"
    turn = radians(header.number("CROTA2") or 0.0)
    return (
        (x_step * cos(turn), -y_step * sin(turn)),
        (x_step * sin(turn), y_step * cos(turn)),
    ), "CDELT1"


def _gnomonic(xi_deg: float, eta_deg: float, lon_deg: float, lat_deg: float) -> tuple[float, float]:
    """Sky position of a point on the plane that touches the sky at (lon, lat). [deg]"""
    xi, eta, lat = radians(xi_deg), radians(eta_deg), radians(lat_deg)
    across = cos(lat) - eta * sin(lat)
    lon = lon_deg + degrees(atan2(xi, across))
    return lon % 360, degrees(atan2(sin(lat) + eta * cos(lat), hypot(xi, across)))


def _position_angle_deg(start: tuple[float, float], end: tuple[float, float]) -> float:
    """Direction from one place on the sky to another, from north over east, 0 <= angle < 360. [deg]"""
    turn, lat1, lat2 = radians(signed_deg(end[0] - start[0])), radians(start[1]), radians(end[1])
    east = cos(lat2) * sin(turn)
    # sin(lat2 - lat1) + ... keeps its digits where the two places are a pixel apart
    north = sin(lat2 - lat1) + 2 * sin(lat1) * cos(lat2) * sin(turn / 2) ** 2
    return degrees(atan2(east, north)) % 360
