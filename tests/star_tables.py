"""Frames drawn by numpy: stars at known places with known light, as the measuring rooms would hand them on."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from framecheck.field.result import FrameResult, FrameShape
from framecheck.read.exposure import Exposure
from framecheck.sky.model import SkySummary
from framecheck.stars.table import STAR_DTYPE, Stars

Floats = NDArray[np.float64]
START = datetime(2024, 3, 1, 20, tzinfo=UTC)
SIZE = (3000, 2000)


class Field:
    """Stars of a patch of sky larger than the sensor; places in pixels of an unturned, unshifted frame."""

    def __init__(
        self, rng: np.random.Generator, n_stars: int, size: tuple[int, int] = SIZE, margin: float = 0.5
    ) -> None:
        self.rng = rng
        self.size = size
        room = 1 + 2 * margin
        self.x = (rng.random(n_stars) * room - margin) * size[0]
        self.y = (rng.random(n_stars) * room - margin) * size[1]
        # ten times fainter, ten^0.6 times as many: chosen, real counts are steeper
        self.flux = 2000 * rng.random(n_stars) ** (-1 / 0.6)
        self.flux = np.minimum(self.flux, 3e6)


def draw_stars(
    field: Field, *, shift: tuple[float, float] = (0, 0), rotation_deg: float = 0.0, scale: float = 1.0,
    error_px: float | None = 0.05, flux_factor: float = 1.0, flux_noise: float = 50.0, limit_snr: float = 8.0,
    most: int = 1500, missing: float = 0.0, false: int = 0, hot: Floats | None = None, flux_floor: float = 0.0,
) -> NDArray:  # fmt: skip
    """The star table of one frame.

    The transform is OUTPUT's: p' = R (p - c) + c + shift. `missing` is the share of stars lost at random, `false` the
    number of detections that are no stars, `hot` places (n, 2) on the sensor that always shine.
    """
    rng, (width, height) = field.rng, field.size
    c = np.array([(width - 1) / 2, (height - 1) / 2])
    t = np.radians(rotation_deg)
    turn = scale * np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
    p = (np.column_stack([field.x, field.y]) - c) @ turn.T + c + np.array(shift)
    flux = field.flux * flux_factor
    flux = flux * np.exp(flux_floor * rng.standard_normal(len(flux))) + flux_noise * rng.standard_normal(len(flux))
    keep = (p >= 0).all(axis=1) & (p[:, 0] < width) & (p[:, 1] < height)
    keep &= (flux > limit_snr * flux_noise) & (rng.random(len(p)) >= missing)
    p, flux = p[keep], flux[keep]
    error = np.full(len(p), error_px) if error_px is not None else np.maximum(2.0 * flux_noise / flux, 0.005)
    p = p + rng.standard_normal(p.shape) * error[:, None]
    if false:
        p = np.vstack([p, rng.random((false, 2)) * [width, height]])
        flux = np.append(flux, rng.choice(flux, false) if len(flux) else np.full(false, 1000.0))
        error = np.append(error, np.full(false, np.median(error) if len(error) else 0.05))
    if hot is not None:
        p = np.vstack([p, hot + 0.03 * rng.standard_normal(hot.shape)])
        flux = np.append(
            flux, np.quantile(flux, 0.9) * (1 + rng.random(len(hot))) if len(flux) else np.full(len(hot), 1e4)
        )
        error = np.append(error, np.full(len(hot), 0.05))
    order = np.argsort(-flux)[:most]
    table = np.zeros(len(order), STAR_DTYPE)
    table["x"], table["y"] = p[order].T
    table["x_error"] = table["y_error"] = error[order]
    table["flux_adu"], table["flux_error_adu"] = flux[order], flux_noise
    table["snr"] = flux[order] / flux_noise
    table["fwhm_px"] = 3.0
    return table


def make_frame(
    table: NDArray, *, name: str = "light_0001.fits", minutes: float | None = 0.0, size: tuple[int, int] = SIZE,
    exposure_s: float | None = 60.0, fwhm_px: float = 3.0, elongation: float = 1.05, pa_deg: float = 20.0,
    noise_adu: float = 20.0, level_adu: float = 900.0, shape: bool = True, **exposure: object,
) -> FrameResult:  # fmt: skip
    """A frame's result around a star table."""
    facts: dict = {"target": "M 31", "filter": "L", "binning": 1} | exposure
    e, angle = np.log(elongation), 2 * np.radians(pa_deg)
    return FrameResult(
        exposure=Exposure(
            file=Path(name), kind="light", width_px=size[0], height_px=size[1], exposure_s=exposure_s,
            start_utc=None if minutes is None else START + timedelta(minutes=minutes), **facts,
        ),
        sky=SkySummary(
            level_adu=level_adu, noise_adu=noise_adu, gradient_percent=1.0,
            level_mesh_adu=np.full((2, 2), level_adu, np.float32),
        ),
        stars=Stars(table=table, n_found=len(table), n_saturated=0),
        shape=FrameShape(
            fwhm_px=fwhm_px, fwhm_px_error=0.01 * fwhm_px, elongation=elongation, elongation_error=0.01,
            elongation_pa_deg=pa_deg, e1=float(e * np.cos(angle)), e2=float(e * np.sin(angle)), moffat_beta=3.5,
            half_flux_radius_px=0.6 * fwhm_px, trail_length_px=None, n_measured=len(table),
        ) if shape else None,
        stacked=None,
        saturation_adu=None,
    )  # fmt: skip


@pytest.fixture
def sky_field() -> type[Field]:
    return Field


@pytest.fixture
def draw():
    return draw_stars


@pytest.fixture
def frame_of():
    return make_frame
