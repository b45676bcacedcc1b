"""What is known of an exposure: the words of many header dialects, in ours."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from math import cos, radians, sin
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import arcsec_of

Kind = Literal["light", "dark", "flat", "bias", "unknown"]
ValueScale = Literal["ADU", "8 bit", "0 to 1"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Orientation:
    """How the sensor lies on the sky, from a world coordinate system in the header."""

    pixel_scale_arcsec: float
    north_up_deg: float
    """Position angle of the image's +y axis, east of north. [deg]"""
    mirrored: bool
    """True if east is clockwise from north in the image (an odd number of reflections)."""
    ra_deg: float
    dec_deg: float
    """Right ascension and declination of the image centre, J2000."""

    @property
    def east(self) -> complex:
        """Unit vector in the image that points east on the sky, x + iy."""
        hand = 1.0 if self.mirrored else -1.0  # +x lies at the position angle of +y plus or minus 90 degrees
        return complex(hand * cos(radians(self.north_up_deg)), sin(radians(self.north_up_deg)))

    @property
    def north(self) -> complex:
        """Unit vector in the image that points north on the sky, x + iy."""
        return self.east * (1j if self.mirrored else -1j)

    def on_sky(self, shift_px: Any) -> tuple[Any, Any]:
        """Towards east and north on the sky, of shifts x + iy in the image. [arcsec]"""
        east, north = ((shift_px * axis.conjugate()).real for axis in (self.east, self.north))
        return self.pixel_scale_arcsec * east, self.pixel_scale_arcsec * north


@dataclass(frozen=True, kw_only=True, slots=True)
class Exposure:
    """One exposure as its header tells it. Unknown is None, never a guess."""

    file: Path
    kind: Kind
    width_px: int
    height_px: int
    """Size of the array as stored, overscan included."""
    start_utc: datetime | None = None
    start_local: datetime | None = None
    """The start by a clock that does not name its zone, which this date does not either; None where UTC is known."""
    exposure_s: float | None = None
    target: str | None = None
    filter: str | None = None
    binning: int | None = None
    camera: str | None = None
    telescope: str | None = None
    focal_length_mm: float | None = None
    aperture_mm: float | None = None
    lens_f_number: float | None = None
    """Focal length over the aperture as the lens was set."""
    pixel_um: float | None = None
    """Side of one pixel of this file, binning included. [micrometre]"""
    gain_e_per_adu: float | None = None
    read_noise_e: float | None = None
    saturation_adu: float | None = None
    pedestal_adu: float | None = None
    """Level that stands for no light, where the header names it. [ADU]"""
    overscan_adu: float | None = None
    """Level of the overscan, where the array has some. [ADU]"""
    overscan_noise_adu: float | None = None
    """Noise of one of its pixels. [ADU]"""
    processed: bool = False
    """True if it is no bare readout: real numbers, or a header that says that bias or dark were taken off."""
    camera_gain_setting: float | None = None
    iso: float | None = None
    """Sensitivity that a camera was set to, where it counts it so; its gain setting then too."""
    camera_offset_setting: float | None = None
    sensor_temp_c: float | None = None
    tube_temp_c: float | None = None
    """Temperature at the focuser or tube. [deg C]"""
    focuser_steps: float | None = None
    ra_deg: float | None = None
    dec_deg: float | None = None
    altitude_deg: float | None = None
    azimuth_deg: float | None = None
    airmass: float | None = None
    hour_angle_deg: float | None = None
    """At the middle of the exposure, positive to the west. [deg]"""
    pier_side: Literal["east", "west"] | None = None
    site_latitude_deg: float | None = None
    site_longitude_deg: float | None = None
    """East positive. [deg]"""
    orientation: Orientation | None = None
    stated_scale_arcsec: float | None = None
    """Pixel scale that the header claims without a solution to show for it. [arcsec/px]"""
    rows_top_down: bool | None = None
    """True if the first row stored is the top of the picture."""
    mosaic_pattern: str | None = None
    """Colours of the first 2 x 2 pixels as stored, row by row, such as "RGGB"; None without a mosaic."""
    value_scale: ValueScale = "ADU"
    """Scale of the pixel values; what a header alone cannot tell is taken for ADU until the pixels are read."""
    light_area: tuple[int, int, int, int] | None = None
    """Left, bottom, right and top of the pixels that see the sky, right and top just beyond; None if all do. [px]"""
    plane: str | None = None
    """Which plane of a colour image was measured; None for a plain image."""
    conflicts: tuple[str, ...] = ()
    """Statements of the header that contradict each other, one sentence each."""
    provenance: Mapping[str, str] = field(default_factory=dict)
    """Field name -> header keyword that it came from."""

    @property
    def first_row_on_top(self) -> bool:
        """Where pictures have the first row stored: at the bottom, as FITS counts, unless the file says otherwise."""
        return bool(self.rows_top_down)

    @property
    def pixel_scale_arcsec(self) -> float | None:
        """Angle that one pixel of the file spans, as far as the header tells. [arcsec/px]"""
        if self.orientation is not None:
            return self.orientation.pixel_scale_arcsec
        if self.pixel_um is None or self.focal_length_mm is None:
            return self.stated_scale_arcsec
        return arcsec_of(self.pixel_um, self.focal_length_mm)

    @property
    def start_by_clock(self) -> datetime | None:
        """The start in UTC, or, where its zone is not known, local time as though it were: for differences only."""
        if self.start_utc is None and self.start_local is not None:
            return self.start_local.replace(tzinfo=UTC)
        return self.start_utc

    @property
    def middle_by_clock(self) -> datetime | None:
        """The middle of the exposure in the same way."""
        start = self.start_by_clock
        return None if start is None else start + timedelta(seconds=(self.exposure_s or 0.0) / 2)

    @property
    def middle_utc(self) -> datetime | None:
        """The middle of the exposure."""
        return None if self.start_utc is None else self.middle_by_clock


@dataclass(frozen=True, kw_only=True, slots=True)
class Frame:
    """An exposure with its pixels, as they are stored: no interpolation, no calibration."""

    exposure: Exposure
    pixels: NDArray[Any]
    """Those that see the sky, shape (height, width); uint16 where the file's values allow, else float32 with NaN for
    undefined."""
    mosaic: str | None = None
    """Colours of the first 2 x 2 pixels, row by row ("RGGB"); None if every pixel sees the same light."""
    hidden_noise_adu: float = 0.0
    """Noise that compression may have taken away, so that less than that is not believed. [ADU]"""

    @property
    def corner_px(self) -> tuple[int, int]:
        """Where the first of the pixels lies in the array as stored: x and y."""
        return (0, 0) if self.exposure.light_area is None else self.exposure.light_area[:2]

    def __post_init__(self) -> None:
        if self.pixels.ndim != 2 or self.pixels.dtype not in (np.uint16, np.float32):
            raise ValueError(f"pixels must be 2-D uint16 or float32, not {self.pixels.dtype}{self.pixels.shape}")
