"""How plainly a fault is to be seen: the strength of each that counts as clearly visible, from what it does to stars.

Visibility 1 is a star a quarter longer than wide or 22 % wider, at the places and in the frames that the fault
spoils; visibility 2 is twice the strength (in arcseconds, micrometres or nanometres). Chosen; a frame of 200 stars
shows a tenth of that.
"""

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from math import log
from typing import Any, Final

import numpy as np
from node_stars import FOCUS_STEP_UM, cached_transfer
from numpy.typing import NDArray
from scipy import fft

from framecheck.simulate.air import air_transfer
from framecheck.simulate.frame import _pointing
from framecheck.simulate.optics import Grid, aberrations, grid_for
from framecheck.simulate.scenario import Mount, Scenario, SceneOptics
from framecheck.simulate.star_shape import NODES

Floats = NDArray[np.floating[Any]]

WIDER: Final = log(1.22)
LONGER: Final = log(1.25)
CLEAR_SMEAR: Final = 0.32
"""[FWHM] Standard deviation of a motion along one line that makes a star a quarter longer. Closed form for Gaussian
stars: (8 ln 2 s² + 1) = 1.25² at s = 0.32."""
MOST_NM: Final = 1500.0
MOST_UM: Final = 2500.0
"""Bounds of the simulator, nearly."""
MIDDLE: Final = ((0.0, 0.0),)
ASTRAY: Final = {
    "defocus": MIDDLE,
    "sensor-tilt": ((1.0, 0.0), (0.0, 1.0)),
    "field-curvature": ((1.0, 1.0),),
    "coma": ((1.0, 1.0),),
    "miscollimation": MIDDLE,
    "astigmatism": MIDDLE,
    "pinched-optics": MIDDLE,
}
"""Places of the field where each fault of the optics is worst, -1 to 1 from edge to edge."""
FIRST_GUESS: Final = {
    "defocus": 60.0, "sensor-tilt": 120.0, "field-curvature": 60.0,
    "coma": 120.0, "miscollimation": 90.0, "astigmatism": 70.0, "pinched-optics": 90.0,
}  # fmt: skip


def spoilt_optics(optics: SceneOptics, cause: str, strength: float, angle: float) -> SceneOptics:
    """Optics with more of one fault; `strength` in micrometres or nanometres, `angle` its direction. [rad]"""
    c, s = strength * np.cos(angle), strength * np.sin(angle)
    match cause:
        case "defocus":
            return replace(optics, defocus_um=optics.defocus_um + np.copysign(strength, np.cos(angle)))
        case "sensor-tilt":
            return replace(optics, tilt_um=(c, s))
        case "field-curvature":
            return replace(optics, curvature_um=float(np.copysign(strength, np.cos(angle))))
        case "coma":
            return replace(optics, coma_corner_nm=float(np.copysign(strength, np.cos(angle))))
        case "miscollimation":
            return replace(optics, coma_nm=(c, s))
        case "astigmatism":
            return replace(optics, astigmatism_nm=(c, s))
        case "pinched-optics":
            return replace(optics, trefoil_nm=(c, s))
    raise ValueError(f"{cause} is no fault of the optics")


def clear_optics(scenario: Scenario, cause: str, angle: float) -> float:
    """Strength of a fault of the optics at visibility 1; the fault alone, on this rig and under this air."""
    places = ASTRAY[cause]
    seeing = scenario.sky.seeing_arcsec / scenario.scale_arcsec
    healthy = [star_width(scenario, place, seeing) for place in places]
    most = MOST_UM if cause in ("defocus", "sensor-tilt", "field-curvature") else MOST_NM
    ratio = scenario.optics.focal_length_mm / scenario.optics.aperture_mm
    guess = FIRST_GUESS[cause] * ((ratio / 5) ** 2 if most == MOST_UM else 1.0)
    low, high = 0.0, most
    for _ in range(7):
        optics = spoilt_optics(scenario.optics, cause, guess, angle)
        spoilt = [star_width(replace(scenario, optics=optics), place, seeing) for place in places]
        effect = max(_effect(one, other) for one, other in zip(spoilt, healthy, strict=True))
        low, high = (guess, high) if effect < 1 else (low, guess)
        if 0.9 < effect < 1.1:
            break
        step = guess * float(np.clip(max(effect, 1e-3) ** -0.5, 0.3, 3.0))
        guess = step if low < step < high else (low + high) / 2
    return guess


def _effect(spoilt: tuple[float, float], healthy: tuple[float, float]) -> float:
    return max(log(spoilt[0] / healthy[0]) / WIDER, log(spoilt[1] / healthy[1]) / LONGER)


def star_width(
    scenario: Scenario, place: tuple[float, float], seeing_px: float, focus_um: float = 0.0
) -> tuple[float, float]:
    """FWHM before the pixel [px] and elongation of the unmoved star at a place, from its contour at half maximum."""
    size = int(np.clip(8 * np.ceil(seeing_px), 32, 120)) // 2 * 2
    grid = grid_for(scenario, stamp_px=size + 24)
    along_y, along_x = grid.frequencies()
    transfer = _transfer(scenario, grid, place, focus_um) * air_transfer(np.hypot(along_y, along_x), seeing_px)
    profile = fft.fftshift(fft.irfft2(transfer, s=(grid.size, grid.size)))
    y, x = np.nonzero(profile > profile.max() / 2)
    step = grid.oversampling
    area = max(len(x), 1) / step**2
    spread = np.linalg.eigvalsh(np.cov(np.stack([x, y])) + np.eye(2) / 12) if len(x) > 3 else np.ones(2)
    return float(np.sqrt(4 * area / np.pi)), float(np.sqrt(spread[1] / spread[0]))


def _transfer(scenario: Scenario, grid: Grid, place: tuple[float, float], focus_um: float) -> Floats:
    wave = aberrations(scenario, *place, FOCUS_STEP_UM * round(focus_um / FOCUS_STEP_UM))
    return cached_transfer(scenario, grid, wave)


def smear_px(scenario: Scenario, mount: Mount, frames: Sequence[int]) -> Floats:
    """Motion inside exposures with this mount.

    Returns
    -------
    ndarray, shape (n_frames, NODES, NODES)
        Standard deviation along the line of most motion. [px]
    """
    return np.array([_smear(replace(scenario, mount=mount), frame) for frame in frames])


@lru_cache(maxsize=256)
def _smear(scenario: Scenario, frame: int) -> Floats:
    _, _, tracks = _pointing(scenario, frame)
    inner = (tracks[:, :, 1:] + tracks[:, :, :-1]) / 2
    inner = inner - inner.mean(axis=2, keepdims=True)
    covariance = np.einsum("ijtk,ijtl->ijkl", inner, inner) / inner.shape[2]
    return np.asarray(np.sqrt(np.maximum(np.linalg.eigvalsh(covariance)[..., -1], 0)))


def drift_px(scenario: Scenario, mount: Mount) -> float:
    """How far the stars at the middle move from the first frame to any other, dithers left out. [px]"""
    still = replace(scenario, mount=mount, plan=replace(scenario.plan, dither_px=0.0, flip_frame=-1))
    frames = np.unique(np.linspace(0, still.plan.frames - 1, 6).astype(int))
    return float(max(_wandered(still, int(frame)) for frame in frames[1:]))


def _wandered(scenario: Scenario, frame: int) -> float:
    """Shift of the star that the first frame shows in the middle, from the camera's pointing. [px]"""
    from framecheck.simulate.frame import _conditions

    where = []
    for one in (0, frame):
        times, stance, tracks = _pointing(scenario, one)
        seen = _conditions(scenario, stance, times, one, tracks[NODES // 2, NODES // 2])
        where.append((seen.ra_deg, seen.dec_deg))
    (ra0, dec0), (ra1, dec1) = where
    east = ((ra1 - ra0 + 180) % 360 - 180) * np.cos(np.radians(dec0))
    return float(np.hypot(east, dec1 - dec0) * 3600 / scenario.scale_arcsec)
