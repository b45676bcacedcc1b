"""What a plan is asked with: numbers by name, checked, on top of a rig file."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from framecheck.errors import UnusableRequest

if TYPE_CHECKING:
    from framecheck.plan.records import Setup

Mount = Literal["fixed", "tracker", "equatorial", "alt-azimuth"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Asked:
    """A number that the command takes: its option, its bounds and its unit in words."""

    option: str
    least: float
    most: float
    unit: str


ASKED: Final[Mapping[str, Asked]] = {
    "focal_length_mm": Asked(option="--focal-length", least=2, most=200_000, unit="millimetres"),
    "aperture_mm": Asked(option="--aperture", least=1, most=50_000, unit="millimetres"),
    "central_obstruction": Asked(option="--obstruction", least=0, most=0.8, unit="a part of the aperture"),
    "pixel_um": Asked(option="--pixel", least=0.5, most=200, unit="micrometres"),
    "sensor_diagonal_mm": Asked(option="--sensor-diagonal", least=0.5, most=2000, unit="millimetres"),
    "read_noise_e": Asked(option="--read-noise", least=0.05, most=500, unit="electrons"),
    "gain_e_per_adu": Asked(option="--gain", least=1e-4, most=1e4, unit="electrons per ADU"),
    "seeing_arcsec": Asked(option="--seeing", least=0.1, most=30, unit="arcseconds"),
    "sky_mag": Asked(option="--sky", least=5, most=24, unit="magnitudes of a square arcsecond"),
    "passband_nm": Asked(option="--passband", least=0.01, most=2000, unit="nanometres"),
    "declination_deg": Asked(option="--declination", least=-90, most=90, unit="degrees"),
    "site_latitude_deg": Asked(option="--latitude", least=-90, most=90, unit="degrees"),
    "exposure_s": Asked(option="--exposure", least=1e-4, most=86_400, unit="seconds"),
    "tracking_rms_arcsec": Asked(option="--tracking-rms", least=0, most=600, unit="arcseconds"),
    "drift_arcsec_per_min": Asked(option="--drift", least=0, most=1000, unit="arcseconds a minute"),
    "polar_error_arcmin": Asked(option="--polar-error", least=0, most=1800, unit="arcminutes"),
    "periodic_error_arcsec": Asked(option="--periodic-error", least=0, most=3600, unit="arcseconds"),
    "worm_period_s": Asked(option="--worm-period", least=5, most=86_164, unit="seconds"),
}
"""What can be asked with, by field of `Setup` or `Rig`. Bounds as in a rig file, or chosen: beyond is a slip."""

_FASTEST: Final = 0.3
"""[dimensionless] Focal ratio below which lengths were mixed up; as in a rig file."""


def setup_from(
    numbers: Mapping[str, float | None], seeing: str | None, mount: Mount | None, rig_file: Path | None
) -> "Setup":
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
    from dataclasses import fields, replace

    from framecheck.plan.records import Setup
    from framecheck.read.rig import Rig
    from framecheck.read.rig_file import load_rig

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
    if focal_mm is None or aperture_mm is None or focal_mm / aperture_mm >= _FASTEST:
        return
    raise UnusableRequest(
        f"a focal length of {focal_mm:g} with an aperture of {aperture_mm:g} makes f/{focal_mm / aperture_mm:.2f}, but "
        "no optics are that fast; both must be in millimetres."
    )
