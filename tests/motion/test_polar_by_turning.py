"""The polar error of a lens on a tracker shows in all that is left of the sky's turning, without a plate solution."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from star_tables import make_frame

from framecheck.motion import build_night
from framecheck.motion.polar import PolarError
from framecheck.read import Rig
from framecheck.stars.table import STAR_DTYPE

SIZE, PIXEL_MM, CADENCE_S, EXPOSURE_S = (3000, 2000), 0.006, 122.0, 120.0
SKY_RAD_PER_S = np.radians(15.041 / 3600)  # the sidereal rate: the row TRK-05 of the table of references
POLE = np.array([0.0, 0.0, 1.0])


def turned(axis: np.ndarray, angle: float) -> np.ndarray:
    """Rotation about an axis (Rodrigues' formula, textbook)."""
    x, y, z = axis / np.linalg.norm(axis)
    across = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.asarray(np.eye(3) + np.sin(angle) * across + (1 - np.cos(angle)) * across @ across)


def polar_of(
    focal_mm: float, off_arcmin: float, frames: int, *, swing_arcsec: float = 0.0, phase: float = 0.0,
    distortion: float = 0.0, rate: float = 1.0, knocked: tuple[int, ...] = (), **rig: Any,
) -> PolarError | None:  # fmt: skip
    """What a night says whose tracker turns about an axis beside the pole; drawn here, by exact turns of the sky."""
    rng = np.random.default_rng(7)
    axis = turned(np.array([1.0, 0.4, 0.0]), np.radians(off_arcmin / 60)) @ POLE
    dec = np.radians(40.0)
    camera = np.array([[0, 1, 0], [-np.sin(dec), 0, np.cos(dec)], [np.cos(dec), 0, np.sin(dec)]])
    ahead = (rng.random((600, 2)) - 0.5) * SIZE * 1.3 * PIXEL_MM / focal_mm  # what is in view, and a little beyond
    stars = np.column_stack([ahead, np.ones(len(ahead))]) @ camera
    flux = 2000 * rng.random(len(stars)) ** (-1 / 0.6)
    results = []
    for k in range(frames):
        seconds = k * CADENCE_S + EXPOSURE_S / 2
        swing = np.radians(swing_arcsec / 3600) * np.sin(2 * np.pi * seconds / 480 + phase)
        followed = turned(axis, -(rate * SKY_RAD_PER_S * seconds + swing))
        x, y, depth = camera @ followed.T @ turned(POLE, -SKY_RAD_PER_S * seconds) @ stars.T
        at = np.column_stack([x, y]) / np.where(depth > 0.2, depth, np.nan)[:, None] * focal_mm / PIXEL_MM
        at *= 1 + distortion * (np.hypot(*at.T) / (np.hypot(*SIZE) / 2))[:, None] ** 2
        at += (np.array(SIZE) - 1) / 2
        at += 8.0 * sum(k >= knock for knock in knocked)  # the camera looks elsewhere from then on
        seen = ((at > 0) & (at < SIZE)).all(axis=1)
        table = np.zeros(min(300, int(seen.sum())), STAR_DTYPE)
        order = np.argsort(-flux[seen])[: len(table)]
        table["x"], table["y"] = (at[seen][order] + 0.05 * rng.standard_normal((len(table), 2))).T
        table["x_error"] = table["y_error"] = 0.05
        table["flux_adu"], table["flux_error_adu"], table["fwhm_px"] = flux[seen][order], 50.0, 3.0
        table["snr"] = table["flux_adu"] / 50
        frame = make_frame(table, name=f"{k}.dng", size=SIZE, minutes=k * CADENCE_S / 60, exposure_s=EXPOSURE_S)
        twice = replace(frame.stars, doubled_px=(-8.0, -8.0), doubled_share=0.3) if k in knocked else frame.stars
        results.append(replace(frame, stars=twice))
    known = Rig(focal_length_mm=focal_mm, pixel_um=1e3 * PIXEL_MM, **rig)
    night = build_night(Path(), known, results, (), ())
    return night.tracking[night.groups[0].id].polar


@pytest.mark.parametrize(("focal_mm", "off", "distortion"), [(135, 80.0, 0.0), (50, 20.0, 0.05), (14, 60.0, -0.05)])
def test_twenty_frames_tell_the_polar_error(focal_mm: float, off: float, distortion: float) -> None:
    polar = polar_of(focal_mm, off, 20, swing_arcsec=15.0, distortion=distortion)
    assert polar is not None
    assert polar.value_arcmin == pytest.approx(off, rel=0.03, abs=1.0)
    assert polar.low_arcmin < off < polar.high_arcmin
    assert polar.high_arcmin - polar.low_arcmin < 8.0


def test_knocks_are_no_polar_error() -> None:
    polar = polar_of(135, 5.0, 5, knocked=(1, 2))
    assert polar is not None
    assert polar.low_arcmin < 5.0 < polar.high_arcmin < 30.0


@pytest.mark.parametrize("off", [10.0, 120.0])
@pytest.mark.parametrize("phase", [0.0, 1.6, 3.1])
def test_two_frames_leave_room_for_the_gears_own_swing(off: float, phase: float) -> None:
    polar = polar_of(50, off, 2, swing_arcsec=20.0, phase=phase)
    assert polar is not None
    assert polar.low_arcmin <= off <= polar.high_arcmin
    assert polar.high_arcmin - polar.low_arcmin > 15.0  # 20 arcsec in 480 s run by up to 0.26 arcsec/s: an hour of arc


def test_only_a_lens_that_nothing_guides_is_asked() -> None:
    assert polar_of(135, 80.0, 4, guided=True) is None
    assert polar_of(135, 80.0, 4, mount_type="fixed") is None
    assert polar_of(500, 20.0, 4) is None  # a telescope, on a mount that nothing names
    assert polar_of(24, 0.0, 4, rate=0.5) is None  # half the sky's rate is no polar error
    assert polar_of(24, 0.0, 4, rate=0.0) is None  # a tripod
