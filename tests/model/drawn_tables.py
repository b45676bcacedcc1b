"""Star tables drawn by numpy: stars of given width and shape, strewn over a frame, with errors as they say."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from framecheck.field.result import FrameResult, FrameShape
from framecheck.night.records import NightFrame
from framecheck.read.exposure import Exposure
from framecheck.sky.model import SkySummary
from framecheck.stars.table import STAR_DTYPE, Stars

WIDTH, HEIGHT = 3000, 2000
DUSK = datetime(2024, 3, 12, 19, 40, tzinfo=UTC)


def places(n: int, seed: int) -> np.ndarray:
    """Places strewn at random, x + iy in pixels."""
    rng = np.random.default_rng(seed)
    return rng.random(n) * WIDTH + 1j * rng.random(n) * HEIGHT


def on_the_diagonal(at: np.ndarray) -> np.ndarray:
    """Places from the centre; the corners lie at 1."""
    return (at - (WIDTH - 1 + 1j * (HEIGHT - 1)) / 2) / np.hypot(WIDTH - 1, HEIGHT - 1) * 2


def frame_of_stars(
    *, n: int, fwhm_px: float | np.ndarray, e: complex | np.ndarray = 0j, comet: complex = 0j, lobes: complex = 0j,
    seed: int = 1, number: int = 0, beta: float = 3.6, noise: float = 0.002,
) -> NightFrame:  # fmt: skip
    """A frame; `noise` is the relative error of each width."""
    rng = np.random.default_rng([seed, number])
    at = places(n, seed)
    table = np.zeros(n, STAR_DTYPE)
    table["x"], table["y"] = at.real, at.imag
    table["snr"] = 100
    table["fwhm_px"] = fwhm_px * (1 + noise * rng.standard_normal(n))
    table["fwhm_error_px"] = noise * table["fwhm_px"]
    e = np.broadcast_to(e, n) + noise * (rng.standard_normal(n) + 1j * rng.standard_normal(n))
    table["e1"], table["e2"], table["e1_error"], table["e2_error"] = e.real, e.imag, noise, noise
    table["coma1"], table["coma2"] = np.real(comet), np.imag(comet)
    table["trefoil1"], table["trefoil2"], table["third_error"] = np.real(lobes), np.imag(lobes), noise
    long = float(np.exp(np.abs(np.mean(e))))
    shape = FrameShape(
        fwhm_px=float(np.median(table["fwhm_px"])), fwhm_px_error=0.01, elongation=long, elongation_error=0.01,
        elongation_pa_deg=None, e1=float(np.mean(e.real)), e2=float(np.mean(e.imag)), moffat_beta=beta,
        half_flux_radius_px=1.8, trail_length_px=None, n_measured=n,
    )  # fmt: skip
    exposure = Exposure(
        file=Path(f"light_{number:03d}.fits"), kind="light", width_px=WIDTH, height_px=HEIGHT, exposure_s=60.0,
        start_utc=DUSK + timedelta(seconds=70 * number),
    )  # fmt: skip
    sky = SkySummary(level_adu=500.0, noise_adu=5.0, gradient_percent=1.0, level_mesh_adu=np.zeros((1, 1), np.float32))
    result = FrameResult(
        exposure=exposure, sky=sky, stars=Stars(table=table, n_found=n, n_saturated=0), shape=shape, stacked=None,
        saturation_adu=None,
    )  # fmt: skip
    return NightFrame(
        result=result, group="a", registration=None, transparency=None, transparency_error=None,
        effective_exposure_s=None, altitude_deg=None, airmass=None, hour_angle_deg=None, sky_e_per_s=None,
    )  # fmt: skip
