"""What a plan is asked with: numbers by name, checked, on top of a rig file."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any, Final

from framecheck.errors import UnusableRequest
from framecheck.plan.records import Setup
from framecheck.read.rig import MountType, Rig
from framecheck.read.rig_file import load_rig
from framecheck.read.rig_keys import BY_NAME, FASTEST


@dataclass(frozen=True, kw_only=True, slots=True)
class Asked:
    """A number that the command takes: its option, its bounds and its unit in words."""

    option: str
    least: float
    most: float
    unit: str


def _of_rig(field: str, option: str, unit: str) -> Asked:
    """A number of the rig, within the bounds of its file."""
    return Asked(option=option, least=BY_NAME[field].least, most=BY_NAME[field].most, unit=unit)


ASKED: Final[Mapping[str, Asked]] = {
    "focal_length_mm": _of_rig("focal_length_mm", "--focal-length", "millimetres"),
    "aperture_mm": _of_rig("aperture_mm", "--aperture", "millimetres"),
    "central_obstruction": _of_rig("central_obstruction", "--obstruction", "a part of the aperture"),
    "pixel_um": _of_rig("pixel_um", "--pixel", "micrometres"),
    "sensor_diagonal_mm": Asked(option="--sensor-diagonal", least=0.5, most=2000, unit="millimetres"),
    "read_noise_e": _of_rig("read_noise_e", "--read-noise", "electrons"),
    "gain_e_per_adu": _of_rig("gain_e_per_adu", "--gain", "electrons per ADU"),
    "seeing_arcsec": Asked(option="--seeing", least=0.1, most=30, unit="arcseconds"),
    "sky_mag": Asked(option="--sky", least=5, most=24, unit="magnitudes of a square arcsecond"),
    "passband_nm": Asked(option="--passband", least=0.01, most=2000, unit="nanometres"),
    "declination_deg": Asked(option="--declination", least=-90, most=90, unit="degrees"),
    "site_latitude_deg": _of_rig("site_latitude_deg", "--latitude", "degrees"),
    "exposure_s": Asked(option="--exposure", least=1e-4, most=86_400, unit="seconds"),
    "tracking_rms_arcsec": Asked(option="--tracking-rms", least=0, most=600, unit="arcseconds"),
    "drift_arcsec_per_min": Asked(option="--drift", least=0, most=1000, unit="arcseconds a minute"),
    "polar_error_arcmin": Asked(option="--polar-error", least=0, most=1800, unit="arcminutes"),
    "periodic_error_arcsec": Asked(option="--periodic-error", least=0, most=3600, unit="arcseconds"),
    "worm_period_s": _of_rig("worm_period_s", "--worm-period", "seconds"),
}
"""What can be asked with, by field of `Setup` or `Rig`. Bounds are those of a rig file, or chosen: beyond is a slip."""


def setup_from(
    numbers: Mapping[str, float | None], seeing: str | None, mount: MountType | None, rig_file: Path | None
) -> Setup:
    """What was asked, checked, on top of the rig file.

    Parameters
    ----------
    numbers : mapping of str to float or None
        By field of `Setup` or `Rig`; the keys of `ASKED`.
    seeing : str or None
        A number or a range of two.
    mount : str or None
        Kind of mount.
    rig_file : Path or None
        What it says counts where no option does.

    Raises
    ------
    UnusableRequest, UnusableRig
        With a sentence for the user.
    """
    given = {field: checked(field, value) for field, value in numbers.items() if value is not None}
    air = None if seeing is None else number_or_range(seeing)
    rig = Rig() if rig_file is None else load_rig(rig_file)
    of_rig = {field: value for field, value in given.items() if field in {f.name for f in fields(Rig)}}
    changed: dict[str, Any] = dict(of_rig)
    if mount is not None:
        changed["mount_type"] = mount
    if {"focal_length_mm", "pixel_um"} & set(of_rig):
        changed["solved_scale_arcsec"] = None  # a scale solved for other optics
    rig = replace(rig, **changed)
    _refuse_impossible_optics(rig.focal_length_mm, rig.aperture_mm)
    rest: dict[str, Any] = {field: value for field, value in given.items() if field not in of_rig}
    return Setup(rig=rig, seeing_arcsec=air, **rest)


def checked(field: str, value: float) -> float:
    """The value, if it lies within the bounds of its field.

    Raises
    ------
    UnusableRequest
        If it does not.
    """
    asked = ASKED[field]
    if not asked.least <= value <= asked.most or not math.isfinite(value):
        raise UnusableRequest(
            f"{asked.option} is {value:g}, but must be a number from {asked.least:g} to {asked.most:g} ({asked.unit})."
        )
    return value


def number_or_range(text: str) -> tuple[float, float]:
    """A number, or two with a hyphen between them, in order.

    Raises
    ------
    UnusableRequest
        If the text is neither.
    """
    parts = text.replace("–", "-").split("-")
    try:
        values = [float(part.replace("″", "")) for part in parts]
    except ValueError:
        values = []
    if len(values) not in (1, 2):
        raise UnusableRequest(f"--seeing is {text!r}, but must be a number such as 2.5, or a range such as 2-4.")
    low, high = (checked("seeing_arcsec", value) for value in (min(values), max(values)))
    return low, high


def _refuse_impossible_optics(focal_mm: float | None, aperture_mm: float | None) -> None:
    if focal_mm is None or aperture_mm is None or focal_mm / aperture_mm >= FASTEST:
        return
    raise UnusableRequest(
        f"a focal length of {focal_mm:g} with an aperture of {aperture_mm:g} makes f/{focal_mm / aperture_mm:.2f}, but "
        "no optics are that fast; both must be in millimetres."
    )
