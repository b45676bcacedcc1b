"""Where the telescope pointed, and from where on Earth: coordinates in all their spellings."""

import math
import re
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from framecheck.constants import SIDEREAL_RATE_ARCSEC_PER_S
from framecheck.read import keywords, place
from framecheck.read.cards import Header, Said

_SEXAGESIMAL = re.compile(
    r"([+-]?)\s*(\d{1,3})(?:\s*[:hd°*]\s*|\s+)(\d{1,2}(?:\.\d*)?)"
    r"(?:(?:\s*[:m'′]\s*|\s+)(\d{1,2}(?:\.\d*)?)?)?\s*[s\"″m'′]?\s*\Z",
    re.IGNORECASE,
)
_COMPASS = re.compile(r"\s*([NSEW])[a-z]*\.?\s*\Z", re.IGNORECASE)

_AGREE_DEG: Final = 2.0
"""[deg] Chosen: what a mount's altitude may differ from the computed one, by start against middle of the exposure,
by the pointing model and by refraction."""
_AIRMASS_AGREE: Final = 0.05
"""[dimensionless] Chosen: start, middle or end of an exposure, sec z or a better formula, stay inside 5 %."""
_SAME_PLACE_DEG: Final = 0.5
"""[deg] Chosen: two spellings of one pointing; of date against J2000 is 0.36 deg at most in 2026."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Pointing:
    """All that concerns place and direction, ready for the exposure's record."""

    ra_deg: Said[float]
    dec_deg: Said[float]
    altitude_deg: Said[float]
    azimuth_deg: Said[float]
    airmass: Said[float]
    hour_angle_deg: Said[float]
    site_latitude_deg: Said[float]
    site_longitude_deg: Said[float]


@dataclass(frozen=True, slots=True)
class Angle:
    """An angle as written: its number, and whether it was written in sexagesimal parts."""

    value: float
    sexagesimal: bool
    compass: str = ""
    """N, S, E or W where it stands behind the number."""


def parse_angle(text: str) -> Angle | None:
    """Read '05 35 17', '-00:30:00', '12h34m56s', '83.82' or '71 29 06 W'; None if it is no angle."""
    compass = _COMPASS.search(text)
    letter = compass.group(1).upper() if compass else ""
    number = text[: compass.start()].strip() if compass else text.strip()
    try:
        value = float(number)
        return Angle(value, False, letter) if math.isfinite(value) else None
    except ValueError:
        pass
    match = _SEXAGESIMAL.match(number)
    if match is None:
        return None
    minutes, seconds = float(match.group(3)), float(match.group(4) or 0)
    if minutes > 60 or seconds > 60:
        return None
    value = int(match.group(2)) + minutes / 60 + seconds / 3600
    return Angle(-value if match.group(1) == "-" else value, True, letter)


def read_pointing(
    header: Header,
    *,
    middle_utc: datetime | None,
    exposure_s: float | None,
    solved_deg: tuple[float, float] | None,
) -> Pointing:
    """Coordinates, altitude, air mass, hour angle and site, computed from place and time where the header is silent.

    `solved_deg` are right ascension and declination of the image's centre from a world coordinate system, which win
    over what the mount believed.
    """
    ra, dec = read_coordinates(header, solved_deg)
    stated_altitude = _read_altitude(header)
    latitude, longitude = _read_site(header)
    if middle_utc is not None and ra.value is not None and dec.value is not None:
        longitude = _east_positive(header, latitude, longitude, middle_utc, ra.value, dec.value)
    hour_angle = _hour_angle(header, middle_utc, exposure_s, ra, longitude)
    altitude, azimuth = _altitude_azimuth(header, stated_altitude, hour_angle, dec, latitude)
    return Pointing(
        ra_deg=ra,
        dec_deg=dec,
        altitude_deg=altitude,
        azimuth_deg=azimuth,
        airmass=_airmass(header, altitude),
        hour_angle_deg=hour_angle,
        site_latitude_deg=latitude,
        site_longitude_deg=longitude,
    )


def read_coordinates(header: Header, solved_deg: tuple[float, float] | None) -> tuple[Said[float], Said[float]]:
    """Right ascension and declination, J2000. [deg]"""
    conflicts: list[str] = []
    stated = _stated_coordinates(header, solved_deg, conflicts)
    if solved_deg is not None:
        if stated is not None and place.separation_deg(*solved_deg, *stated[1]) > 10:
            apart = place.separation_deg(*solved_deg, *stated[1])
            conflicts.append(f"{stated[0]} points {apart:.0f} deg away from where the plate solution lies.")
        stated = "CRVAL1", solved_deg
    if stated is None:
        return Said(conflicts=tuple(conflicts)), Said()
    keyword, (ra_deg, dec_deg) = stated
    dec_keyword = _declination_keyword(keyword)
    return Said(value=ra_deg, source=keyword, conflicts=tuple(conflicts)), Said(value=dec_deg, source=dec_keyword)


def _declination_keyword(ra_keyword: str) -> str:
    pairs = dict(zip(keywords.RA_HOURS + keywords.RA, keywords.DEC_OF_RA_HOURS + keywords.DEC, strict=True))
    return pairs.get(ra_keyword, "CRVAL2")


def _stated_coordinates(
    header: Header, solved_deg: tuple[float, float] | None, conflicts: list[str]
) -> tuple[str, tuple[float, float]] | None:
    """The first pair of coordinates that can be read, with the keyword of its right ascension."""
    known = solved_deg
    found: list[tuple[str, tuple[float, float]]] = []
    for ra_keyword in keywords.RA_HOURS + keywords.RA:
        ra, dec = _angle(header, ra_keyword), _angle(header, _declination_keyword(ra_keyword))
        if ra is None or dec is None or abs(dec.value) > 90 or not 0 <= ra.value <= 360:
            continue
        if ra.value == 0 and dec.value == 0:
            conflicts.append(f"{ra_keyword} and declination are both exactly 0, as if no mount was connected.")
            continue
        hours = _in_hours(header, ra_keyword, ra, dec.value, known)
        pair = (ra.value * 15 if hours else ra.value) % 360, dec.value
        known = known or pair
        found.append((ra_keyword, pair))
    for keyword, pair in found[1:2]:
        apart = place.separation_deg(*found[0][1], *pair)
        if apart > _SAME_PLACE_DEG:
            conflicts.append(f"{found[0][0]} and {keyword} are {apart:.1f} deg apart; we used {found[0][0]}.")
    return found[0] if found else None


def _in_hours(header: Header, keyword: str, ra: Angle, dec_deg: float, known: tuple[float, float] | None) -> bool:
    """Whether a right ascension is in hours: sexagesimal ones are, decimal ones are not unless shown to be."""
    if ra.value > 24:
        return False
    comment = header.comment(keyword)
    if ra.sexagesimal or re.search(r"\[h(ou)?r?s?\]|\bhours?\b|\bhrs?\b", comment):
        return True
    if re.search(r"\bdeg", comment):
        return False
    if known is not None:
        as_hours = place.separation_deg(ra.value * 15, dec_deg, *known)
        as_degrees = place.separation_deg(ra.value, dec_deg, *known)
        return as_hours < min(_AGREE_DEG, as_degrees)
    return keyword in keywords.RA_HOURS


def _read_altitude(header: Header) -> Said[float]:
    """Altitude that the header states for certain; not the height of the site above the sea."""
    for keyword in (*keywords.ALTITUDE, *keywords.ALTITUDE_OR_ELEVATION, *keywords.ZENITH_DISTANCE):
        angle = _angle(header, keyword)
        if angle is None or not -90 <= angle.value <= 90:
            continue
        if keyword in keywords.ALTITUDE_OR_ELEVATION and not _is_an_angle(header, keyword, angle):
            continue
        if keyword in keywords.ZENITH_DISTANCE:
            return Said(value=90 - abs(angle.value), source=keyword)
        return Said(value=angle.value, source=keyword)
    return Said()


def _is_an_angle(header: Header, keyword: str, angle: Angle) -> bool:
    comment = header.comment(keyword)
    if re.search(r"\bmet(er|re)|\[m\]|\bm\b|\bsea\b|\bfeet\b|\bft\b|\bsite\b|\bobservatory\b", comment):
        return False
    return angle.sexagesimal or re.search(r"\bdeg|\bhorizon|\baxis\b|\btelescope\b", comment) is not None


def _read_site(header: Header) -> tuple[Said[float], Said[float]]:
    latitude, lat_keyword = _site_angle(header, keywords.LATITUDE, "S", 90)
    longitude, lon_keyword = _site_angle(header, keywords.LONGITUDE, "W", 360)
    if latitude is None or longitude is None:
        xyz = [header.number(keyword) for keyword in keywords.GEOCENTRIC]
        if None not in xyz and 6.3e6 < math.hypot(*(c or 0.0 for c in xyz)) < 6.4e6:  # [m] on the ground
            latitude, longitude = place.latitude_longitude_deg(*(c or 0.0 for c in xyz))
            lat_keyword = lon_keyword = keywords.GEOCENTRIC[0]
    if latitude == 0 and longitude == 0:  # nobody set it, and nobody observes from there
        return Said(), Said()
    if longitude is not None:
        longitude = place.signed_deg(longitude)
    return (
        Said(value=latitude, source=lat_keyword) if latitude is not None else Said(),
        Said(value=longitude, source=lon_keyword) if longitude is not None else Said(),
    )


def _site_angle(header: Header, names: tuple[str, ...], negative: str, most: float) -> tuple[float | None, str]:
    for keyword in names:
        angle = _angle(header, keyword)
        if angle is None or abs(angle.value) > most:
            continue
        comment = header.comment(keyword)
        west = negative == "W" and re.search(r"\bwest\b(?!\s*neg)|\+\s*w\b", comment) and "east" not in comment
        flip = angle.compass == negative or bool(west)
        return (-angle.value if flip and angle.value > 0 else angle.value), keyword
    return None, ""


def _east_positive(
    header: Header, latitude: Said[float], longitude: Said[float], utc: datetime, ra_deg: float, dec_deg: float
) -> Said[float]:
    """The longitude, its sign put right if altitude, hour angle or sidereal time of the header ask for it."""
    if longitude.value is None or abs(longitude.value) < 1:
        return longitude
    flipped = False
    for as_given_off, as_flipped_off in _sign_tests(header, latitude, longitude.value, utc, ra_deg, dec_deg):
        if as_given_off <= _AGREE_DEG:
            return longitude
        flipped = flipped or as_flipped_off <= _AGREE_DEG
    if not flipped:
        return longitude
    # the number itself is private and stays out of the sentence
    conflict = f"{longitude.source} fits time and pointing only with its sign changed (west positive), so we used that."
    return Said(value=-longitude.value, source=longitude.source, conflicts=(conflict,))


def _sign_tests(
    header: Header, latitude: Said[float], longitude_deg: float, utc: datetime, ra_deg: float, dec_deg: float
) -> list[tuple[float, float]]:
    """For each second witness: degrees off with the longitude as given, and with the other sign."""
    angles = [
        place.hour_angle_deg(utc, ra_deg=ra_deg, longitude_deg=longitude)
        for longitude in (longitude_deg, -longitude_deg)
    ]
    tests: list[tuple[float, float]] = []
    altitude = _read_altitude(header).value
    if altitude is not None and latitude.value is not None:
        off = [
            abs(altitude - place.altitude_azimuth_deg(h, dec_deg=dec_deg, latitude_deg=latitude.value)[0])
            for h in angles
        ]
        tests.append((off[0], off[1]))
    for stated in (_stated_hour_angle(header).value, _sidereal_hour_angle(header, ra_deg)):
        if stated is not None:
            off = [abs(place.signed_deg(stated - h)) for h in angles]
            tests.append((off[0], off[1]))
    return tests


def _sidereal_hour_angle(header: Header, ra_deg: float) -> float | None:
    for keyword in keywords.SIDEREAL_TIME:
        angle = _angle(header, keyword)
        if angle is not None and angle.sexagesimal and 0 <= angle.value <= 24:
            return place.signed_deg(angle.value * 15 - ra_deg)
    return None


def _stated_hour_angle(header: Header) -> Said[float]:
    for keyword in keywords.HOUR_ANGLE:
        angle = _angle(header, keyword)
        if angle is None or abs(angle.value) > 360:
            continue
        comment = header.comment(keyword)
        if angle.sexagesimal or re.search(r"\bhours\b|\[h(ou)?r?s?\]", comment):
            return Said(value=place.signed_deg(angle.value * 15), source=keyword)
        if abs(angle.value) > 24:  # a smaller number may be hours whatever the comment says
            return Said(value=place.signed_deg(angle.value), source=keyword)
    return Said()


def _hour_angle(
    header: Header, middle_utc: datetime | None, exposure_s: float | None, ra: Said[float], longitude: Said[float]
) -> Said[float]:
    """Hour angle in the middle of the exposure: computed, or the header's, which is that of the start."""
    if middle_utc is not None and ra.value is not None and longitude.value is not None:
        value = place.hour_angle_deg(middle_utc, ra_deg=ra.value, longitude_deg=longitude.value)
        return Said(value=value, source=f"computed from {ra.source} and {longitude.source}")
    stated = _stated_hour_angle(header)
    if stated.value is None:
        return stated
    half_deg = (exposure_s or 0.0) / 2 * SIDEREAL_RATE_ARCSEC_PER_S / 3600
    return Said(value=place.signed_deg(stated.value + half_deg), source=stated.source)


def _altitude_azimuth(
    header: Header, stated: Said[float], hour_angle: Said[float], dec: Said[float], latitude: Said[float]
) -> tuple[Said[float], Said[float]]:
    azimuth = _stated_azimuth(header)
    if hour_angle.value is None or dec.value is None or latitude.value is None:
        return stated, azimuth
    altitude, computed_azimuth = place.altitude_azimuth_deg(
        hour_angle.value, dec_deg=dec.value, latitude_deg=latitude.value
    )
    computed = f"computed from {dec.source}, {latitude.source} and hour angle"
    if azimuth.value is None:
        azimuth = Said(value=computed_azimuth, source=computed)
    if stated.value is not None:
        if abs(stated.value - altitude) > _AGREE_DEG:
            taken = Said(value=altitude, source=computed) if dec.source == "CRVAL2" else stated  # solved is sure
            conflict = (
                f"{stated.source} gives an altitude of {stated.value:.1f} deg, place, time and coordinates "
                f"{altitude:.1f} deg; we used {taken.value:.1f} deg."
            )
            return replace(taken, conflicts=(conflict,)), azimuth
        return stated, azimuth
    for keyword in keywords.ALTITUDE_OR_ELEVATION:  # one without unit is an altitude if it fits
        angle = _angle(header, keyword)
        if angle is not None and abs(angle.value - altitude) <= _AGREE_DEG and not _is_height(header, keyword):
            return Said(value=angle.value, source=keyword), azimuth
    return Said(value=altitude, source=computed), azimuth


def _is_height(header: Header, keyword: str) -> bool:
    return re.search(r"\bmet(er|re)|\[m\]|\bsea\b|\bsite\b", header.comment(keyword)) is not None


def _stated_azimuth(header: Header) -> Said[float]:
    for keyword in keywords.AZIMUTH:
        angle = _angle(header, keyword)
        if angle is not None and -360 <= angle.value <= 360:
            return Said(value=angle.value % 360, source=keyword)
    return Said()


def _airmass(header: Header, altitude: Said[float]) -> Said[float]:
    computed = None
    if altitude.value is not None and altitude.value > 0:
        computed = place.airmass(altitude.value)
    for keyword in keywords.AIRMASS:
        stated = header.number(keyword)
        if stated is None or not 0.99 <= stated <= 40:  # Kasten & Young: 38 at the horizon
            continue
        if computed is not None and abs(stated / computed - 1) > _AIRMASS_AGREE:
            conflict = f"{keyword} is {stated:.2f}, the altitude gives {computed:.2f}; we used {keyword}."
            return Said(value=stated, source=keyword, conflicts=(conflict,))
        return Said(value=stated, source=keyword)
    if computed is None:
        return Said()
    return Said(value=computed, source=f"computed from {altitude.source}")


def _angle(header: Header, keyword: str) -> Angle | None:
    text = header.text(keyword)
    return None if text is None else parse_angle(text)
