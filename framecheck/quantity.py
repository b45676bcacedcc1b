"""The figures of a frame, each once: every table, file, chart and line that tells them walks these rows."""

from collections.abc import Sequence
from dataclasses import KW_ONLY, dataclass
from datetime import datetime
from functools import reduce
from typing import Any, Final, Literal

from framecheck.words import fixed, number

LOOKS_ROUND: Final = 1.2
"""[dimensionless] Elongation up to which the eye hardly sees it. Common practice, no source."""
ROUND_ENOUGH: Final = f"1 is round, up to {LOOKS_ROUND} is hardly seen"
EVEN_ENOUGH: Final = "up to 8 % is hardly seen"
"""Change of the FWHM over the field. Common practice, no source."""

File = Literal["night", "logbook"]
"""The table of a night (`to_table`), and that of all frames of a logbook."""


@dataclass(frozen=True, slots=True)
class Curve:
    """How a quantity is drawn along the night."""

    place: int
    """From the top; of two with one place the later row is drawn, if any frame knows it."""
    name: str
    title: str
    unit: str
    good: str
    """What would be good, in words."""
    _: KW_ONLY
    floor: float | None = None
    """Where the scale begins, if the data do not decide."""
    least_top: float | None = None
    mark: float | str | None = None
    """A level worth a line of its own; a name is that of a quantity, if all frames share its value."""


@dataclass(frozen=True, slots=True)
class Column:
    """How a quantity heads a column of the table of frames."""

    place: int
    """From the left; of two with one place the later row is shown, if any frame knows it."""
    heading: str
    """With soft hyphens."""
    unit: str = ""
    _: KW_ONLY
    of: str = ""
    """Name of the quantity that it is a part of, told beside it."""

    @property
    def label(self) -> str:
        """Beside the value, where there is no room for a heading."""
        name = self.heading.replace("\u00ad", "")
        name = name if name.isupper() else name.lower()
        return f"{name}, {self.unit}" if self.unit else name


@dataclass(frozen=True, slots=True)
class Latest:
    """How a watched night tells a quantity of a frame that has just come."""

    place: int
    heading: str
    short: str
    width: int
    """Of the terminal's column."""
    _: KW_ONLY
    sign: str = ""
    """Of its unit, in the heading."""
    with_error: bool = False
    """Whether the terminal tells its error."""
    is_share: bool = False
    """Told as a percentage."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """A figure of a frame."""

    name: str
    """As in night.json."""
    path: str
    """Where a `NightFrame` holds it; empty where its row alone does."""
    unit: str
    """As astropy spells it; empty for a number without one."""
    meaning: str
    _: KW_ONLY
    kind: type = float
    alone: str = ""
    """Where it is in a `NightFrame` that stands for a frame outside any night, if that is another place."""
    files: tuple[File, ...] = ("night", "logbook")
    """Tables that have it as a column."""
    error: str = ""
    """Field of the row that holds its standard error."""
    decimals: int | None = None
    """Of the value, where a person reads it; None for a few significant digits."""
    curve: Curve | None = None
    column: Column | None = None
    latest: Latest | None = None

    def text(self, value: int | float | None) -> str:
        """The value as a person reads it, without unit; counts as they are."""
        if isinstance(value, int):
            return str(value)
        if self.decimals is None or value is None:
            return number(value)
        # stars of a short lens are hundreds of arcseconds wide: no column holds the hundredths, and none are known
        return fixed(value, max(self.decimals - 1, 0) if abs(value) >= 100 else self.decimals)

    def of_frame(self, frame: Any) -> Any:
        """Its value in a `NightFrame`; None if unknown."""
        return at_path(frame, self.path)

    def of_result(self, result: Any) -> Any:
        """Its value in a `FrameResult`, measured outside any night; None if unknown."""
        return self._below("result.", result)

    def of_header(self, exposure: Any) -> Any:
        """Its value in an `Exposure`; None if unknown."""
        return self._below("result.exposure.", exposure)

    def _below(self, place: str, record: Any) -> Any:
        path = self.alone or self.path
        return at_path(record, path.removeprefix(place)) if path.startswith(place) else None


def at_path(record: Any, path: str) -> Any:
    """What a record holds at a path of fields; None where one on the way is."""
    return reduce(lambda part, name: None if part is None else getattr(part, name), path.split("."), record)


_OF_LOGBOOK: Final[tuple[File, ...]] = ("logbook",)
_OF_NIGHT: Final[tuple[File, ...]] = ("night",)
_OF_NEITHER: Final[tuple[File, ...]] = ()

_FWHM: Final = "geometric mean of both axes at half maximum, before the pixel's own blur"
_LONG_AXIS: Final = "direction of the long axis in the image, from +x towards +y"
_LINE: Final = "length of the line that stars were drawn out to; unknown if they were not"
_LIGHT: Final = "light of the stars against the best frame of the group"
_IDEAL: Final = "exposure of an ideal frame that would add as much to the stack"
_PLACE: Final = "place of the stars against the group's reference frame, along "
_TURN: Final = "turn of the stars against the reference frame, from +x towards +y"
_SMEAR: Final = "rms of the motion inside the exposure along its main direction, the optics' part taken off"
_SMEAR_PA: Final = "that direction in the group's reference frame, from +x towards +y"

QUANTITIES: Final = (
    Quantity("start_utc", "result.exposure.start_utc", "", "start, UTC", kind=datetime, files=_OF_LOGBOOK),
    Quantity("exposure_s", "result.exposure.exposure_s", "s", "exposure time"),
    Quantity("target", "result.exposure.target", "", "what was looked at", kind=str, files=_OF_LOGBOOK),
    Quantity("filter", "result.exposure.filter", "", "filter before the sensor", kind=str, files=_OF_LOGBOOK),
    Quantity("camera", "result.exposure.camera", "", "camera", kind=str, files=_OF_LOGBOOK),
    Quantity("telescope", "result.exposure.telescope", "", "telescope or lens", kind=str, files=_OF_LOGBOOK),
    Quantity("binning", "result.exposure.binning", "", "binning", kind=int, files=_OF_LOGBOOK),
    Quantity(
        "n_stars",
        "result.stars.n_found",
        "",
        "stars found",
        kind=int,
        decimals=0,
        curve=Curve(4, "stars", "Stars found", "", "more, and steady", floor=0.0),
        column=Column(3, "Stars"),
        latest=Latest(4, "Stars", "stars", 7),
    ),
    Quantity("n_measured_stars", "result.shape.n_measured", "", "good stars that the averages rest on", kind=int),
    Quantity("n_saturated_stars", "result.stars.n_saturated", "", "stars whose core is clipped", kind=int),
    Quantity(
        "fwhm_px",
        "result.shape.fwhm_px",
        "pix",
        _FWHM,
        error="fwhm_px_error",
        decimals=2,
        curve=Curve(1, "fwhm", "FWHM", "px", "smaller is sharper"),
        column=Column(1, "FWHM", "px"),
        latest=Latest(1, "FWHM", "FWHM", 13, sign="px", with_error=True),
    ),
    Quantity("fwhm_px_error", "result.shape.fwhm_px_error", "pix", "standard error of fwhm_px"),
    Quantity(
        "fwhm_arcsec",
        "",
        "arcsec",
        _FWHM,
        files=_OF_NEITHER,
        error="fwhm_arcsec_error",
        decimals=2,
        curve=Curve(1, "fwhm", "FWHM", "″", "smaller is sharper"),
        column=Column(1, "FWHM", "″"),
        latest=Latest(1, "FWHM", "FWHM", 13, sign="″", with_error=True),
    ),
    Quantity(
        "elongation",
        "result.shape.elongation",
        "",
        "long axis over short axis at half maximum; 1 is round",
        error="elongation_error",
        decimals=2,
        curve=Curve(2, "elongation", "Elongation", "", ROUND_ENOUGH, floor=1.0, least_top=1.25, mark=LOOKS_ROUND),
        column=Column(2, "Elong\u00adation"),
        latest=Latest(2, "Elongation", "elong.", 8),
    ),
    Quantity("elongation_error", "result.shape.elongation_error", "", "standard error of elongation"),
    Quantity("elongation_pa_deg", "result.shape.elongation_pa_deg", "deg", _LONG_AXIS),
    Quantity("elongation_pa_sky_deg", "", "deg", "the same, east of north", files=_OF_NEITHER),
    Quantity("moffat_beta", "result.shape.moffat_beta", "", "Moffat exponent of the stars' wings"),
    Quantity(
        "half_flux_radius_px", "result.shape.half_flux_radius_px", "pix", "radius that holds half of a star's light"
    ),
    Quantity("trail_length_px", "result.shape.trail_length_px", "pix", _LINE),
    Quantity(
        "sky_adu",
        "result.sky.level_adu",
        "adu",
        "level of the sky, pedestal included",
        curve=Curve(3, "sky", "Sky", "ADU", "lower is darker"),
        column=Column(4, "Sky", "ADU"),
    ),
    Quantity("sky_noise_adu", "result.sky.noise_adu", "adu", "standard deviation of a pixel of blank sky"),
    Quantity(
        "sky_e_per_s",
        "sky_e_per_s",
        "electron / s",
        "light of the sky in a pixel",
        files=_OF_NIGHT,
        curve=Curve(3, "sky", "Sky", "e⁻ s⁻¹ px⁻¹", "lower is darker"),
    ),
    Quantity(
        "sky_gradient_percent", "result.sky.gradient_percent", "percent", "change of the sky level over the frame"
    ),
    Quantity("ground_share", "result.sky.ground_share", "", "share of the frame that is ground or obstruction"),
    Quantity("ra_deg", "result.exposure.ra_deg", "deg", "right ascension of the pointing", files=_OF_LOGBOOK),
    Quantity("dec_deg", "result.exposure.dec_deg", "deg", "declination of the pointing", files=_OF_LOGBOOK),
    Quantity(
        "transparency",
        "transparency",
        "",
        _LIGHT,
        files=_OF_NIGHT,
        decimals=2,
        curve=Curve(
            5,
            "transparency",
            "Transparency",
            "",
            "1 is the clearest frame of its group",
            floor=0.0,
            least_top=1.05,
            mark=1.0,
        ),
        column=Column(5, "Trans\u00adparency"),
        latest=Latest(3, "Light", "light", 7, is_share=True),
    ),
    Quantity(
        "effective_exposure_s",
        "effective_exposure_s",
        "s",
        _IDEAL,
        files=_OF_NIGHT,
        curve=Curve(
            6,
            "effective",
            "Worth",
            "s",
            "as long as the exposure itself",
            floor=0.0,
            mark="exposure_s",
        ),
        column=Column(6, "Worth", "s", of="exposure_s"),
    ),
    Quantity("shift_x_px", "registration.shift_x_px", "pix", _PLACE + "x", files=_OF_NIGHT),
    Quantity("shift_y_px", "registration.shift_y_px", "pix", _PLACE + "y", files=_OF_NIGHT),
    Quantity("rotation_deg", "registration.rotation_deg", "deg", _TURN, files=_OF_NIGHT),
    Quantity(
        "altitude_deg",
        "altitude_deg",
        "deg",
        "altitude of the target in the middle of the exposure",
        alone="result.exposure.altitude_deg",
    ),
    Quantity("azimuth_deg", "result.exposure.azimuth_deg", "deg", "azimuth of the target", files=_OF_LOGBOOK),
    Quantity(
        "airmass",
        "airmass",
        "",
        "air that the light passed, against straight up",
        alone="result.exposure.airmass",
        files=_OF_NIGHT,
    ),
    Quantity(
        "hour_angle_deg", "hour_angle_deg", "deg", "hour angle of the target, positive to the west", files=_OF_NIGHT
    ),
    Quantity("iso", "result.exposure.iso", "", "sensitivity set, ISO", files=_OF_NEITHER),
    Quantity("f_number", "result.exposure.lens_f_number", "", "focal length over aperture", files=_OF_NEITHER),
    Quantity("focuser_steps", "result.exposure.focuser_steps", "", "place of the focuser", files=_OF_LOGBOOK),
    Quantity("sensor_temp_c", "result.exposure.sensor_temp_c", "deg_C", "temperature of the sensor"),
    Quantity("tube_temp_c", "result.exposure.tube_temp_c", "deg_C", "temperature at tube or focuser"),
    Quantity("smear_px", "", "pix", _SMEAR, files=_OF_NEITHER),
    Quantity("smear_pa_deg", "", "deg", _SMEAR_PA, files=_OF_NEITHER),
)
"""In the order of columns; one more row is one more column, wherever it says."""

BY_NAME: Final = {quantity.name: quantity for quantity in QUANTITIES}


def in_file(file: File) -> tuple[Quantity, ...]:
    """Columns of a table."""
    return tuple(quantity for quantity in QUANTITIES if file in quantity.files)


def shown_as(form: Literal["curve", "column", "latest"], rows: Sequence[Any]) -> tuple[Quantity, ...]:
    """What is shown in a form, in the order of its places; what no frame knows gives way to another of its place."""
    chosen: dict[int, Quantity] = {}
    for quantity in QUANTITIES:
        shape = getattr(quantity, form)
        if shape is not None and (shape.place not in chosen or is_known(quantity, rows)):
            chosen[shape.place] = quantity
    return tuple(chosen[place] for place in sorted(chosen))


def is_known(quantity: Quantity, rows: Sequence[Any]) -> bool:
    """Whether any frame knows it."""
    return any(getattr(row, quantity.name) is not None for row in rows)
