"""Frames of a few bytes, and what might have been measured in them."""

import os
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from framecheck.field import FrameResult, FrameShape, StackedStar
from framecheck.read import Exposure
from framecheck.read.exposure import Orientation
from framecheck.sky.model import SkySummary
from framecheck.stars.table import STAR_DTYPE, Stars

SIZE = 400_000
"""[byte] More than is sampled."""
UNSAMPLED = 64 * 1024 + 3 * 4096
"""A byte between two sampled blocks."""


def write_file(path: Path, seed: int = 0) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(np.random.default_rng(seed).bytes(SIZE))
    os.utime(path, ns=(1_700_000_000_123_456_789, 1_700_000_000_123_456_789))
    return path


def result_of(path: Path, seed: int = 0, n_stars: int = 40) -> FrameResult:
    """A result with every kind of value that a record can hold: NaN, minus zero, tiny, odd text, None."""
    rng = np.random.default_rng(seed)
    table = np.zeros(n_stars, STAR_DTYPE)
    for name in STAR_DTYPE.names or ():
        table[name] = rng.normal(100, 9, n_stars)
    table["half_flux_radius_px"][::7] = np.nan
    exposure = Exposure(
        file=path, kind="light", width_px=4656, height_px=3520, exposure_s=0.1 + 0.2, target='M 31 "=1+1" \udcff ☄\n',
        start_utc=datetime(2026, 2, 3, 21, 10, 0, 123457, UTC), ra_deg=-0.0, dec_deg=-41.5, pier_side="west",
        orientation=Orientation(pixel_scale_arcsec=1.1, north_up_deg=3.0, mirrored=True, ra_deg=1.0, dec_deg=2.0),
        conflicts=("one", "two"), provenance={"exposure_s": "EXPTIME"},
    )  # fmt: skip
    shape = FrameShape(
        fwhm_px=float(np.float64(2.7)), fwhm_px_error=float("nan"), elongation=1.1, elongation_error=0.01,
        elongation_pa_deg=None, e1=5e-324, e2=1e17, moffat_beta=3.1, half_flux_radius_px=1.6, trail_length_px=None,
        n_measured=n_stars,
    )  # fmt: skip
    sky = SkySummary(
        level_adu=900.1, noise_adu=20.0, gradient_percent=float("nan"),
        level_mesh_adu=rng.normal(900, 3, (12, 16)).astype(np.float32),
    )  # fmt: skip
    image = rng.normal(size=(21, 21)).astype(np.float32)
    return FrameResult(
        exposure=exposure, sky=sky, shape=shape, saturation_adu=65535.0,
        stars=Stars(table=table, n_found=99, n_saturated=2, doubled_px=(1.5, -0.25)),
        stacked=StackedStar(image=image, pixel_px=0.25),
    )  # fmt: skip


def bits(value: object) -> object:
    """A record as something that compares in every bit, NaN included."""
    if isinstance(value, np.ndarray):
        return value.dtype, value.shape, value.tobytes()
    if hasattr(value, "__dataclass_fields__"):
        return type(value), {name: bits(getattr(value, name)) for name in value.__dataclass_fields__}
    if isinstance(value, tuple):
        return tuple(map(bits, value))
    return type(value), repr(value)
