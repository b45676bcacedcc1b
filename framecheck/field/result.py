"""All that leaves one frame: small, frozen, serialisable; no pixel goes further."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framecheck.notebook import small_table
from framecheck.read.exposure import Exposure
from framecheck.read.local_time import local_time
from framecheck.read.rig import Rig
from framecheck.sky.model import SkySummary
from framecheck.stars.table import Stars
from framecheck.words import duration, number


@dataclass(frozen=True, kw_only=True, slots=True)
class FrameShape:
    """Typical size and roundness of the stars in one frame. Errors are one standard deviation."""

    fwhm_px: float
    fwhm_px_error: float
    elongation: float
    """Long axis over short axis at half maximum; 1 is round."""
    elongation_error: float
    elongation_pa_deg: float | None
    """Long axis, counter-clockwise from +x, 0 <= pa < 180; None if round within its error."""
    e1: float
    e2: float
    """ln(elongation) times cos and sin of twice the angle: the averages that elongation comes from."""
    moffat_beta: float
    half_flux_radius_px: float
    trail_length_px: float | None
    """Length of the line that the stars were drawn out to, ends of the star's own width left out; None if no
    line explains the shape better than an ellipse does."""
    n_measured: int
    """Good stars that the averages rest on."""
    light_over_profile: float | None = None
    """Light of the typical star over that of its fitted profile, from apertures; None if it was not measured."""


@dataclass(frozen=True, kw_only=True, slots=True)
class StackedStar:
    """The frame's mean star, finer than the pixel."""

    image: NDArray[np.float32]
    """Shape (n, n), centred, peak 1, rows along y."""
    pixel_px: float
    """Side of one of its pixels, in pixels of the frame."""


@dataclass(frozen=True, kw_only=True, slots=True)
class FrameResult:
    """What was measured in one frame."""

    exposure: Exposure
    sky: SkySummary
    stars: Stars
    shape: FrameShape | None
    """None where too few stars are good."""
    stacked: StackedStar | None
    saturation_adu: float | None
    """Level at which the camera clips, given or seen in the pixels; None if nothing is clipped."""

    def _repr_html_(self) -> str:
        """As a notebook shows it."""
        exposure, shape = self.exposure, self.shape
        size = "" if shape is None else f"{shape.fwhm_px:.2f} ± {shape.fwhm_px_error:.2f} px"
        length = "" if shape is None else f"{shape.elongation:.2f} ± {shape.elongation_error:.2f} (1 is round)"
        measured = 0 if shape is None else shape.n_measured
        rows = (
            ("Begun", begun(exposure)),
            ("Exposure", "" if exposure.exposure_s is None else duration(exposure.exposure_s)),
            ("Stars", f"{self.stars.n_found} found, {measured} measured"),
            ("FWHM", size or "too few good stars"),
            ("Long over short axis", length),
            ("Sky", f"{number(self.sky.level_adu)} ± {number(self.sky.noise_adu)} ADU"),
        )
        return small_table(exposure.file.name, rows, about=", ".join(filter(None, (exposure.target, exposure.filter))))


def begun(exposure: Exposure) -> str:
    """When an exposure began, in UTC and by the clock of its place, as far as they are known."""
    if exposure.start_utc is None:
        return "" if exposure.start_local is None else f"{exposure.start_local:%Y-%m-%d %H:%M:%S} by the camera's clock"
    local = local_time(Rig(site_longitude_deg=exposure.site_longitude_deg))
    beside = "" if local is None else f", {local.clock(exposure.start_utc)} {local.name}"
    return f"{exposure.start_utc:%Y-%m-%d %H:%M:%S} UTC{beside}"


@dataclass(frozen=True, kw_only=True, slots=True)
class FrameFailure:
    """One file that could not be measured."""

    exposure: Exposure | None
    file: str
    fault: str
    remedy: str
