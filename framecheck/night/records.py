"""The night: its frames set beside each other."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from framecheck.field.result import FrameFailure, FrameResult
from framecheck.read.rig import Rig


@dataclass(frozen=True, kw_only=True, slots=True)
class Registration:
    """Where a frame's stars lie against those of its group's reference frame.

    A star at (x, y) in the reference frame lies at (x + shift_x_px, y + shift_y_px) in this one, after turning by
    `rotation_deg` counter-clockwise (from +x towards +y) about the image centre.
    """

    shift_x_px: float
    shift_y_px: float
    rotation_deg: float
    scale: float
    n_common: int
    """Stars that both frames share."""
    rms_px: float
    """Scatter of the common stars about the transform, per axis."""
    shift_error_px: float
    rotation_error_deg: float
    flipped: bool
    """True if the frame is turned by about 180 degrees against the reference (a pier flip)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class NightFrame:
    """One frame in its night."""

    result: FrameResult
    group: str
    registration: Registration | None
    """None if no pattern of stars is common with the reference frame."""
    transparency: float | None
    """Light that reaches the sensor, against the best frame of the group (1)."""
    transparency_error: float | None
    effective_exposure_s: float | None
    """Seconds of an ideal frame of this rig that would add as much to the stack."""
    altitude_deg: float | None
    airmass: float | None
    hour_angle_deg: float | None
    sky_e_per_s: float | None
    """Electrons a pixel a second from the sky; None without gain and a known pedestal."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Group:
    """Frames that can be compared: one target, filter, exposure and binning."""

    id: str
    target: str | None
    filter: str | None
    exposure_s: float | None
    binning: int | None
    reference: int
    """Index in `Night.frames` of the frame that the others are registered to."""
    members: tuple[int, ...]
    """Indices in `Night.frames`, in order of time."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Skipped:
    """A file that is no light frame."""

    file: Path
    kind: str
    why: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Motion:
    """How the pointing moved between exposures, dithers and flips taken out."""

    drift_x_px_per_min: float | None
    drift_y_px_per_min: float | None
    drift_error_px_per_min: float | None
    rotation_deg_per_hour: float | None
    rotation_error_deg_per_hour: float | None
    dithered: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Night:
    """All frames of one folder, measured and set beside each other."""

    folder: Path
    rig: Rig
    frames: tuple[NightFrame, ...]
    """In order of start time."""
    groups: tuple[Group, ...]
    motion: Mapping[str, Motion]
    """Group id -> motion."""
    failures: tuple[FrameFailure, ...]
    skipped: tuple[Skipped, ...]
