"""The keys of rig.toml: where each stands, what it may hold, and what it means to someone new to it."""

import json
import math
from dataclasses import dataclass
from typing import Any, Final, get_args

from framecheck.read.rig import MountType


@dataclass(frozen=True, kw_only=True, slots=True)
class Key:
    """A key of rig.toml: its table, what it may hold, and a line of explanation for someone new to it."""

    name: str
    table: str
    help: str
    kind: type = float
    least: float = -math.inf
    most: float = math.inf
    choices: tuple[str, ...] = ()
    field: str = ""
    """The rig's field, where it is not called like the key."""
    example: Any = None

    @property
    def allowed(self) -> str:
        """What the key may hold, in words."""
        if self.choices:
            return "one of " + ", ".join(f'"{choice}"' for choice in self.choices)
        if self.kind is bool:
            return "true or false"
        noun = "a whole number" if self.kind is int else "a number"
        return f"{noun} from {self.least:g} to {self.most:g}"


KEYS: Final = (
    Key(
        name="focal_length_mm",
        table="optics",
        least=2,
        most=200_000,
        example=530.0,
        help="Focal length in millimetres, with the reducer or extender in place.",
    ),
    Key(
        name="aperture_mm",
        table="optics",
        least=1,
        most=50_000,
        example=106.0,
        help="Clear diameter of the lens or mirror in millimetres.",
    ),
    Key(
        name="central_obstruction",
        table="optics",
        least=0,
        most=0.8,
        example=0.33,
        help="Diameter of the secondary mirror divided by the aperture; 0 for a refractor.",
    ),
    Key(
        name="pixel_scale_arcsec",
        table="optics",
        field="solved_scale_arcsec",
        least=0.005,
        most=1500,
        example=1.46,
        help="Arcseconds that one pixel spans, from a plate solution; it counts before focal length and pixel size.",
    ),
    Key(
        name="pixel_um",
        table="camera",
        least=0.5,
        most=200,
        example=3.76,
        help="Side of one pixel of the files in micrometres; twice the sensor's own if they are binned 2 x 2.",
    ),
    Key(
        name="binning",
        table="camera",
        kind=int,
        least=1,
        most=32,
        example=1,
        help="Sensor pixels along one side of a pixel of the files; 1 without binning.",
    ),
    Key(
        name="gain_e_per_adu",
        table="camera",
        least=1e-4,
        most=1e4,
        example=0.77,
        help="Electrons for one step of pixel value (ADU), from the camera's data sheet at your gain setting.",
    ),
    Key(
        name="read_noise_e",
        table="camera",
        least=0.05,
        most=500,
        example=1.5,
        help="Noise of one readout in electrons, from the camera's data sheet at your gain setting.",
    ),
    Key(
        name="saturation_adu",
        table="camera",
        least=1e-3,
        most=1e10,
        example=65535.0,
        help="Pixel value at which bright stars are clipped; 65535 for most cameras.",
    ),
    Key(
        name="pedestal_adu",
        table="camera",
        least=0,
        most=1e6,
        example=500.0,
        help="Pixel value without any light: the median of a bias or dark frame.",
    ),
    Key(
        name="camera_angle_deg",
        table="camera",
        least=-360,
        most=360,
        example=0.0,
        help="Direction of the image's upward (+y) axis on the sky, in degrees from north over east.",
    ),
    Key(
        name="clock_ahead_h",
        table="camera",
        least=-14.5,
        most=14.5,
        example=2.0,
        help="Hours that the camera's clock was ahead of UTC, summer time included, where its files do not say it.",
    ),
    Key(
        name="mount_type",
        table="mount",
        kind=str,
        choices=get_args(MountType),
        example="equatorial",
        help="How the mount follows the sky.",
    ),
    Key(name="guided", table="mount", kind=bool, example=True, help="Whether a guide camera corrected the mount."),
    Key(
        name="worm_period_s",
        table="mount",
        least=5,
        most=86_164,
        example=480.0,
        help="Seconds for one turn of the worm in right ascension, from the mount's data sheet.",
    ),
    Key(
        name="site_latitude_deg",
        table="site",
        least=-90,
        most=90,
        example=48.2,
        help="Latitude of the place in degrees, north positive.",
    ),
    Key(
        name="site_longitude_deg",
        table="site",
        least=-180,
        most=360,
        example=16.4,
        help="Longitude of the place in degrees, east positive.",
    ),
)


def toml_line(key: Key, value: Any) -> str:
    """A key with its value; an example behind a # where that is not known."""
    return f"# {key.name} = {json.dumps(key.example)}" if value is None else f"{key.name} = {json.dumps(value)}"


def takes(key: Key, value: Any) -> bool:
    """Whether a value is of the key's kind and within its range."""
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if key.kind is float:
        return number and key.least <= value <= key.most
    if key.kind is int:
        return isinstance(value, int) and number and key.least <= value <= key.most
    return isinstance(value, key.kind) and (not key.choices or value in key.choices)
