"""Stars at the nodes of a simulated field, laid out in a small frame and measured as any frame is.

The sample frame holds the star of each of the simulator's nodes at several pixel phases, bright and alone. What
`measure_stars` says of it is what it would say of stars without noise: its biases, and its failures, come for free.
"""

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from framecheck.read.exposure import Exposure, Frame
from framecheck.simulate.air import air_transfer
from framecheck.simulate.optics import Aberrations, Grid, aberrations, grid_for, optical_transfer
from framecheck.simulate.scenario import Camera, Scenario, SceneOptics
from framecheck.simulate.star_shape import NODES, blur_extent_px, motion_transfer
from framecheck.sky.model import Sky
from framecheck.stars.measure import Measured, measure_stars

PHASES: Final = (4, 2, 2)
"""Chosen: stars of each node inside the field, at its edges and in its corners, about as the area that they stand
for: the frame's typical star is then that of stars spread evenly."""
TRAIL_PHASES: Final = (1, 1, 1)
"""Chosen: long trails cost more, and pixel phases matter less to them."""
LONG_TRACK_PX: Final = 8.0
FLUX_ADU: Final = 1e5
TRUE_SNR: Final = 1000.0
"""Chosen: noise moves no figure of a node by more than a quarter of a per cent."""
LEAST_SNR: Final = 40.0
MOST_SNR: Final = 500.0
"""Chosen: between them lies the brightness that the sample's stars are said to have."""
APART: Final = 22.0
"""[star lengths] Closed form: 2.5 lengths around each cover 4 % of the frame, and of twice as many halves 8 %."""
WEIGHTY: Final = 240
"""Brightest stars of a frame that settle its common figures (`WING_STARS` of the measuring)."""
LEAST_STAMP_PX: Final = 32
MOST_STAMP_PX: Final = 240
FOCUS_STEP_UM: Final = 2.0
"""[micrometre] That of the simulator."""
HALO_PX: Final = 6.0
DEW_BLUR: Final = 0.6
"""Those of the simulator's dew."""
NO_LIGHT: Final = 1e-3
"""[dimensionless] Where the air passes less of a detail than this, motion need not be computed."""


@dataclass(frozen=True, slots=True)
class Sample:
    """The sample frame: its stars' truth and what was measured."""

    node: NDArray[np.intp]
    """Of each star, rows of nodes from low y to high y."""
    x: NDArray[np.floating]
    y: NDArray[np.floating]
    noise_adu: float
    """The noise that the measuring was told of."""
    noise_share: float
    """True variance of the noise over that."""
    gain: float
    """Electrons an ADU that it was told of."""
    measured: Measured


@dataclass(frozen=True, slots=True)
class Light:
    """How bright the stars of the frame are against its noise, which decides what measuring can tell."""

    fluxes_adu: NDArray[np.floating]
    """Of the stars on the sensor, shape (n,)."""
    noise_adu: float
    gain: float


def measured_sample(
    scenario: Scenario, tracks_px: NDArray[Any], light: Light, *,
    seeing_px: float, focus_shift_um: float, dew: float, seed: int,
) -> Sample:  # fmt: skip
    """Draw the stars of all nodes and measure them.

    The stars have nearly no noise; the measuring is told of as much as makes them as telling, together, as the
    frame's own brightest stars are.

    Parameters
    ----------
    scenario : Scenario
    tracks_px : ndarray, shape (NODES, NODES, n_times, 2)
        Path of a star at each node, about its mean. [px]
    light : Light
        Of the frame.
    seeing_px, focus_shift_um, dew : float
        As `framecheck.simulate.star_shape.star_shapes` takes them.
    seed : int
        Of the sample's own small noise and of its layout.
    """
    chance = np.random.default_rng(seed)
    stamps, at, node = node_stamps(scenario, tracks_px, seeing_px, focus_shift_um, dew, chance)
    n, size = len(stamps), stamps.shape[1]
    columns = int(np.ceil(np.sqrt(n)))
    rows = -(-n // columns)
    # so far apart that they do not count as crowded, and the sky that the measuring was told of is believed
    pitch = max(size + 8, int(np.ceil(APART * _length_px(stamps))))
    slack = pitch - size
    sharpness = float(np.sqrt(np.median((stamps**2).sum(axis=(1, 2)))))
    noise = FLUX_ADU * sharpness / TRUE_SNR
    told = FLUX_ADU * sharpness / _telling_snr(light, sharpness, n)
    pixels = chance.standard_normal((rows * pitch, columns * pitch), dtype=np.float32)
    pixels *= np.float32(noise)
    pixels += np.float32(1000)
    x, y = np.empty(n), np.empty(n)
    for i, place in enumerate(chance.permutation(rows * columns)[:n]):
        top = (place // columns) * pitch + int(chance.integers(0, slack))
        left = (place % columns) * pitch + int(chance.integers(0, slack))
        pixels[top : top + size, left : left + size] += np.float32(FLUX_ADU) * stamps[i]
        x[i], y[i] = left + at[i, 0], top + at[i, 1]
    gain = light.gain * light.noise_adu / told  # so that the stars' own light adds as large a share
    return Sample(node, x, y, told, (noise / told) ** 2, gain, _measure(pixels, told, gain))


def _length_px(stamps: NDArray[np.float32]) -> float:
    """Longest side of the typical star's region above half of its peak. [px]"""
    high = stamps > stamps.max(axis=(1, 2), keepdims=True) / 2
    sides = [high.any(axis=axis).sum(axis=1) for axis in (1, 2)]
    return float(np.median(np.maximum(*sides)))


def _telling_snr(light: Light, sharpness: float, n: int) -> float:
    """SNR of `n` equal stars that are together as telling as the frame's brightest ones."""
    brightest = np.sort(light.fluxes_adu)[-WEIGHTY:] * sharpness / light.noise_adu
    together = float(np.sqrt(np.sum(np.minimum(brightest, MOST_SNR) ** 2) / n))
    return float(np.clip(together, LEAST_SNR, MOST_SNR))


def _measure(pixels: NDArray[np.float32], noise_adu: float, gain: float) -> Measured:
    height, width = pixels.shape
    exposure = Exposure(file=Path("sample"), kind="light", width_px=width, height_px=height)
    sky = Sky(
        level_adu=np.full((2, 2), 1000, np.float32),
        noise_adu=np.full((2, 2), noise_adu, np.float32),
        x_centres=np.array([0.25, 0.75], np.float32) * width,
        y_centres=np.array([0.25, 0.75], np.float32) * height,
        shape=(height, width),
    )
    return measure_stars(Frame(exposure=exposure, pixels=pixels), sky, saturation_adu=1e9, gain=gain)


def node_stamps(
    scenario: Scenario,
    tracks_px: NDArray[Any],
    seeing_px: float,
    focus_shift_um: float,
    dew: float,
    chance: np.random.Generator,
) -> tuple[NDArray[np.float32], NDArray[np.floating], NDArray[np.intp]]:
    """Stars of unit flux at all nodes and phases, integrated over pixels; the places of their middles; their nodes."""
    focus = FOCUS_STEP_UM * round(focus_shift_um / FOCUS_STEP_UM)
    extent = 2 * float(np.abs(tracks_px).max()) + 0.6 * blur_extent_px(scenario, focus, seeing_px)
    extent += 2.5 * HALO_PX * (dew > 0)
    size = int(np.clip(8 * np.ceil((LEAST_STAMP_PX / 2 + extent) / 8), LEAST_STAMP_PX, MOST_STAMP_PX))
    grid = grid_for(scenario, stamp_px=size)
    common, reach = _common_transfer(grid, seeing_px, dew)
    along_y, along_x = grid.frequencies()
    rows = np.flatnonzero(np.abs(along_y[:, 0]) <= reach)
    columns = int(np.searchsorted(along_x[0], reach, side="right"))
    stamps, at, node, step = [], [], [], grid.oversampling
    phases = TRAIL_PHASES if np.ptp(tracks_px, axis=2).max() > LONG_TRACK_PX else PHASES
    places = np.linspace(-1, 1, NODES)
    for row in range(NODES):
        for column in range(NODES):
            wave = aberrations(scenario, float(places[column]), float(places[row]), focus)
            optics = cached_transfer(scenario, grid, wave)
            transfer = np.zeros_like(optics)
            motion = motion_transfer(along_y[rows], along_x[:, :columns], tracks_px[row, column])
            transfer[rows, :columns] = motion * (optics[rows, :columns] * common[rows, :columns])
            profile = fft.fftshift(fft.irfft2(transfer, s=(grid.size, grid.size))) * step**2
            for _ in range(phases[(row in (0, NODES - 1)) + (column in (0, NODES - 1))]):
                node.append(row * NODES + column)
                dx, dy = chance.integers(0, step, 2)
                stamps.append(profile[dy::step, dx::step])
                at.append((size / 2 - dx / step, size / 2 - dy / step))
    return np.asarray(stamps, np.float32), np.asarray(at), np.asarray(node)


def _common_transfer(grid: Grid, seeing_px: float, dew: float) -> tuple[NDArray[np.float32], float]:
    """Transfer of air, dew and pixel, and the frequency up to which it counts. [cycles/px]"""
    along_y, along_x = grid.frequencies()
    frequency = np.hypot(along_y, along_x)
    air = air_transfer(frequency, seeing_px)
    common = air * np.sinc(along_y) * np.sinc(along_x)
    if dew > 0:
        halo, blur = (np.exp(-2 * (np.pi * s * frequency) ** 2) for s in (HALO_PX, DEW_BLUR * dew * seeing_px))
        common = common * blur * (1 - dew + dew * halo)
    seen = frequency[air > NO_LIGHT]
    return common.astype(np.float32), float(seen.max())


def cached_transfer(scenario: Scenario, grid: Grid, wave: Aberrations) -> NDArray[np.complex64]:
    """`optical_transfer`, once for all frames whose waves are alike."""
    optics = scenario.optics
    glass = (optics.focal_length_mm, optics.aperture_mm, optics.obstruction, optics.wavelength_nm)
    return _of_glass(glass, scenario.camera.pixel_um, grid, wave)


@lru_cache(maxsize=80)
def _of_glass(
    glass: tuple[float, float, float, float], pixel_um: float, grid: Grid, wave: Aberrations
) -> NDArray[np.complex64]:
    focal_length, aperture, obstruction, wavelength = glass
    optics = SceneOptics(
        focal_length_mm=focal_length, aperture_mm=aperture, obstruction=obstruction, wavelength_nm=wavelength
    )
    scenario = Scenario(optics=optics, camera=Camera(pixel_um=pixel_um))
    return optical_transfer(scenario, grid, wave).astype(np.complex64)
