"""Nights of Gaussian stars that a mount moved by so much: squared widths add, so every expected number is closed."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import erf
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from framecheck.causes.catalogue import CAUSES
from framecheck.causes.result import Finding
from framecheck.field.result import FrameResult, FrameShape
from framecheck.model.parts import Parts
from framecheck.motion.night import Night
from framecheck.motion.records import Motion
from framecheck.motion.tracking import track_group
from framecheck.night.records import Group, NightFrame, Registration
from framecheck.read.exposure import Exposure
from framecheck.read.rig import Rig
from framecheck.sky.model import SkySummary
from framecheck.stars.table import STAR_DTYPE, Stars

Floats = NDArray[np.float64]
FWHM2 = 8 * np.log(2)  # squared FWHM of a Gaussian over its variance
DUSK = datetime(2024, 3, 1, 20, tzinfo=UTC)
GAUSSIAN = 60.0  # Moffat exponent that is none
RIG = Rig(focal_length_mm=775.43, aperture_mm=200.0, pixel_um=3.76, guided=True, read_noise_e=1.5)
"""One arcsecond a pixel."""
STILL = Motion(
    drift_x_px_per_min=None, drift_y_px_per_min=None, drift_error_px_per_min=None, rotation_deg_per_hour=None,
    rotation_error_deg_per_hour=None, dithered=False,
)  # fmt: skip
HERE = Registration(
    shift_x_px=0.0, shift_y_px=0.0, rotation_deg=0.0, scale=1.0, n_common=200, rms_px=0.1, shift_error_px=0.01,
    rotation_error_deg=0.001, flipped=False,
)  # fmt: skip


def moved_night(
    covariance_px2: Floats, *, rest_px: float | Floats = 2.5, rig: Rig = RIG, exposure_s: float = 120.0,
    beta: float = GAUSSIAN, airmass: Floats | None = None, motion: Motion = STILL, error: float = 0.004,
    guide_rms_arcsec: tuple[float, float] | None = None, line_px: float | None = None,
) -> Night:  # fmt: skip
    """A night of one target whose stars were moved by these covariances (xx, yy, xy), shape (n, 3) or (3,); or evenly
    along x, by so many pixels in each exposure."""
    moved = np.atleast_2d(covariance_px2).astype(float)
    n = len(moved) if len(moved) > 1 else 30
    moved = np.broadcast_to(moved, (n, 3))
    rest = np.broadcast_to(rest_px, n)
    frames = []
    for i in range(n):
        shape = gaussian_shape(float(rest[i]), moved[i], beta, error)
        if line_px is not None:
            shape = lined_shape(float(rest[i]), line_px, error)
        frames.append(
            NightFrame(
                result=FrameResult(
                    exposure=Exposure(
                        file=Path(f"night/light_{i:04d}.fits"), kind="light", width_px=3000, height_px=2000,
                        exposure_s=exposure_s, start_utc=DUSK + timedelta(seconds=130 * i),
                    ),
                    sky=SkySummary(level_adu=900.0, noise_adu=20.0, gradient_percent=1.0,
                                   level_mesh_adu=np.full((2, 2), 900.0, np.float32)),
                    stars=Stars(table=np.zeros(0, STAR_DTYPE), n_found=300, n_saturated=0),
                    shape=shape, stacked=None, saturation_adu=None,
                ),
                group="a", registration=HERE, transparency=1.0, transparency_error=0.01,
                effective_exposure_s=exposure_s * min((float(rest.min()) / shape.fwhm_px) ** 2, 1.0), altitude_deg=60.0,
                airmass=None if airmass is None else float(airmass[i]), hour_angle_deg=None, sky_e_per_s=2.0,
                guide_rms_arcsec=guide_rms_arcsec,
            )
        )  # fmt: skip
    widths = [frame.result.shape.fwhm_px for frame in frames if frame.result.shape is not None]
    group = Group(
        id="a", target="M 101", filter="L", exposure_s=exposure_s, binning=1, reference=0, members=tuple(range(n)),
        total_exposure_s=n * exposure_s, effective_exposure_s=n * exposure_s, median_fwhm_px=float(np.median(widths)),
        median_elongation=1.1, best_fwhm_px=float(np.quantile(widths, 0.05)), best_noise_adu=20.0,
    )  # fmt: skip
    night = Night(
        folder=Path("night"),
        rig=rig,
        frames=tuple(frames),
        groups=(group,),
        motion={"a": motion},
        failures=(),
        skipped=(),
    )
    return replace(night, tracking={"a": track_group(group, night.frames, motion, rig)})


def moved_parts(
    covariance_px2: Floats, *, rest_px: float | Floats = 2.5, line_px: float | None = None, airy_px: float = 0.6,
    soft: float = 0.0, seen: float = 1.0,
) -> Parts:  # fmt: skip
    """The same stars taken apart, in 40 draws: optics make the share `soft` of the squared width at rest, and only the
    share `seen` of the draws holds what of the motion is alike in all directions."""
    moved = np.atleast_2d(covariance_px2).astype(float)
    n = len(moved) if len(moved) > 1 else 30
    xx, yy, xy = np.broadcast_to(moved, (n, 3)).T
    mean, half = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    rest2 = np.broadcast_to(rest_px, n).astype(float) ** 2
    turn = np.exp(1j * np.arctan2(2 * xy, xx - yy))
    round_ = (mean - half) * (np.arange(40) < 40 * seen)[:, None]
    along2, shape = FWHM2 * 2 * half, FWHM2 * half * turn
    if line_px is not None:
        lined = lined_shape(float(np.sqrt(rest2[0])), line_px, 0.0)
        shape = np.full(n, lined.fwhm_px**2 * np.sinh(lined.e1) + 0j)
        along2, half = np.full(n, lined.fwhm_px**4 / rest2[0] - rest2[0]), np.full(n, line_px**2 / 24)
    wide2 = rest2 + FWHM2 * (mean - half * (line_px is None))
    total2 = np.broadcast_to(np.sqrt(wide2 * (wide2 + along2)), (40, n))
    still2 = np.where(round_ + 0 * total2 > 0, rest2, wide2)
    return Parts(
        frames=tuple(range(n)), total_px2=total2, still_px2=still2, focused_px2=(1 - soft) * still2,
        own_px2=0 * still2, diffraction_px2=airy_px**2, along_px2=np.broadcast_to(2 * half, (40, n)),
        round_px2=np.broadcast_to(round_, (40, n)), shape_px2=shape, still_shape_px2=0 * shape,
    )  # fmt: skip


def gaussian_shape(rest_px: float, covariance_px2: Floats, beta: float, error: float) -> FrameShape:
    """The shape of a round Gaussian star moved by a Gaussian motion."""
    xx, yy, xy = covariance_px2
    mean, half, turn = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy), np.arctan2(2 * xy, xx - yy)
    long, short = (float(np.sqrt(rest_px**2 + FWHM2 * (mean + sign * half))) for sign in (1, -1))
    return shape_of(long, short, float(turn), beta, error)


def lined_shape(rest_px: float, line_px: float, error: float) -> FrameShape:
    """The shape of a round Gaussian star drawn along x, its half maximum from the error function: TRK-52."""
    sigma = rest_px / np.sqrt(FWHM2) * np.sqrt(2)

    def light(x: float) -> float:
        return erf((x + line_px / 2) / sigma) - erf((x - line_px / 2) / sigma)

    half = optimize.brentq(lambda x: light(x) - light(0) / 2, 0, rest_px + line_px)
    return shape_of(2 * half, rest_px, 0.0, GAUSSIAN, error)


def shape_of(long: float, short: float, turn: float, beta: float, error: float) -> FrameShape:
    """A shape from its axes at half maximum and twice its angle."""
    e, fwhm = float(np.log(long / short)), float(np.sqrt(long * short))
    return FrameShape(
        fwhm_px=fwhm, fwhm_px_error=error * fwhm, elongation=float(np.exp(e)), elongation_error=error,
        elongation_pa_deg=float(np.degrees(turn) / 2 % 180), e1=float(e * np.cos(turn)), e2=float(e * np.sin(turn)),
        moffat_beta=beta, half_flux_radius_px=0.5 * fwhm, trail_length_px=None, n_measured=200,
    )  # fmt: skip


def random_motion(rng: np.random.Generator, n: int, rms_px: float, independent: int) -> Floats:
    """Covariances of so many independent places of a random motion in each of n exposures, alike on both axes."""
    places = rng.normal(0, rms_px, (n, independent, 2))
    places -= places.mean(axis=1, keepdims=True)
    x, y = places[..., 0], places[..., 1]
    out: Floats = np.stack([(x**2).mean(1), (y**2).mean(1), (x * y).mean(1)], axis=1)
    return out


def found(cause: str, confidence: float = 0.9, cost: float = 0.3, frames: int = 30) -> Finding:
    """A finding as a cause would hand it over."""
    return Finding(
        cause=cause, confidence=confidence, affected=frozenset(range(frames)), cost=cost, cures=CAUSES[cause].cures,
        caution=CAUSES[cause].caution,
    )  # fmt: skip
