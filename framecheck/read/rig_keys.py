"""The keys of rig.toml: where each stands, what it may hold, and what it means to someone new to it."""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal, get_args

MountType = Literal["fixed", "tracker", "equatorial", "alt-azimuth"]


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
    noun: str = ""
    """What two nights are compared by; empty if they are not."""
    unit: str = ""
    told: str = ""
    """The form in which a rig is described by it."""
    question: str = ""
    """Asked at the terminal where headers do not say it."""
    withholds: str = ""
    """What cannot be told without it; keys of one sentence are missed together."""

    @property
    def allowed(self) -> str:
        """What the key may hold, in words."""
        if self.choices:
            return "one of " + ", ".join(f'"{choice}"' for choice in self.choices)
        if self.kind is bool:
            return "true or false"
        noun = "a whole number" if self.kind is int else "a number"
        return f"{noun} from {self.least:g} to {self.most:g}"


FASTEST: Final = 0.3
"""[dimensionless] Focal ratio below which lengths were mixed up. Chosen: no optics are that fast."""

_SIZES: Final = "Star sizes in arcseconds need focal length and pixel size."
_DRIFT: Final = "What a drift means depends on the mount and on guiding."
_PLACE: Final = "Altitude and air mass need the site."

KEYS: Final = (
    Key(
        name="focal_length_mm",
        table="optics",
        least=2,
        most=200_000,
        example=530.0,
        help="Focal length in millimetres, with the reducer or extender in place.",
        noun="focal length",
        unit="mm",
        told="{:g} mm",
        question="Focal length in mm",
        withholds=_SIZES,
    ),
    Key(
        name="aperture_mm",
        table="optics",
        least=1,
        most=50_000,
        example=106.0,
        help="Clear diameter of the lens or mirror in millimetres.",
        noun="aperture",
        unit="mm",
        told="aperture {:g} mm",
        question="Aperture in mm",
        withholds="How small stars can get (diffraction) needs the aperture.",
    ),
    Key(
        name="central_obstruction",
        table="optics",
        least=0,
        most=0.8,
        example=0.33,
        help="Diameter of the secondary mirror divided by the aperture; 0 for a refractor.",
        told="obstruction {:g}",
    ),
    Key(
        name="pixel_scale_arcsec",
        table="optics",
        field="solved_scale_arcsec",
        least=0.005,
        most=1500,
        example=1.46,
        help="Arcseconds that one pixel spans, from a plate solution; it counts before focal length and pixel size.",
        noun="pixel scale",
        unit="arcsec/px",
    ),
    Key(
        name="pixel_um",
        table="camera",
        least=0.5,
        most=200,
        example=3.76,
        help="Side of one pixel of the files in micrometres; twice the sensor's own if they are binned 2 x 2.",
        noun="pixel size",
        unit="µm",
        told="pixels of {:g} µm",
        withholds=_SIZES,
    ),
    Key(
        name="binning",
        table="camera",
        kind=int,
        least=1,
        most=32,
        example=1,
        help="Sensor pixels along one side of a pixel of the files; 1 without binning.",
        noun="binning",
    ),
    Key(
        name="gain_e_per_adu",
        table="camera",
        least=1e-4,
        most=1e4,
        example=0.77,
        help="Electrons for one step of pixel value (ADU), from the camera's data sheet at your gain setting.",
        withholds="Sky and stars in electrons need the gain.",
    ),
    Key(
        name="read_noise_e",
        table="camera",
        least=0.05,
        most=500,
        example=1.5,
        help="Noise of one readout in electrons, from the camera's data sheet at your gain setting.",
        withholds="Whether exposures bury the read noise needs the read noise.",
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
        withholds="The sky's own level needs the pedestal, the level the camera adds.",
    ),
    Key(
        name="camera_angle_deg",
        table="camera",
        least=-360,
        most=360,
        example=0.0,
        help="Direction of the image's upward (+y) axis on the sky, in degrees from north over east.",
        noun="camera angle",
        unit="deg",
        withholds="Splitting tracking error into right ascension and declination needs the camera angle.",
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
        noun="mount",
        told="mount: {}",
        question="Mount",
        withholds=_DRIFT,
    ),
    Key(
        name="guided",
        table="mount",
        kind=bool,
        example=True,
        help="Whether a guide camera corrected the mount.",
        told="guided",
        question="Does a guide camera correct it? (yes or no)",
        withholds=_DRIFT,
    ),
    Key(
        name="worm_period_s",
        table="mount",
        least=5,
        most=86_164,
        example=480.0,
        help="Seconds for one turn of the worm in right ascension, from the mount's data sheet.",
        noun="worm period",
        unit="s",
        told="worm {:g} s",
        question="Seconds for one turn of its worm",
        withholds="Tying a period to the worm needs the worm's period.",
    ),
    Key(
        name="site_latitude_deg",
        table="site",
        least=-90,
        most=90,
        example=48.2,
        help="Latitude of the place in degrees, north positive.",
        told="latitude {:g}°",
        question="Latitude in degrees, north positive",
        withholds=_PLACE,
    ),
    Key(
        name="site_longitude_deg",
        table="site",
        least=-180,
        most=360,
        example=16.4,
        help="Longitude of the place in degrees, east positive.",
        told="longitude {:g}°",
        question="Longitude in degrees, east positive",
        withholds=_PLACE,
    ),
)


BY_NAME: Final[Mapping[str, Key]] = {key.name: key for key in KEYS}


def rig_told(facts: Mapping[str, Any]) -> str:
    """A rig by its facts, as one says them; empty if none is known."""
    known = ((key, facts[key.name]) for key in KEYS if key.told and facts.get(key.name) is not None)
    return ", ".join(f"not {key.told}" if value is False else key.told.format(value) for key, value in known)


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
