"""Stars of the simulator against GalSim and against closed forms of trails."""

from dataclasses import replace

import galsim
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import fft

from framecheck.simulate.air import air_transfer
from framecheck.simulate.optics import Aberrations, Grid, aberrations, grid_for, optical_transfer
from framecheck.simulate.scenario import Mount, Scenario, SceneOptics, ScenePlan
from framecheck.simulate.star_shape import NODES, motion_transfer, star_shapes
from framecheck.simulate.tracking_error import tracking_error

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
    scenario = replace(Scenario(), optics=replace(SceneOptics(), **optics))  # type: ignore[arg-type]
    ours = stamp(scenario, seeing_px=1.0, phase=(0.0, 0.0))
    theirs = galsim_stamp(scenario, seeing_px=1.0, phase=(0.0, 0.0), **aberration)
    turned = np.roll(theirs[::-1, ::-1], (1, 1), axis=(0, 1))
    difference = min(np.abs(ours - theirs).max(), np.abs(ours - turned).max())
    assert difference < 0.02 * theirs.max()


REFRACTOR = replace(
    Scenario(), optics=replace(SceneOptics(), focal_length_mm=206.264806 * 3.76 / 0.25, aperture_mm=100.0)
)
"""100 mm at 0.25"/px and 550 nm: the telescope of the rows below."""


def wave(**waves_rms: float | tuple[float, float]) -> Aberrations:
    """Noll's coefficients in waves of 550 nm."""
    return Aberrations(**{name: tuple(550 * np.array(value)) if isinstance(value, tuple) else 550 * value
                          for name, value in waves_rms.items()})  # fmt: skip


def seen_through_air(aberration: Aberrations) -> galsim.Image:
    """A star behind 2" of Kolmogorov seeing and the pixel, as `star_shapes` makes it."""
    grid = grid_for(REFRACTOR, stamp_px=96)
    along_y, along_x = grid.frequencies()
    transfer = optical_transfer(REFRACTOR, grid, aberration) * air_transfer(np.hypot(along_y, along_x), 2.0 / 0.25)
    image = fft.fftshift(fft.irfft2(transfer * np.sinc(along_y) * np.sinc(along_x), s=(grid.size, grid.size)))
    return galsim.Image(np.ascontiguousarray(image[:: grid.oversampling, :: grid.oversampling]), scale=0.25)


@pytest.mark.parametrize(
    ("aberration", "sigma_arcsec", "e1"),
    [  # GalSim 2.8.5: OpticalPSF and Kolmogorov drawn and measured with its adaptive moments
        (wave(), 1.06585, 0.0),
        (wave(defocus=0.30), 2.71553, 0.0),
        (wave(astigmatism=(0.20, 0.0)), 1.53962, 0.0),
        (wave(coma=(0.20, 0.0)), 1.84236, 0.337718),
        (wave(coma=(0.0, 0.20)), 1.84236, -0.337718),
        (wave(trefoil=(0.20, 0.0)), 1.63464, 0.0),
        (wave(astigmatism=(0.20, 0.0), defocus=0.30), 2.51969, 0.715852),
        (wave(astigmatism=(0.20, 0.0), defocus=-0.30), 2.51969, -0.715852),
    ],
)
def test_aberrated_stars_have_the_published_widths_and_shapes(
    aberration: Aberrations, sigma_arcsec: float, e1: float
) -> None:
    moments = galsim.hsm.FindAdaptiveMom(seen_through_air(aberration))
    assert moments.moments_sigma * 0.25 == pytest.approx(sigma_arcsec, rel=0.01)
    assert moments.observed_shape.e1 == pytest.approx(e1, abs=0.005)
    assert moments.observed_shape.e2 == pytest.approx(0, abs=0.005)


@pytest.mark.parametrize(
    ("aberration", "comet", "three_lobes"),
    [  # third moments over sigma³ under a Gaussian weight, GalSim 2.8.5
        (wave(coma=(0.20, 0.0)), 0.191968, 0.131107),
        (wave(trefoil=(0.20, 0.0)), 0.000249, 0.010115),
        (wave(trefoil=(0.20, 0.0), defocus=0.20), None, 0.474897),
        (wave(trefoil=(0.20, 0.0), defocus=-0.20), None, 0.474897),
    ],
)
def test_coma_makes_comets_and_trefoil_three_lobes_off_focus(
    aberration: Aberrations, comet: float | None, three_lobes: float
) -> None:
    image = seen_through_air(aberration)
    moments = galsim.hsm.FindAdaptiveMom(image)
    rows, columns = np.mgrid[1 : image.array.shape[0] + 1, 1 : image.array.shape[1] + 1]
    z = columns - moments.moments_centroid.x + 1j * (rows - moments.moments_centroid.y)
    weight = image.array * np.exp(-(np.abs(z) ** 2) / (2 * moments.moments_sigma**2))
    scale = weight.sum() * moments.moments_sigma**3
    if comet is not None:
        assert abs(np.sum(weight * z * np.abs(z) ** 2)) / scale == pytest.approx(comet, abs=0.01)
    assert abs(np.sum(weight * z**3)) / scale == pytest.approx(three_lobes, abs=0.02)


def test_a_star_far_out_of_focus_is_a_disc_as_wide_as_geometry_says() -> None:
    # diameter dz / N, closed form: 800 um behind the focus at f/5 is 160 um; half the light of an even disc lies within
    # its radius over sqrt(2)
    scenario = replace(Scenario(), optics=replace(SceneOptics(), defocus_um=800.0))
    disc = stamp(scenario, seeing_px=0.8, phase=(0.0, 0.0))
    rows, columns = np.indices(disc.shape) - len(disc) // 2
    distance = np.hypot(rows, columns).ravel()
    order = np.argsort(distance)
    half = np.interp(0.5, np.cumsum(disc.ravel()[order]), distance[order])
    assert half == pytest.approx(160 / 3.76 / 2 / np.sqrt(2), rel=0.04)


def test_dew_widens_stars_and_scatters_their_light() -> None:
    dry, wet = (
        star_shapes(Scenario(), STILL, seeing_px=2.0, focus_shift_um=0.0, dew=dew).stamp(0.0, 0.0, 0.0, 0.0)
        for dew in (0.0, 0.5)
    )
    width, wider = (half_maximum(image[len(image) // 2], 1.0) for image in (dry, wet))
    assert 1.1 < wider / width < 1.4
    core = slice(len(dry) // 2 - 5, len(dry) // 2 + 6)
    assert wet[core, core].sum() < 0.85 * dry[core, core].sum()
    assert wet.sum() == pytest.approx(dry.sum(), rel=0.01)


def test_a_tilted_curved_field_is_out_of_focus_where_it_should_be() -> None:
    scenario = replace(Scenario(), optics=replace(SceneOptics(), tilt_um=(80.0, 0.0), curvature_um=30.0))
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
    slow = replace(Scenario(), optics=replace(SceneOptics(), aperture_mm=26.5))
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


def test_guiding_jitter_widens_by_axis() -> None:
    # sqrt(FWHM0² + (2.35482 rms)²), closed form: 3.13032 along right ascension and 1.13279 times that across
    guided = Scenario(
        mount=Mount(guided=True, rms_ra_arcsec=0.8, rms_dec_arcsec=0.5, correlation_s=0.5),
        plan=replace(ScenePlan(), exposure_s=600.0, cadence_s=605.0),
    )
    error = tracking_error(guided, np.linspace(0, 600, 2401), 0)
    grid = Grid(stamp_px=64, oversampling=8)
    along_y, along_x = grid.frequencies()
    gauss = np.exp(-2 * (np.pi * 2.5 * SIGMA) ** 2 * (along_y**2 + along_x**2))
    track = np.stack([error.ra_arcsec, error.dec_arcsec], axis=1)
    image = fft.fftshift(
        fft.irfft2(gauss * motion_transfer(along_y, along_x, track - track.mean(axis=0)), s=(grid.size, grid.size))
    )
    along = half_maximum(image[grid.size // 2], 1 / grid.oversampling)
    across = half_maximum(image[:, grid.size // 2], 1 / grid.oversampling)
    assert along == pytest.approx(3.13032, rel=0.03)
    assert along / across == pytest.approx(1.13279, rel=0.03)
