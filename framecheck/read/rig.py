"""The rig: mount, optics and camera, from rig.toml and from what the headers agree on."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from statistics import median
from typing import Any, Final, Literal

from framecheck.constants import arcsec_of
from framecheck.read.exposure import Exposure
from framecheck.read.grid import PLATE_SOLUTION
from framecheck.read.place import signed_deg
from framecheck.read.rig_keys import MountType as MountType

Origin = Literal["rig file", "saved rig", "header", "plate solution", "calibration frames", "measured", "default"]
WITHOUT_LIGHT: Final = ("overscan", "bias frames", "dark frames")
"""Where an exposure's facts come from if pixels without light told them."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Rig:
    """What is known of the equipment; unknown is None."""

    focal_length_mm: float | None = None
    aperture_mm: float | None = None
    central_obstruction: float | None = None
    """Diameter of the secondary over that of the aperture."""
    lens_f_number: float | None = None
    """Focal length over aperture that a camera lens was set to, if one for all frames."""
    pixel_um: float | None = None
    """Side of one pixel of the files, binning included. [micrometre]"""
    binning: int | None = None
    gain_e_per_adu: float | None = None
    read_noise_e: float | None = None
    saturation_adu: float | None = None
    pedestal_adu: float | None = None
    """Level that stands for no light. [ADU]"""
    clock_ahead_h: float | None = None
    """How far the camera's clock is ahead of UTC, where files do not say it. [h]"""
    mount_type: MountType | None = None
    guided: bool | None = None
    worm_period_s: float | None = None
    camera_angle_deg: float | None = None
    """Position angle of the image's +y axis, east of north. [deg]"""
    site_latitude_deg: float | None = None
    site_longitude_deg: float | None = None
    """East positive. [deg]"""
    solved_scale_arcsec: float | None = None
    """Pixel scale from a world coordinate system, or given as such in the rig file. [arcsec/px]"""
    stated_scale_arcsec: float | None = None
    """Pixel scale that headers claim without a solution to show for it. [arcsec/px]"""
    provenance: Mapping[str, Origin] = field(default_factory=dict)

    @property
    def pixel_scale_arcsec(self) -> float | None:
        """Angle that one pixel of the file spans. [arcsec/px]"""
        if self.solved_scale_arcsec is not None:
            return self.solved_scale_arcsec
        if self.pixel_um is None or self.focal_length_mm is None:
            return self.stated_scale_arcsec
        return arcsec_of(self.pixel_um, self.focal_length_mm)


_SHARED: Final = (
    "focal_length_mm",
    "aperture_mm",
    "pixel_um",
    "binning",
    "gain_e_per_adu",
    "read_noise_e",
    "saturation_adu",
    "pedestal_adu",
    "site_latitude_deg",
    "site_longitude_deg",
    "stated_scale_arcsec",
    "lens_f_number",
)
"""Fields that an exposure and a rig call by the same name."""
_AGREE: Final = 0.01
"""[dimensionless] Chosen: headers that differ by more speak of different equipment or settings."""
_MOST_OF_THEM: Final = 0.9
"""[dimensionless] Chosen: one odd frame in ten does not unmake what the others agree on."""
ANGLES_AGREE_DEG: Final = 2.0
"""[deg] Chosen: flexure and plate solutions scatter by less, a turned camera by more."""


def merge_rig(rig: Rig, exposures: Sequence[Exposure]) -> Rig:
    """Fill what the rig file leaves open with what the headers agree on.

    Parameters
    ----------
    rig : Rig
        From the rig file; what it says wins.
    exposures : sequence of Exposure
        The night's light frames.

    Returns
    -------
    Rig
        A number is the median of the headers' values if nine in ten lie within 1 % of it, else None: a night of two
        binnings or gains has no single one, and each frame's exposure keeps its own. The pixel scale of plate
        solutions is merged in the same way. `provenance` says "rig file", "header", "plate solution" or "calibration
        frames" for every known field, and for `pixel_scale_arcsec`.
    """
    known = {f.name: getattr(rig, f.name) for f in fields(rig) if f.name != "provenance"}
    provenance: dict[str, Origin] = {name: "rig file" for name, value in known.items() if value is not None}
    provenance |= rig.provenance
    merged = replace(rig)
    for name, value in _agreed(exposures).items():
        if value is not None and known[name] is None:
            merged = replace(merged, **{name: value})
            provenance[name] = _origin_in_frames(name, exposures)
    return with_origin_of_scale(replace(merged, provenance=provenance))


def with_origin_of_scale(rig: Rig) -> Rig:
    """The same rig, whose provenance says where its pixel scale comes from."""
    provenance = {name: origin for name, origin in rig.provenance.items() if name != "pixel_scale_arcsec"}
    scale = _origin_of_scale(rig, provenance)
    return replace(rig, provenance=provenance if scale is None else provenance | {"pixel_scale_arcsec": scale})


def _origin_in_frames(name: str, exposures: Sequence[Exposure]) -> Origin:
    """Where a value that the frames agree on comes from."""
    if name in ("solved_scale_arcsec", "camera_angle_deg"):
        return "plate solution"
    sources = {exposure.provenance.get(name) for exposure in exposures if getattr(exposure, name) is not None}
    if sources == {PLATE_SOLUTION}:
        return "plate solution"
    return "calibration frames" if sources and sources <= set(WITHOUT_LIGHT) else "header"


def _agreed(exposures: Sequence[Exposure]) -> dict[str, Any]:
    """What the headers agree on, by the rig's field."""
    values = {name: _agreed_number([getattr(exposure, name) for exposure in exposures]) for name in _SHARED}
    if values["binning"] is not None:
        values["binning"] = round(values["binning"])
    orientations = [exposure.orientation for exposure in exposures if exposure.orientation is not None]
    values["solved_scale_arcsec"] = _agreed_number([lies.pixel_scale_arcsec for lies in orientations])
    values["camera_angle_deg"] = _agreed_angle([lies.north_up_deg for lies in orientations])
    return values


def _agreed_number(values: Sequence[float | None]) -> float | None:
    given = [value for value in values if value is not None]
    if not given:
        return None
    middle = median(given)
    near = sum(abs(value - middle) <= _AGREE * abs(middle) for value in given)
    return middle if near >= _MOST_OF_THEM * len(given) else None


def _agreed_angle(angles_deg: Sequence[float]) -> float | None:
    """Mean direction if nearly all lie close to it; None after a pier flip, which turns the camera by 180 degrees."""
    if not angles_deg:
        return None
    east = sum(math.sin(math.radians(angle)) for angle in angles_deg)
    north = sum(math.cos(math.radians(angle)) for angle in angles_deg)
    mean = math.degrees(math.atan2(east, north)) % 360
    near = sum(abs(signed_deg(angle - mean)) <= ANGLES_AGREE_DEG for angle in angles_deg)
    return mean if near >= _MOST_OF_THEM * len(angles_deg) else None


def _origin_of_scale(rig: Rig, provenance: Mapping[str, Origin]) -> Origin | None:
    """Where the pixel scale comes from; the weaker of two sources counts."""
    if rig.pixel_scale_arcsec is None:
        return None
    if rig.solved_scale_arcsec is not None:
        return provenance.get("solved_scale_arcsec")
    if rig.pixel_um is None or rig.focal_length_mm is None:
        return provenance.get("stated_scale_arcsec")
    origins = {provenance.get("pixel_um"), provenance.get("focal_length_mm")}
    if "plate solution" in origins:
        return "plate solution"
    if origins <= {"rig file", "saved rig"}:
        return "rig file" if origins == {"rig file"} else "saved rig"
    return "header"
