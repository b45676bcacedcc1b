"""Star shape: what air, optics, motion and pixel together make of a point, over the field of one frame."""

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from scipy import fft

from framecheck.simulate.air import air_transfer
from framecheck.simulate.optics import Grid, aberrations, blur_radius_px, grid_for, optical_transfer
from framecheck.simulate.scenario import Scenario
from framecheck.simulate.sky_path import Floats

NODES: Final = 5
"""Chosen: places along each side of the sensor at which the star is computed; between them it is interpolated."""
_FOCUS_STEP_UM: Final = 2.0
"""[micrometre] Chosen: a fifth of the depth of focus at f/4, so that frames can share their optics."""
_LEAST_STAMP_PX: Final = 64
_MOST_STAMP_PX: Final = 256
MOST_BLUR_PX: Final = 150.0
"""[px] Chosen: wider stars do not fit into the largest stamp, with the stroke of a trail beside them."""
_HALO_PX: Final = 6.0
"""[px] Chosen: standard deviation of the halo that dew scatters light into."""
_DEW_BLUR: Final = 0.6
"""[dimensionless] Chosen: standard deviation of the blur of a wet glass, over the FWHM of the air, if it scatters all
light. Half of it scattered widens a star by a quarter."""


@dataclass(frozen=True, kw_only=True, slots=True)
class StarShapes:
    """Stars at the nodes of one frame, each summing to one and integrated over the pixel."""

    grid: Grid
    profiles: Floats
    """Shape (n, n, size + oversampling, size + oversampling), rows of nodes from low y to high y; the star's middle
    lies at sample size / 2 + oversampling, and the first samples repeat the last ones."""

    def stamp(self, x: float, y: float, phase_x: float, phase_y: float) -> Floats:
        """A star of unit flux, shape (stamp_px, stamp_px), at a place on the sensor, -1 to 1 from edge to edge.

        The phases, 0 to 1, are the star's offset from the centre of the pixel at (stamp_px / 2, stamp_px / 2). [px]
        """
        step = self.grid.oversampling
        total = np.zeros((self.grid.stamp_px, self.grid.stamp_px), dtype=np.float32)
        last = self.grid.size + step
        nodes = len(self.profiles)
        for row, weight_row in _between(y, nodes):
            for column, weight_column in _between(x, nodes):
                profile = self.profiles[row, column]
                for sub_y, weight_y in _around(phase_y * step):
                    for sub_x, weight_x in _around(phase_x * step):
                        weight = np.float32(weight_row * weight_column * weight_y * weight_x)
                        if weight > 0:
                            begin_y, begin_x = step - sub_y, step - sub_x
                            cut = profile[begin_y : last - sub_y : step, begin_x : last - sub_x : step]
                            total += weight * cut
        return total


def star_shapes(
    scenario: Scenario, tracks_px: Floats, *, seeing_px: float, focus_shift_um: float, dew: float
) -> StarShapes:
    """Compute the stars at the nodes of the field.

    Tracks, shape (n, n, n_times, 2), tell where a star at each of n x n nodes, evenly over the field (its middle, if n
    is 1), lies at moments equally far apart, in x and y from its middle; `dew` is the share of the light that it
    scatters.
    """
    focus = _FOCUS_STEP_UM * round(focus_shift_um / _FOCUS_STEP_UM)
    extent = 2 * float(np.abs(tracks_px).max()) + blur_extent_px(scenario, focus, seeing_px)
    stamp_px = 16 * int(np.ceil((_LEAST_STAMP_PX / 2 + extent) / 16))
    grid = grid_for(scenario, stamp_px=int(np.clip(stamp_px, _LEAST_STAMP_PX, _MOST_STAMP_PX)))
    along_y, along_x = grid.frequencies()
    frequency = np.hypot(along_y, along_x)
    common = air_transfer(frequency, seeing_px) * np.sinc(along_y) * np.sinc(along_x)
    if dew > 0:
        halo, blur = (
            np.exp(-2 * (np.pi * sigma * frequency) ** 2) for sigma in (_HALO_PX, _DEW_BLUR * dew * seeing_px)
        )
        common = common * blur * (1 - dew + dew * halo)
    pad = grid.oversampling
    nodes = len(tracks_px)
    profiles = np.empty((nodes, nodes, grid.size + pad, grid.size + pad), dtype=np.float32)
    places = np.linspace(-1, 1, nodes) if nodes > 1 else np.zeros(1)
    for row in range(nodes):
        for column in range(nodes):
            optics = _optics_at(scenario, grid, float(places[column]), float(places[row]), focus)
            transfer = optics * common * motion_transfer(along_y, along_x, tracks_px[row, column])
            profile = fft.fftshift(fft.irfft2(transfer, s=(grid.size, grid.size))) * grid.oversampling**2
            profiles[row, column] = np.pad(profile, ((pad, 0), (pad, 0)), mode="wrap")
    return StarShapes(grid=grid, profiles=profiles)


def blur_extent_px(scenario: Scenario, focus_shift_um: float, seeing_px: float) -> float:
    """How wide air and optics spread a star, nearly all of its light, at the worst place of the field. [px]"""
    places = [(x, y) for x in (-1.0, 0.0, 1.0) for y in (-1.0, 0.0, 1.0)]
    worst = max(blur_radius_px(scenario, aberrations(scenario, x, y, focus_shift_um)) for x, y in places)
    return 2 * worst + 4 * seeing_px


def motion_transfer(along_y: Floats, along_x: Floats, track_px: Floats) -> Floats:
    """Transfer of a star that moves while it is exposed: the mean of the phases along its track; shape (n, m).

    Places x and y, shape (n_times, 2), are equally far apart in time and joined by straight lines.
    """
    track = _denser(track_px)
    phases_y = np.exp(-2j * np.pi * along_y * track[None, :, 1]).astype(np.complex64)
    phases_x = np.exp(-2j * np.pi * along_x.T * track[None, :, 0]).astype(np.complex64)
    return phases_y @ phases_x.T / len(track)


@lru_cache(maxsize=2 * NODES**2)
def _optics_at(scenario: Scenario, grid: Grid, x: float, y: float, focus_um: float) -> Floats:
    transfer = optical_transfer(scenario, grid, aberrations(scenario, x, y, focus_um))
    return transfer.astype(np.complex64)


def _denser(track_px: Floats) -> Floats:
    """The middles of steps so short that a star moves by at most a quarter of a pixel in each."""
    longest = float(np.hypot(*np.diff(track_px, axis=0).T).max()) if len(track_px) > 1 else 0.0
    inner = max(1, int(np.ceil(longest / 0.25)))
    moments = (np.arange((len(track_px) - 1) * inner) + 0.5) / inner
    known = np.arange(len(track_px))
    return np.stack([np.interp(moments, known, track_px[:, axis]) for axis in (0, 1)], axis=1)


def _between(place: float, nodes: int) -> tuple[tuple[int, float], ...]:
    """The two nodes beside a place from -1 to 1, with their weights; the only one, where there are no more."""
    if nodes == 1:
        return ((0, 1.0),)
    position = float(np.clip((place + 1) / 2 * (nodes - 1), 0, nodes - 1))
    first = min(int(position), nodes - 2)
    return (first, first + 1 - position), (first + 1, position - first)


def _around(phase: float) -> tuple[tuple[int, float], tuple[int, float]]:
    """The two samples beside a phase, with their weights."""
    first = int(phase)
    return (first, first + 1 - phase), (first + 1, phase - first)
