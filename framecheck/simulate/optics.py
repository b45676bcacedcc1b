"""Optics: the transfer function of a lens or telescope at a place of its field."""

from dataclasses import dataclass
from math import ceil, hypot, sqrt
from typing import Final

import numpy as np
from scipy import fft

from framecheck.simulate.scenario import Scenario
from framecheck.simulate.sky_path import Floats

_LEAST_OVERSAMPLING: Final = 6
"""[samples/px] Chosen: interpolation between them widens a star of 2 px by half a percent at most; with 4, by 1.1 %."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Grid:
    """The square on which a star is computed."""

    stamp_px: int
    oversampling: int
    """Samples along one pixel."""

    @property
    def size(self) -> int:
        """Samples along one side."""
        return self.stamp_px * self.oversampling

    def frequencies(self) -> tuple[Floats, Floats]:
        """Along y, shape (size, 1), and along x, shape (1, size // 2 + 1). [cycles/px]"""
        step = 1 / self.oversampling
        return fft.fftfreq(self.size, step)[:, None], fft.rfftfreq(self.size, step)[None, :]


@dataclass(frozen=True, kw_only=True, slots=True)
class Aberrations:
    """Departures of the wave at one place of the field, rms coefficients of Noll's terms 4 to 10. [nm]"""

    defocus: float = 0.0
    astigmatism: tuple[float, float] = (0.0, 0.0)
    """At 0 and at 45 degrees."""
    coma: tuple[float, float] = (0.0, 0.0)
    trefoil: tuple[float, float] = (0.0, 0.0)


def grid_for(scenario: Scenario, *, stamp_px: int) -> Grid:
    """A grid fine enough that the finest detail that the aperture passes does not alias."""
    optics = scenario.optics
    ratio = optics.focal_length_mm / optics.aperture_mm
    finest = 2 * scenario.camera.pixel_um / (ratio * optics.wavelength_nm * 1e-3)
    return Grid(stamp_px=stamp_px, oversampling=max(_LEAST_OVERSAMPLING, 2 * ceil(finest / 2 + 0.25)))


def aberrations(scenario: Scenario, x: float, y: float, focus_shift_um: float) -> Aberrations:
    """What the scenario's optics do at a place on the sensor, -1 to 1 from edge to edge."""
    optics, camera = scenario.optics, scenario.camera
    u, v = np.array([x * camera.width, y * camera.height]) / np.hypot(camera.width, camera.height)
    radius_squared = u**2 + v**2  # 1 in the corners
    defocus_um = optics.defocus_um + focus_shift_um + optics.curvature_um * radius_squared
    defocus_um += (optics.tilt_um[0] * x + optics.tilt_um[1] * y) / 2
    ratio = optics.focal_length_mm / optics.aperture_mm
    along = (u**2 - v**2, 2 * u * v)  # radius² times cosine and sine of twice the direction
    return Aberrations(
        # path difference dz / (8 N²) from centre to edge, which is 2 sqrt(3) times the rms coefficient
        defocus=defocus_um * 1e3 / (16 * sqrt(3) * ratio**2),
        astigmatism=(
            optics.astigmatism_nm[0] + optics.astigmatism_corner_nm * along[0],
            optics.astigmatism_nm[1] + optics.astigmatism_corner_nm * along[1],
        ),
        coma=(optics.coma_nm[0] + optics.coma_corner_nm * u, optics.coma_nm[1] + optics.coma_corner_nm * v),
        trefoil=optics.trefoil_nm,
    )


def blur_radius_px(scenario: Scenario, wave: Aberrations) -> float:
    """Farthest that a ray can land from the star's middle, by geometry. [px]

    An upper bound: the steepest slopes of the terms, reached at the edge of the aperture, are added.
    """
    slope_nm = (
        4 * sqrt(3) * abs(wave.defocus)
        + 2 * sqrt(6) * hypot(*wave.astigmatism)
        + 7 * sqrt(8) * hypot(*wave.coma)
        + 3 * sqrt(8) * hypot(*wave.trefoil)
    )
    ratio = scenario.optics.focal_length_mm / scenario.optics.aperture_mm
    return 2 * ratio * slope_nm * 1e-3 / scenario.camera.pixel_um


def optical_transfer(scenario: Scenario, grid: Grid, wave: Aberrations) -> Floats:
    """Transfer function of the aperture with its aberrations, shape (size, size // 2 + 1); 1 at frequency zero.

    References
    ----------
    .. [1] R. J. Noll, 1976, J. Opt. Soc. Am. 66, 207, table I: the terms and their order. From memory; tested
       against GalSim.
    """
    optics = scenario.optics
    ratio = optics.focal_length_mm / optics.aperture_mm
    diameter = grid.size * scenario.camera.pixel_um / (grid.oversampling * ratio * optics.wavelength_nm * 1e-3)
    places = (np.arange(grid.size) - grid.size / 2) * 2 / diameter
    lit = np.flatnonzero(np.abs(places) < 1 + 1 / diameter)  # rows and columns that meet the aperture
    x, y = places[None, lit], places[lit, None]
    square = x**2 + y**2
    radius = np.sqrt(square)
    soft = np.clip((1 - radius) * diameter / 2 + 0.5, 0, 1)  # an edge one sample wide
    hole = np.clip((optics.obstruction - radius) * diameter / 2 + 0.5, 0, 1) if optics.obstruction else 0.0
    path_nm = (
        wave.defocus * sqrt(3) * (2 * square - 1)
        + sqrt(6) * (wave.astigmatism[0] * (x**2 - y**2) + wave.astigmatism[1] * 2 * x * y)
        + sqrt(8) * (3 * square - 2) * (wave.coma[0] * x + wave.coma[1] * y)
        + sqrt(8) * (wave.trefoil[0] * (x**3 - 3 * x * y**2) + wave.trefoil[1] * (3 * x**2 * y - y**3))
    )
    pupil = np.zeros((grid.size, grid.size), complex)
    pupil[np.ix_(lit, lit)] = (soft - hole) * np.exp(2j * np.pi * path_nm / optics.wavelength_nm)
    light = np.abs(fft.fft2(pupil)) ** 2
    return fft.rfft2(light / light.sum())
