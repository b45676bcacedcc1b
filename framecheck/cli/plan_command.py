"""`framecheck plan`: what a rig can do, before anything is bought or mounted."""

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Final, get_args

import typer

from framecheck.cli.options import Mount
from framecheck.cli.terminal import is_talked_with, say, tell
from framecheck.document import json_text
from framecheck.errors import UnusableRequest
from framecheck.report.look import look_of


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
    from framecheck.plan.asked import setup_from
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
    from framecheck.plan.asked import checked, number_or_range

    hint = f" ({', '.join(get_args(Mount))})" if name == "mount" else ""
    while True:
        text = typer.prompt(question + hint, default="", show_default=False).strip().replace(",", ".")
        if not text:
            return ""
        try:
            if name == "seeing":
                number_or_range(text)
            elif name != "mount":
                checked(name, float(text))
            elif not (text := next((kind for kind in get_args(Mount) if kind.startswith(text.lower())), "")):
                raise ValueError
            return text
        except UnusableRequest as why:
            say(str(why))
        except ValueError:
            say("That was not understood. Give " + (", ".join(get_args(Mount)) if hint else "a number") + ", or Enter.")
