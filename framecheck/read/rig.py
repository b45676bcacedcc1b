"""The rig: mount, optics and camera, from rig.toml and from what the headers agree on."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from framecheck.constants import ARCSEC_PER_RADIAN

MountType = Literal["fixed", "tracker", "equatorial", "alt-azimuth"]
Origin = Literal["rig file", "header", "measured", "default"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Rig:
    """What is known of the equipment; unknown is None."""

    focal_length_mm: float | None = None
    aperture_mm: float | None = None
    central_obstruction: float | None = None
    """Diameter of the secondary over that of the aperture."""
    pixel_um: float | None = None
    """Side of one pixel of the files, binning included. [micrometre]"""
    binning: int | None = None
    gain_e_per_adu: float | None = None
    read_noise_e: float | None = None
    saturation_adu: float | None = None
    mount_type: MountType | None = None
    guided: bool | None = None
    worm_period_s: float | None = None
    camera_angle_deg: float | None = None
    """Position angle of the image's +y axis, east of north. [deg]"""
    site_latitude_deg: float | None = None
    site_longitude_deg: float | None = None
    """East positive. [deg]"""
    solved_scale_arcsec: float | None = None
    """Pixel scale from a world coordinate system, where a header has one. [arcsec/px]"""
    provenance: Mapping[str, Origin] = field(default_factory=dict)

    @property
    def pixel_scale_arcsec(self) -> float | None:
        """Angle that one pixel of the file spans. [arcsec/px]"""
        if self.solved_scale_arcsec is not None:
            return self.solved_scale_arcsec
        if self.pixel_um is None or self.focal_length_mm is None:
            return None
        return ARCSEC_PER_RADIAN * self.pixel_um * 1e-3 / self.focal_length_mm
