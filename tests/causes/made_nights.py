"""Nights made by hand for the causes: every number is chosen here, with the scatter that a healthy night has."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framecheck.field.result import FrameResult, FrameShape
from framecheck.motion.night import Night
from framecheck.night.records import Group, NightFrame
from framecheck.read.exposure import Exposure
from framecheck.read.rig import Rig
from framecheck.sky.model import SkySummary
from framecheck.stars.line import Line
from framecheck.stars.table import STAR_DTYPE, Stars

Values = float | NDArray[Any]
DUSK = datetime(2024, 3, 12, 19, 40, tzinfo=UTC)
RIG = Rig(
    focal_length_mm=775.0, aperture_mm=130.0, pixel_um=3.76, gain_e_per_adu=0.5, read_noise_e=1.5, pedestal_adu=500.0
)
"""One arcsecond a pixel."""
WIDTH, HEIGHT = 3000, 2000
N = 40
AIRMASS = 1.05 + 0.25 * np.linspace(-0.6, 1, N) ** 2
EXTINCTION_MAG = 0.2


def wander(rng: np.random.Generator, n: int, sigma: float) -> NDArray[np.float64]:
    """A slow random change about zero, as that of the air: correlated over some five frames."""
    steps = rng.normal(size=n + 20)
    smooth = np.convolve(steps, np.exp(-np.arange(20) / 5), mode="valid")[:n]
    return sigma * smooth / np.sqrt(np.sum(np.exp(-np.arange(20) / 2.5)))


def make_night(
    *, seed: int = 0, rig: Rig = RIG, exposure_s: float = 120.0, airmass: NDArray[Any] | None = None,
    seeing_arcsec: float = 2.4, widening: Values = 1.0, seeing_change: float = 0.05, elongation: float = 1.06,
    beta: float = 3.4, light: Values = 1.0, sky: Values = 1.0, sky_e_per_s: float = 2.0, slope: Values = 0.02,
    vignetting: float = 0.0, n_found: int = 900, n_saturated: int = 9, n_crossing: Values = 0,
    fwhm_slope: float = 0.0,
) -> Night:  # fmt: skip
    """A night of one target. `light`, `sky` and `widening` multiply what a clear night shows, frame by frame."""
    rng = np.random.default_rng(seed)
    x = AIRMASS if airmass is None else airmass
    n, gain, read = len(x), rig.gain_e_per_adu or 0.5, rig.read_noise_e or 1.5
    fwhm_px = seeing_arcsec * x**0.6 * np.exp(wander(rng, n, seeing_change)) * widening / (rig.pixel_scale_arcsec or 1)
    clear = 10 ** (-0.4 * EXTINCTION_MAG * (x - x.min())) * np.exp(rng.normal(0, 0.01, n)) * light
    sky_rate = sky_e_per_s * x**0.5 * np.exp(wander(rng, n, 0.03)) * sky
    slopes, crossings = np.broadcast_to(slope, n), np.broadcast_to(n_crossing, n)
    frames = []
    for i in range(n):
        level = sky_rate[i] * exposure_s / gain
        result = FrameResult(
            exposure=Exposure(
                file=Path(f"night/light_{i:04d}.fits"), kind="light", width_px=WIDTH, height_px=HEIGHT,
                start_utc=DUSK + timedelta(seconds=1.1 * exposure_s * i), exposure_s=exposure_s,
            ),
            sky=SkySummary(
                level_adu=level + 500, noise_adu=float(np.sqrt(sky_rate[i] * exposure_s + read**2) / gain),
                gradient_percent=100 * abs(slopes[i]), level_mesh_adu=mesh(level, slopes[i], vignetting),
            ),
            stars=Stars(
                table=star_table(rng, fwhm_px[i], fwhm_slope), n_found=int(n_found * min(clear[i], 1)),
                n_saturated=n_saturated, lines=tuple(line_across(i + 7 * k) for k in range(int(crossings[i]))),
            ),
            shape=FrameShape(
                fwhm_px=fwhm_px[i], fwhm_px_error=0.01 * fwhm_px[i], elongation=elongation, elongation_error=0.01,
                elongation_pa_deg=30.0, e1=float(np.log(elongation)), e2=0.0, moffat_beta=beta + rng.normal(0, 0.15),
                half_flux_radius_px=0.6 * fwhm_px[i], trail_length_px=None, n_measured=60,
            ),
            stacked=None, saturation_adu=65535.0,
        )  # fmt: skip
        frames.append(
            NightFrame(
                result=result, group="a", registration=None, transparency=float(clear[i] / np.max(clear)),
                transparency_error=0.008, effective_exposure_s=exposure_s,
                altitude_deg=float(90 - np.degrees(np.arccos(1 / x[i]))),
                airmass=float(x[i]), hour_angle_deg=None, sky_e_per_s=float(sky_rate[i]),
            )
        )  # fmt: skip
    group = Group(
        id="a", target="M 101", filter="L", exposure_s=exposure_s, binning=1, reference=0, members=tuple(range(n))
    )
    return Night(
        folder=Path("night"), rig=rig, frames=tuple(frames), groups=(group,), motion={}, failures=(), skipped=()
    )


def line_across(number: int, **changes: Any) -> Line:
    """A satellite's line from edge to edge, at a place of its own for each number."""
    angle, middle = np.radians(37 * number % 180 + 3), (WIDTH / 2 + 90 * (number % 7), HEIGHT / 2)
    usual: dict[str, Any] = {
        "x0_px": float(middle[0] - 900 * np.cos(angle)), "y0_px": float(middle[1] - 900 * np.sin(angle)),
        "x1_px": float(middle[0] + 900 * np.cos(angle)), "y1_px": float(middle[1] + 900 * np.sin(angle)),
        "fwhm_px": 2.5, "reach_px": 5.0, "light_adu_per_px": 900.0, "light_error_adu_per_px": 2.0, "unevenness": 0.02,
        "open_ends": 0, "look": "trail",
    }  # fmt: skip
    return Line(**(usual | changes))


def mesh(level: float, slope: float, vignetting: float) -> NDArray[np.float32]:
    """Sky above a pedestal of 500: a plane with so much from edge to edge along x, darker in the corners."""
    x, y = np.meshgrid((np.arange(16) + 0.5) / 16 - 0.5, (np.arange(12) + 0.5) / 12 - 0.5)
    return np.float32(500 + level * (1 + slope * x) * (1 - vignetting * 2 * (x**2 + y**2)))


def star_table(rng: np.random.Generator, fwhm_px: float, slope: float) -> NDArray[Any]:
    """Sixty stars over the field; `slope` is the relative change of the FWHM from edge to edge along x."""
    table = np.zeros(60, STAR_DTYPE)
    table["x"], table["y"] = rng.uniform(0, WIDTH, 60), rng.uniform(0, HEIGHT, 60)
    table["fwhm_px"] = fwhm_px * (1 + slope * (table["x"] / WIDTH - 0.5)) * rng.normal(1, 0.02, 60)
    table["fwhm_error_px"], table["snr"], table["flux_adu"] = 0.02 * fwhm_px, 50.0, 2e4
    return table
