"""Header: what a capture program writes into the file of a simulated exposure."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import numpy as np

from framecheck.simulate.frame import Conditions
from framecheck.simulate.scenario import Scenario


@dataclass(frozen=True, kw_only=True, slots=True)
class HeaderCard:
    """One line of a header."""

    keyword: str
    value: str | float | int
    comment: str


def light_cards(scenario: Scenario, conditions: Conditions) -> list[HeaderCard]:
    """Header of a light frame, with a plate solution if the plan wants one."""
    target, site, plan = scenario.target, scenario.site, scenario.plan
    cards = [
        HeaderCard(keyword="IMAGETYP", value="Light Frame", comment="type of exposure"),
        *_camera_cards(scenario, conditions.start_s),
        HeaderCard(keyword="OBJECT", value=target.name, comment="invented field"),
        HeaderCard(keyword="FILTER", value=scenario.optics.filter, comment="filter"),
        HeaderCard(keyword="FOCALLEN", value=scenario.optics.focal_length_mm, comment="[mm] focal length"),
        HeaderCard(keyword="APTDIA", value=scenario.optics.aperture_mm, comment="[mm] aperture"),
        HeaderCard(keyword="FOCUSTEM", value=round(conditions.tube_temp_c, 2), comment="[deg C] at the tube"),
        HeaderCard(keyword="OBJCTRA", value=sexagesimal(target.ra_deg / 15, sign=False), comment="[h m s] target"),
        HeaderCard(keyword="OBJCTDEC", value=sexagesimal(target.dec_deg, sign=True), comment="[d m s] target"),
        HeaderCard(keyword="SITELAT", value=site.latitude_deg, comment="[deg] latitude, north positive"),
        HeaderCard(keyword="SITELONG", value=site.longitude_deg, comment="[deg] longitude, east positive"),
        HeaderCard(keyword="AIRMASS", value=round(conditions.airmass, 4), comment="at the middle of the exposure"),
    ]
    if scenario.mount.kind == "equatorial":
        flipped = 0 <= plan.flip_frame <= conditions.frame
        side = "EAST" if flipped else "WEST"
        cards.append(HeaderCard(keyword="PIERSIDE", value=side, comment="side of the pier the tube is on"))
    if scenario.camera.mosaic:
        cards.append(HeaderCard(keyword="BAYERPAT", value=scenario.camera.mosaic, comment="first 2 x 2 pixels"))
        cards.append(HeaderCard(keyword="ROWORDER", value="BOTTOM-UP", comment="first row is the bottom"))
    solved = plan.solved == "every frame" or (plan.solved == "first frame" and conditions.frame == 0)
    return cards + (_solution(scenario, conditions) if solved else [])


def dark_cards(scenario: Scenario, start_s: float) -> list[HeaderCard]:
    """Header of a dark frame."""
    return [
        HeaderCard(keyword="IMAGETYP", value="Dark Frame", comment="type of exposure"),
        *_camera_cards(scenario, start_s),
    ]


def sexagesimal(value: float, *, sign: bool) -> str:
    """A number of hours or degrees as "12 34 56.78"."""
    hundredths = round(abs(value) * 360_000)
    whole, rest = divmod(hundredths, 360_000)
    minutes, seconds = divmod(rest, 6000)
    mark = ("-" if value < 0 else "+") if sign else ""
    return f"{mark}{whole:02d} {minutes:02d} {seconds / 100:05.2f}"


def _camera_cards(scenario: Scenario, start_s: float) -> list[HeaderCard]:
    camera, plan = scenario.camera, scenario.plan
    start = plan.start_utc + timedelta(seconds=start_s)
    return [
        HeaderCard(keyword="EXPTIME", value=plan.exposure_s, comment="[s] exposure"),
        HeaderCard(keyword="DATE-OBS", value=start.strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3], comment="start, UTC"),
        HeaderCard(keyword="INSTRUME", value="Simulated camera", comment="no such camera exists"),
        HeaderCard(keyword="XPIXSZ", value=camera.pixel_um, comment="[um] pixel"),
        HeaderCard(keyword="YPIXSZ", value=camera.pixel_um, comment="[um] pixel"),
        HeaderCard(keyword="XBINNING", value=1, comment="binning"),
        HeaderCard(keyword="YBINNING", value=1, comment="binning"),
        HeaderCard(keyword="EGAIN", value=camera.gain_e_per_adu, comment="[e/ADU] conversion"),
        HeaderCard(keyword="RDNOISE", value=camera.read_noise_e, comment="[e] read noise"),
        HeaderCard(keyword="PEDESTAL", value=camera.pedestal_adu, comment="[ADU] level without light"),
        HeaderCard(keyword="SATURATE", value=saturation_adu(scenario), comment="[ADU] pixels clip here"),
        HeaderCard(keyword="CCD-TEMP", value=camera.sensor_temp_c, comment="[deg C] sensor"),
    ]


def saturation_adu(scenario: Scenario) -> float:
    """Pixel value at which the sensor or the converter clips, whichever comes first. [ADU]"""
    camera = scenario.camera
    return float(min(2**camera.bits - 1, round(camera.full_well_e / camera.gain_e_per_adu + camera.pedestal_adu)))


def _solution(scenario: Scenario, conditions: Conditions) -> list[HeaderCard]:
    """World coordinates in the tangential projection: M. R. Calabretta & E. W. Greisen, 2002, A&A 395, 1077."""
    camera = scenario.camera
    degrees = scenario.scale_arcsec / 3600
    angle = np.radians(conditions.north_up_deg)
    values: list[tuple[str, Any, str]] = [
        ("CTYPE1", "RA---TAN", "tangential projection"),
        ("CTYPE2", "DEC--TAN", "tangential projection"),
        ("CUNIT1", "deg", ""),
        ("CUNIT2", "deg", ""),
        ("CRVAL1", conditions.ra_deg, "[deg] middle of the sensor"),
        ("CRVAL2", conditions.dec_deg, "[deg] middle of the sensor"),
        ("CRPIX1", (camera.width + 1) / 2, "[px]"),
        ("CRPIX2", (camera.height + 1) / 2, "[px]"),
        ("CD1_1", float(-degrees * np.cos(angle)), "[deg/px]"),
        ("CD1_2", float(degrees * np.sin(angle)), "[deg/px]"),
        ("CD2_1", float(degrees * np.sin(angle)), "[deg/px]"),
        ("CD2_2", float(degrees * np.cos(angle)), "[deg/px]"),
        ("RADESYS", "ICRS", ""),
        ("EQUINOX", 2000.0, ""),
    ]
    return [HeaderCard(keyword=keyword, value=value, comment=comment) for keyword, value, comment in values]
