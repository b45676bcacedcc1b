"""A judged night as others are set beside it: what night.json tells, read again."""

from dataclasses import dataclass
from datetime import datetime
from math import hypot
from typing import Final

from framecheck.decision.judgement import BudgetTerm, FieldStretches, Range

Fact = float | str | None

RIG_FACTS: Final = (
    "focal_length_mm", "aperture_mm", "pixel_um", "binning", "pixel_scale_arcsec", "mount_type", "worm_period_s",
    "camera_angle_deg",
)  # fmt: skip
"""Of night.json's `rig`: what makes one rig another."""


@dataclass(frozen=True, kw_only=True, slots=True)
class PastFrame:
    """A measured frame; unknown is None."""

    file: str
    group: str | None
    start_utc: datetime | None
    exposure_s: float | None
    grade: str | None
    fwhm_px: float | None
    elongation: float | None
    smear_px: float | None
    """Rms of the motion inside the exposure, along its main direction."""
    airmass: float | None
    effective_exposure_s: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class PastGroup:
    """What the frames of the largest group have in common."""

    id: str
    target: str | None
    filter: str | None
    exposure_s: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Course:
    """Pointing of the largest group between exposures, dithers and flips taken out."""

    minutes: tuple[float, ...]
    first: tuple[float, ...]
    second: tuple[float, ...]
    in_arcsec: bool
    """False if in pixels: the axes are not known."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Named:
    """A cause that was found."""

    cause: str
    confidence: float
    cost: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class PastNight:
    """A judged night."""

    name: str
    """What it is called among others."""
    folder: str
    version: str | None
    """Of framecheck, that judged it."""
    rig: dict[str, Fact]
    """By the names of `RIG_FACTS`."""
    main: PastGroup | None
    """The largest group."""
    frames: tuple[PastFrame, ...]
    """Measured ones, in order of time."""
    budget: tuple[BudgetTerm, ...] = ()
    polar_error_arcmin: Range | None = None
    course: Course | None = None
    field: FieldStretches | None = None
    causes: tuple[Named, ...] = ()

    @property
    def scale_arcsec(self) -> float | None:
        """Arcseconds a pixel."""
        scale = self.rig.get("pixel_scale_arcsec")
        return scale if isinstance(scale, float) else None

    @property
    def main_frames(self) -> tuple[PastFrame, ...]:
        """Those of the largest group."""
        return tuple(frame for frame in self.frames if self.main is not None and frame.group == self.main.id)

    @property
    def start_utc(self) -> datetime | None:
        """Of the first frame that knows it."""
        return min((frame.start_utc for frame in self.frames if frame.start_utc is not None), default=None)

    @property
    def air_share(self) -> float | None:
        """Part of the squared FWHM that the air makes."""
        return next((term.share for term in self.budget if term.term == "atmosphere"), None)

    @property
    def sensor_arcmin(self) -> tuple[float, float] | None:
        """Field of view."""
        if self.field is None or self.scale_arcsec is None:
            return None
        return self.field.width_px * self.scale_arcsec / 60, self.field.height_px * self.scale_arcsec / 60


def budget_fwhm_arcsec(night: PastNight) -> float | None:
    """Recorded width that the budget's terms make together."""
    widths = [term.fwhm_arcsec for term in night.budget]
    return None if not widths or any(width is None for width in widths) else hypot(*(width or 0.0 for width in widths))
