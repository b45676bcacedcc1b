"""Stars of the simulator against GalSim and against closed forms of trails."""

from dataclasses import replace

import galsim
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import fft

from framecheck.simulate.air import air_transfer
from framecheck.simulate.optics import Aberrations, Grid, aberrations, grid_for, optical_transfer
from framecheck.simulate.scenario import Optics, Scenario
from framecheck.simulate.star_shape import NODES, motion_transfer, star_shapes

SIGMA = 1 / (2 * np.sqrt(2 * np.log(2)))
STILL = np.zeros((NODES, NODES, 2, 2))


def stamp(scenario: Scenario, *, seeing_px: float, phase: tuple[float, float]) -> NDArray[np.float32]:
    shapes = star_shapes(scenario, STILL, seeing_px=seeing_px, focus_shift_um=0.0, dew=0.0)
    return shapes.stamp(0.0, 0.0, *phase)


def galsim_stamp(
    scenario: Scenario, *, seeing_px: float, phase: tuple[float, float], **aberration: float
) -> NDArray[np.float32]:
    """The same star drawn by GalSim, an independent program; lengths in pixels."""
    optics = scenario.optics
    wave_px = optics.wavelength_nm * 1e-3 * optics.focal_length_mm / optics.aperture_mm / scenario.camera.pixel_um
    telescope = galsim.OpticalPSF(lam_over_diam=wave_px, obscuration=optics.obstruction, **aberration)
    star = galsim.Convolve(galsim.Kolmogorov(fwhm=seeing_px), telescope)
    # an even stamp's centre lies half a pixel below the pixel that ours counts phases from
    return star.drawImage(nx=64, ny=64, scale=1.0, offset=(phase[0] + 0.5, phase[1] + 0.5)).array


def half_maximum(profile: NDArray[np.floating], step: float) -> float:
    """Full width of the outermost half-maximum."""
    half = profile.max() / 2
    above = np.flatnonzero(profile >= half)
    first, last = above[0], above[-1]
    left = first - (profile[first] - half) / (profile[first] - profile[first - 1])
    right = last + (profile[last] - half) / (profile[last] - profile[last + 1])
    return float((right - left) * step)


@pytest.mark.parametrize("seeing_px", [1.7, 4.0])
@pytest.mark.parametrize("phase", [(0.0, 0.0), (0.5, 0.25), (0.37, 0.87)])
def test_a_star_agrees_with_galsim(seeing_px: float, phase: tuple[float, float]) -> None:
    ours = stamp(Scenario(), seeing_px=seeing_px, phase=phase)
    theirs = galsim_stamp(Scenario(), seeing_px=seeing_px, phase=phase)
    assert np.abs(ours - theirs).max() < 0.015 * theirs.max()  # interpolation between samples blurs
    assert ours.sum() == pytest.approx(1, abs=0.01)
    width, their_width = (
        galsim.hsm.FindAdaptiveMom(galsim.Image(image, scale=1.0)).moments_sigma for image in (ours, theirs)
    )
    assert width == pytest.approx(their_width, rel=0.01)


@pytest.mark.parametrize(
    ("optics", "aberration"),
    [
        ({"defocus_um": 60.0}, {"defocus": 60e3 / (16 * np.sqrt(3) * 25) / 550}),
        ({"coma_nm": (80.0, 0.0)}, {"coma2": 80 / 550}),
        ({"coma_nm": (0.0, 80.0)}, {"coma1": 80 / 550}),
        ({"astigmatism_nm": (70.0, 0.0)}, {"astig2": 70 / 550}),
        ({"astigmatism_nm": (0.0, 70.0)}, {"astig1": 70 / 550}),
        ({"trefoil_nm": (70.0, 0.0)}, {"trefoil2": 70 / 550}),
        ({"obstruction": 0.35}, {}),
    ],
)
def test_aberrations_agree_with_galsim(optics: dict[str, float], aberration: dict[str, float]) -> None:
    # GalSim takes the same Noll terms in waves; its sign of odd terms may differ: turned by 180 degrees
    scenario = replace(Scenario(), optics=replace(Optics(), **optics))  # type: ignore[arg-type]
    ours = stamp(scenario, seeing_px=1.0, phase=(0.0, 0.0))
    theirs = galsim_stamp(scenario, seeing_px=1.0, phase=(0.0, 0.0), **aberration)
    turned = np.roll(theirs[::-1, ::-1], (1, 1), axis=(0, 1))
    difference = min(np.abs(ours - theirs).max(), np.abs(ours - turned).max())
    assert difference < 0.02 * theirs.max()


def test_a_tilted_curved_field_is_out_of_focus_where_it_should_be() -> None:
    scenario = replace(Scenario(), optics=replace(Optics(), tilt_um=(80.0, 0.0), curvature_um=30.0))
    left, middle, right = (aberrations(scenario, x, 0.0, 0.0).defocus for x in (-1.0, 0.0, 1.0))
    per_um = 1e3 / (16 * np.sqrt(3) * 25)  # dz / (8 N²) from centre to edge over 2 sqrt(3), closed form
    assert middle == pytest.approx(0)
    assert right - left == pytest.approx(80 * per_um)
    corner = aberrations(scenario, 1.0, 1.0, 0.0).defocus - 40 * per_um
    assert corner == pytest.approx(30 * per_um)


def test_air_and_aperture_have_the_widths_of_theory() -> None:
    grid = grid_for(Scenario(), stamp_px=64)
    along_y, along_x = grid.frequencies()
    shape = (grid.size, grid.size)
    air = fft.fftshift(fft.irfft2(air_transfer(np.hypot(along_y, along_x), 4.0), s=shape))
    assert half_maximum(air[grid.size // 2], 1 / grid.oversampling) == pytest.approx(4.0, rel=5e-3)
    slow = replace(Scenario(), optics=replace(Optics(), aperture_mm=26.5))
    airy = fft.fftshift(fft.irfft2(optical_transfer(slow, grid, Aberrations()), s=shape))
    # 1.02899 lambda / D, root of (2 J1(x) / x)² = 1/2
    assert half_maximum(airy[grid.size // 2], 1 / grid.oversampling) == pytest.approx(
        1.02899 * 0.55 * 20 / 3.76, rel=0.01
    )


def trailed(fwhm: float, track: NDArray[np.floating]) -> tuple[float, float, float]:
    """A Gaussian moved along x: profile width, moment width (both as FWHM) and moment elongation."""
    grid = Grid(stamp_px=64, oversampling=8)
    along_y, along_x = grid.frequencies()
    gauss = np.exp(-2 * (np.pi * fwhm * SIGMA) ** 2 * (along_y**2 + along_x**2))
    transfer = gauss * motion_transfer(along_y, along_x, np.stack([track, np.zeros_like(track)], axis=1))
    image = fft.fftshift(fft.irfft2(transfer, s=(grid.size, grid.size)))
    place = (np.arange(grid.size) - grid.size / 2) / grid.oversampling
    long = np.sqrt(np.sum(image.sum(axis=0) * place**2) / image.sum())
    short = np.sqrt(np.sum(image.sum(axis=1) * place**2) / image.sum())
    return half_maximum(image[grid.size // 2], 1 / grid.oversampling), float(long / SIGMA), float(long / short)


def test_a_line_trail_stretches_a_star() -> None:
    # sqrt(sigma² + L² / 12) / sigma, closed form
    assert trailed(3.0, np.linspace(-1.5, 1.5, 61))[2] == pytest.approx(1.20917, rel=2e-3)


def test_a_long_trail_by_profile_and_by_moments() -> None:
    profile, moments, _ = trailed(2.5, np.linspace(-3, 3, 61))
    assert profile == pytest.approx(6.01255, rel=5e-3)  # root of a difference of error functions, closed form
    assert moments == pytest.approx(4.78388, rel=5e-3)  # 2.35482 sqrt(sigma² + L² / 12), closed form


def test_a_full_cycle_of_a_sinusoid_by_profile_and_by_moments() -> None:
    track = 2 * np.sin(np.linspace(0, 2 * np.pi, 241))
    profile, moments, _ = trailed(2.5, track)
    assert profile == pytest.approx(5.22767, rel=0.01)  # convolved with the arcsine law, numeric
    assert moments == pytest.approx(4.16418, rel=5e-3)  # sqrt(FWHM² + 2.35482² A² / 2), closed form
