"""`framecheck plan`: what a rig can do, before anything is bought or mounted."""

import math
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal, get_args

import typer

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


def plan(
    focal_length: Annotated[float | None, typer.Option(metavar="MM", help="Focal length of lens or telescope.")] = None,
    aperture: Annotated[float | None, typer.Option(metavar="MM", help="Clear diameter of lens or mirror.")] = None,
    obstruction: Annotated[
        float | None, typer.Option(metavar="PART", help="Secondary mirror's diameter over the aperture's.")
    ] = None,
    pixel: Annotated[float | None, typer.Option(metavar="UM", help="Side of a pixel in micrometres.")] = None,
    sensor_diagonal: Annotated[float | None, typer.Option(metavar="MM", help="Corner to corner of the sensor.")] = None,
    read_noise: Annotated[float | None, typer.Option(metavar="E", help="Noise of one readout in electrons.")] = None,
    gain: Annotated[float | None, typer.Option(metavar="E", help="Electrons for one step of pixel value.")] = None,
    mount: Annotated[Mount | None, typer.Option(help="What carries the camera.")] = None,
    seeing: Annotated[
        str | None, typer.Option(metavar="ARCSEC", help="Star width that the air makes: 2.5, or a range 2-4.")
    ] = None,
    sky: Annotated[
        float | None, typer.Option(metavar="MAG", help="Magnitude of a square arcsecond of sky: 18 town, 21.5 dark.")
    ] = None,
    passband: Annotated[float | None, typer.Option(metavar="NM", help="Width of the filter in nanometres.")] = None,
    declination: Annotated[float | None, typer.Option(metavar="DEG", help="Declination of the target.")] = None,
    latitude: Annotated[
        float | None, typer.Option(metavar="DEG", help="Latitude of the place, north positive.")
    ] = None,
    exposure: Annotated[float | None, typer.Option(metavar="S", help="Exposure you want to use.")] = None,
    tracking_rms: Annotated[
        float | None, typer.Option(metavar="ARCSEC", help="Tracking error on each axis, root mean square.")
    ] = None,
    drift: Annotated[float | None, typer.Option(metavar="ARCSEC", help="Drift of the stars in a minute.")] = None,
    polar_error: Annotated[
        float | None, typer.Option(metavar="ARCMIN", help="How far the mount's axis is off the pole.")
    ] = None,
    periodic_error: Annotated[
        float | None, typer.Option(metavar="ARCSEC", help="Swing of the drive, from peak to peak.")
    ] = None,
    worm_period: Annotated[float | None, typer.Option(metavar="S", help="Seconds for one turn of the worm.")] = None,
    rig: Annotated[
        Path | None, typer.Option("--rig", metavar="FILE", help="A rig.toml; options win over what it says.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the plan as JSON.")] = False,
) -> None:
    """Work out what a rig can do: sampling, exposures with and without a mount, alignment, focus.

    Without any option it asks for the few numbers that matter most.
    """
    from framecheck.cli.plan_page import plan_document, plan_lines
    from framecheck.cli.terminal import is_talked_with, look_of, say
    from framecheck.document import json_text
    from framecheck.plan.make import make_plan

    numbers = {
        "focal_length_mm": focal_length, "aperture_mm": aperture, "central_obstruction": obstruction,
        "pixel_um": pixel, "sensor_diagonal_mm": sensor_diagonal, "read_noise_e": read_noise, "gain_e_per_adu": gain,
        "sky_mag": sky, "passband_nm": passband, "declination_deg": declination, "site_latitude_deg": latitude,
        "exposure_s": exposure, "tracking_rms_arcsec": tracking_rms, "drift_arcsec_per_min": drift,
        "polar_error_arcmin": polar_error, "periodic_error_arcsec": periodic_error, "worm_period_s": worm_period,
    }  # fmt: skip
    if rig is None and all(value is None for value in (seeing, mount, *numbers.values())):
        numbers, seeing, mount = _asked_for(numbers, asks=is_talked_with() and not as_json)
    made = make_plan(setup_from(numbers, seeing, mount, rig))
    say(json_text(plan_document(made)) if as_json else "\n".join(plan_lines(made, look_of(sys.stdout))))


_QUESTIONS: Final = {
    "focal_length_mm": "Focal length in mm",
    "aperture_mm": "Aperture in mm",
    "pixel_um": "Pixel size in µm",
    "mount": "Mount",
    "seeing": "Seeing in arcseconds, such as 2-4",
    "sky_mag": "Sky in mag/arcsec² (18 town, 21.5 dark)",
    "exposure_s": "Exposure in seconds",
}
"""What is asked for where no option is given: the rest refines a line."""


def _asked_for(
    numbers: Mapping[str, float | None], *, asks: bool
) -> tuple[dict[str, float | None], str | None, Mount | None]:
    """Numbers, seeing and mount as a person at the terminal gives them.

    Raises
    ------
    UnusableRequest
        If nobody can be asked, or nothing is answered.
    """
    if not asks:
        raise UnusableRequest("give what you know of the rig, such as --focal-length 530 --pixel 3.76 --seeing 2-4.")
    from framecheck.cli.terminal import say, tell

    tell("What the rig can do. Enter skips a question; the options of --help take more.")
    given = {name: _answer(name, question) for name, question in _QUESTIONS.items()}
    if not any(given.values()):
        raise UnusableRequest("nothing was answered, so there is nothing to work out.")
    say()
    found = {**numbers, **{name: float(text) for name, text in given.items() if text and name in numbers}}
    mount = next((kind for kind in get_args(Mount) if given["mount"] and kind == given["mount"]), None)
    return found, given["seeing"] or None, mount


def _answer(name: str, question: str) -> str:
    """One answer that can be used, as text; empty if it is skipped."""
    from framecheck.cli.terminal import say

    hint = f" ({', '.join(get_args(Mount))})" if name == "mount" else ""
    while True:
        text = typer.prompt(question + hint, default="", show_default=False).strip().replace(",", ".")
        if not text:
            return ""
        try:
            if name == "seeing":
                _range(text)
            elif name != "mount":
                _checked(name, float(text))
            elif not (text := next((kind for kind in get_args(Mount) if kind.startswith(text.lower())), "")):
                raise ValueError
            return text
        except UnusableRequest as why:
            say(str(why))
        except ValueError:
            say("That was not understood. Give " + (", ".join(get_args(Mount)) if hint else "a number") + ", or Enter.")


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

    given = {field: _checked(field, value) for field, value in numbers.items() if value is not None}
    air = None if seeing is None else _range(seeing)
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


def _checked(field: str, value: float) -> float:
    asked = ASKED[field]
    if not asked.least <= value <= asked.most or not math.isfinite(value):
        raise UnusableRequest(
            f"{asked.option} is {value:g}, but must be a number from {asked.least:g} to {asked.most:g} ({asked.unit})."
        )
    return value


def _range(text: str) -> tuple[float, float]:
    """A number, or two with a hyphen between them, in order."""
    parts = text.replace("–", "-").split("-")
    try:
        values = [float(part.replace("″", "")) for part in parts]
    except ValueError:
        values = []
    if len(values) not in (1, 2):
        raise UnusableRequest(f"--seeing is {text!r}, but must be a number such as 2.5, or a range such as 2-4.")
    low, high = (_checked("seeing_arcsec", value) for value in (min(values), max(values)))
    return low, high


def _refuse_impossible_optics(focal_mm: float | None, aperture_mm: float | None) -> None:
    if focal_mm is None or aperture_mm is None or focal_mm / aperture_mm >= _FASTEST:
        return
    raise UnusableRequest(
        f"a focal length of {focal_mm:g} with an aperture of {aperture_mm:g} makes f/{focal_mm / aperture_mm:.2f}, but "
        "no optics are that fast; both must be in millimetres."
    )
