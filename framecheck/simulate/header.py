"""Header: what a capture program writes into the file of a simulated exposure."""

from datetime import timedelta
from typing import NamedTuple

import numpy as np

from framecheck.simulate.frame import Conditions
from framecheck.simulate.scenario import Scenario


class HeaderCard(NamedTuple):
    """One line of a header."""

    keyword: str
    value: str | float | int
    comment: str


def light_cards(scenario: Scenario, conditions: Conditions) -> list[HeaderCard]:
    """Header of a light frame, with a plate solution if the plan wants one."""
    target, site, plan = scenario.target, scenario.site, scenario.plan
    cards = [
        HeaderCard("IMAGETYP", "Light Frame", "type of exposure"),
        *_camera_cards(scenario, conditions.start_s),
        HeaderCard("OBJECT", target.name, "invented field"),
        HeaderCard("FILTER", scenario.optics.filter, "filter"),
        HeaderCard("FOCALLEN", scenario.optics.focal_length_mm, "[mm] focal length"),
        HeaderCard("APTDIA", scenario.optics.aperture_mm, "[mm] aperture"),
        HeaderCard("FOCUSTEM", round(conditions.tube_temp_c, 2), "[deg C] at the tube"),
        HeaderCard("OBJCTRA", sexagesimal(target.ra_deg / 15, sign=False), "[h m s] target"),
        HeaderCard("OBJCTDEC", sexagesimal(target.dec_deg, sign=True), "[d m s] target"),
        HeaderCard("SITELAT", site.latitude_deg, "[deg] latitude, north positive"),
        HeaderCard("SITELONG", site.longitude_deg, "[deg] longitude, east positive"),
        HeaderCard("AIRMASS", round(conditions.airmass, 4), "at the middle of the exposure"),
    ]
    if scenario.mount.kind == "equatorial":
        flipped = 0 <= plan.flip_frame <= conditions.frame
        side = "EAST" if flipped else "WEST"
        cards.append(HeaderCard("PIERSIDE", side, "side of the pier the tube is on"))
    if scenario.camera.mosaic:
        cards.append(HeaderCard("BAYERPAT", scenario.camera.mosaic, "first 2 x 2 pixels"))
        cards.append(HeaderCard("ROWORDER", "BOTTOM-UP", "first row is the bottom"))
    solved = plan.solved == "every frame" or (plan.solved == "first frame" and conditions.frame == 0)
    return cards + (_solution(scenario, conditions) if solved else [])


def dark_cards(scenario: Scenario, start_s: float) -> list[HeaderCard]:
    """Header of a dark frame."""
    return [
        HeaderCard("IMAGETYP", "Dark Frame", "type of exposure"),
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
        HeaderCard("EXPTIME", plan.exposure_s, "[s] exposure"),
        HeaderCard("DATE-OBS", start.strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3], "start, UTC"),
        HeaderCard("INSTRUME", "Simulated camera", "no such camera exists"),
        HeaderCard("XPIXSZ", camera.pixel_um, "[um] pixel"),
        HeaderCard("YPIXSZ", camera.pixel_um, "[um] pixel"),
        HeaderCard("XBINNING", 1, "binning"),
        HeaderCard("YBINNING", 1, "binning"),
        HeaderCard("EGAIN", camera.gain_e_per_adu, "[e/ADU] conversion"),
        HeaderCard("RDNOISE", camera.read_noise_e, "[e] read noise"),
        HeaderCard("PEDESTAL", camera.pedestal_adu, "[ADU] level without light"),
        HeaderCard("SATURATE", saturation_adu(scenario), "[ADU] pixels clip here"),
        HeaderCard("CCD-TEMP", camera.sensor_temp_c, "[deg C] sensor"),
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
    return [
        HeaderCard("CTYPE1", "RA---TAN", "tangential projection"),
        HeaderCard("CTYPE2", "DEC--TAN", "tangential projection"),
        HeaderCard("CUNIT1", "deg", ""),
        HeaderCard("CUNIT2", "deg", ""),
        HeaderCard("CRVAL1", conditions.ra_deg, "[deg] middle of the sensor"),
        HeaderCard("CRVAL2", conditions.dec_deg, "[deg] middle of the sensor"),
        HeaderCard("CRPIX1", (camera.width + 1) / 2, "[px]"),
        HeaderCard("CRPIX2", (camera.height + 1) / 2, "[px]"),
        HeaderCard("CD1_1", float(-degrees * np.cos(angle)), "[deg/px]"),
        HeaderCard("CD1_2", float(degrees * np.sin(angle)), "[deg/px]"),
        HeaderCard("CD2_1", float(degrees * np.sin(angle)), "[deg/px]"),
        HeaderCard("CD2_2", float(degrees * np.cos(angle)), "[deg/px]"),
        HeaderCard("RADESYS", "ICRS", ""),
        HeaderCard("EQUINOX", 2000.0, ""),
    ]
