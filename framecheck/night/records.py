"""The night: its frames set beside each other."""

from cmath import exp
from dataclasses import dataclass
from math import radians
from pathlib import Path

from framecheck.field.result import FrameResult
from framecheck.field.similarity import Similarity
from framecheck.read.exposure import Exposure
from framecheck.read.unlit import Unlit


@dataclass(frozen=True, kw_only=True, slots=True)
class Registration:
    """Where a frame's stars lie against those of its group's reference frame.

    A star at (x, y) in the reference frame lies at (x + shift_x_px, y + shift_y_px) in this one, after turning by
    `rotation_deg` counter-clockwise (from +x towards +y) about the image centre.
    """

    shift_x_px: float
    shift_y_px: float
    rotation_deg: float
    """-180 <= angle < 180."""
    scale: float
    n_common: int
    """Stars that both frames share."""
    rms_px: float
    """Scatter of the common stars about the transform, per axis."""
    shift_error_px: float
    """Standard error of each of the two shifts."""
    rotation_error_deg: float
    flipped: bool
    """True if the frame is turned by about 180 degrees against the reference (a pier flip)."""
    false_match_probability: float = 0.0
    """Upper bound on the chance that unrelated stars would have agreed so well; 0 for the reference itself."""

    def similarity(self, size: tuple[int, int]) -> Similarity:
        """The transform from the reference frame's pixels to this one's, for images of so many pixels."""
        centre = complex((size[0] - 1) / 2, (size[1] - 1) / 2)
        turn = self.scale * exp(1j * radians(self.rotation_deg))
        return Similarity(centre, turn, complex(self.shift_x_px, self.shift_y_px))


@dataclass(frozen=True, kw_only=True, slots=True)
class NightFrame:
    """One frame in its night."""

    result: FrameResult
    group: str
    registration: Registration | None
    """None if no pattern of stars is common with the reference frame."""
    transparency: float | None
    """Light that reaches the sensor, against the best frame (1) of the group, and of its filter's other exposures."""
    transparency_error: float | None
    """None where there is nothing to compare it with."""
    effective_exposure_s: float | None
    """Seconds of an ideal frame of this rig that would add as much to the stack; at most the exposure itself."""
    altitude_deg: float | None
    airmass: float | None
    hour_angle_deg: float | None
    sky_e_per_s: float | None
    """Electrons a pixel a second from the sky; None without gain and either read noise or pedestal."""
    guide_rms_arcsec: tuple[float, float] | None = None
    """Rms of the guide star in right ascension and declination during the exposure; None without a record of it."""

    @property
    def turned_deg(self) -> float:
        """How far the frame is turned against its group's reference, counter-clockwise; 0 where unknown. [deg]"""
        return 0.0 if self.registration is None else self.registration.rotation_deg

    @property
    def place(self) -> Similarity | None:
        """The transform from its group's reference frame; None if it is not registered."""
        size = self.result.exposure.width_px, self.result.exposure.height_px
        return None if self.registration is None else self.registration.similarity(size)


@dataclass(frozen=True, kw_only=True, slots=True)
class InCommon:
    """What the frames of a group share, so that they can be compared."""

    id: str
    session: int = 0
    """Number of the session, 0, 1, ...: one rig, without a gap of hours."""
    target: str | None
    """As the first of the frames spells it."""
    filter: str | None
    exposure_s: float | None
    binning: int | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Group(InCommon):
    """Frames that can be compared: one target, filter, exposure and binning, of one session."""

    reference: int
    """Index in `Night.frames` of the frame that the others are registered to."""
    members: tuple[int, ...]
    """Indices in `Night.frames`, in order of time."""
    total_exposure_s: float | None = None
    """Sum of the members' exposures; None if one is unknown."""
    effective_exposure_s: float | None = None
    """Sum of the members' effective exposures, as far as known; None if none is."""
    median_fwhm_px: float | None = None
    median_elongation: float | None = None
    best_fwhm_px: float | None = None
    """The sharpest stars that the group reaches in one frame of twenty: those of the ideal frame."""
    best_noise_adu: float | None = None
    """The lowest noise of a sky pixel that the group reaches in one frame of twenty: that of the ideal frame."""
    zero_point: str | None = None
    """Id of the first of the groups, of other exposures, that its light is compared with; None if there are none."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Skipped:
    """A file that is no light frame."""

    file: Path
    kind: str
    why: str
    exposure: Exposure | None = None
    """What the header says of a bias or dark frame."""
    unlit: Unlit | None = None
    """What its pixels say; None where they could not be read."""
