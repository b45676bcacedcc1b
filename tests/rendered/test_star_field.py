"""The renderer that the other tests trust, against closed forms and against GalSim's own drawing."""

import galsim
import numpy as np
import pytest
from against_truth import cramer_rao
from reference import reference
from star_field import FineStar, Scene, half_maximum_widths, power_law, star_field, star_profile, width_above


def width_of(star: galsim.GSObject, fine: float = 0.02, n: int = 1501) -> float:
    """Full width at half maximum along x, from a drawing of the profile itself."""
    row = star.drawImage(nx=n, ny=3, scale=fine, method="no_pixel", dtype=float).array[1]
    return width_above(row, row.max() / 2) * fine


@pytest.mark.parametrize(
    ("profile", "beta"), [("moffat", 2.5), ("moffat", 3.0), ("moffat", 4.765), ("gaussian", 0.0), ("kolmogorov", 0.0)]
)
def test_the_profile_has_the_width_asked_for(profile: str, beta: float) -> None:
    star = star_profile(Scene(profile=profile, beta=beta, fwhm_px=4.0))
    assert width_of(star) == pytest.approx(4.0, rel=1e-3)


def test_a_moffat_star_follows_its_formula() -> None:
    # PSF-07b: FWHM over core radius, and I(r) = (1 + r²/alpha²)^-beta
    alpha = 4.0 / reference("PSF-07b").value
    star = star_profile(Scene(beta=3.0, fwhm_px=4.0))
    r = np.array([0.0, 1.0, 2.0, 5.0])
    brightness = [star.xValue(galsim.PositionD(x, 0)) for x in r]
    assert np.array(brightness) / brightness[0] == pytest.approx((1 + (r / alpha) ** 2) ** -3.0, rel=1e-6)


def test_turbulent_air_has_its_half_flux_diameter() -> None:
    star = star_profile(Scene(profile="kolmogorov", fwhm_px=4.0))
    fine, n = 0.05, 1601
    drawn = star.drawImage(nx=n, ny=n, scale=fine, method="no_pixel", dtype=float).array
    radius = np.hypot(*np.mgrid[-800:801, -800:801]) * fine
    inside = reference("PSF-24").value * 4.0 / 2
    assert drawn[radius < inside].sum() == pytest.approx(0.5, abs=2e-3)


def test_a_long_trail_has_its_width_along_the_line() -> None:
    # TRK-52: a line of 6 on a Gaussian star of 2.5; across, the star's own width
    along, across = half_maximum_widths(Scene(profile="gaussian", fwhm_px=2.5, trail_px=6.0))
    assert along == reference("TRK-52").approx
    assert across == pytest.approx(2.5, rel=2e-3)


def test_a_short_trail_has_its_ratio_of_widths() -> None:
    # ORA-12 includes a pixel of 1 px: take the star as it falls on the pixels
    scene = Scene(beta=3.0, fwhm_px=3.0, trail_px=3.0, pa_deg=0.0)
    seen = galsim.Convolve(star_profile(scene), galsim.Pixel(1.0))
    ratio = width_of(seen) / width_of(seen.rotate(90 * galsim.degrees))
    assert ratio == reference("ORA-12").approx


def test_an_ellipse_keeps_its_area_and_points_where_it_should() -> None:
    scene = Scene(fwhm_px=4.0, elongation=1.44, pa_deg=30.0)
    assert half_maximum_widths(scene) == pytest.approx((4.8, 4.0 / 1.2))
    star = star_profile(scene)
    assert width_of(star.rotate(-30 * galsim.degrees)) == pytest.approx(4.8, rel=1e-3)
    assert width_of(star.rotate(60 * galsim.degrees)) == pytest.approx(4.0 / 1.2, rel=1e-3)


@pytest.mark.parametrize("scene", [Scene(fwhm_px=1.3), Scene(elongation=1.5), Scene(trail_px=9.0), Scene(fwhm_px=8.0)])
def test_pixels_are_those_that_galsim_integrates(scene: Scene) -> None:
    fine = FineStar.of(scene)
    x, y = (float(place[0]) for place in fine.on_lattice(np.array([40.31]), np.array([38.77])))
    image = np.zeros((81, 81))
    fine.add(image, x, y, flux=1000.0)
    drawn = star_profile(scene).withFlux(1000).drawImage(nx=81, ny=81, scale=1, offset=(x - 40, y - 40), dtype=float)
    # Fourier drawings fold a little light of the far wings back: compare within what the noise of a pixel hides.
    assert np.abs(image - drawn.array).max() < 1e-3 * drawn.array.max()
    assert image[30:50, 30:50].sum() == pytest.approx(drawn.array[30:50, 30:50].sum(), rel=2e-3)


def test_flux_sky_noise_and_signal_are_as_stated() -> None:
    scene = Scene(snr=200.0, n_stars=1, size=(200, 200), min_separation_px=0.0)
    image, truth = star_field(scene)
    u, v = np.meshgrid(np.arange(200) - truth.x[0], np.arange(200) - truth.y[0])
    blank = image[np.hypot(u, v) > 40]
    assert blank.mean() == pytest.approx(truth.sky_adu, abs=3 * truth.noise_adu / np.sqrt(blank.size))
    assert blank.std() == pytest.approx(truth.noise_adu, rel=3 / np.sqrt(2 * blank.size))
    near = np.hypot(u, v) < 15
    summed = (image[near] - truth.sky_adu).sum()
    assert summed == pytest.approx(truth.flux_adu[0], abs=3 * truth.noise_adu * np.sqrt(near.sum()))
    # NOI-03: noise of the sky from the gain, read-out noise added in squares
    noise_e = np.sqrt(scene.sky_adu * scene.gain + scene.read_noise_e**2)
    assert truth.noise_adu == pytest.approx(noise_e / scene.gain, rel=1e-3)


def test_the_signal_to_noise_is_that_of_a_matched_filter() -> None:
    image, truth = star_field(snr=30.0, n_stars=400, gain=1e3, read_noise_e=2e4, size=(1600, 1600))
    shape = star_profile(Scene()).drawImage(nx=41, ny=41, scale=1, dtype=float).array
    values = []
    for x, y in zip(truth.x, truth.y, strict=True):
        ix, iy = round(x), round(y)
        shape = star_profile(Scene()).drawImage(nx=31, ny=31, scale=1, offset=(x - ix, y - iy), dtype=float).array
        light = image[iy - 15 : iy + 16, ix - 15 : ix + 16] - truth.sky_adu
        values.append((light * shape).sum() / np.sqrt((shape**2).sum()) / truth.noise_adu)
    assert np.mean(values) == pytest.approx(30.0, abs=4 / np.sqrt(400) + 0.1)
    assert np.std(values) == pytest.approx(1.0, abs=0.15)


def test_stars_keep_their_distance_and_bright_ones_are_few() -> None:
    _, truth = star_field(n_stars=200, min_separation_px=25.0)
    distance = np.hypot(truth.x[:, None] - truth.x, truth.y[:, None] - truth.y) + 1e9 * np.eye(200)
    assert distance.min() > 24.9
    snr = np.array(power_law(4000, 10, 1000, slope=0.7))
    assert (snr > 100).sum() / (snr > 10).sum() == pytest.approx((10**-0.7 - 100**-0.7) / (1 - 100**-0.7), abs=0.02)


def test_the_bound_of_precision_is_that_of_closed_forms() -> None:
    # NOI-23, NOI-25 and NOI-26: a Gaussian star in the noise of the sky alone (read-out noise hides its own photons)
    scene = Scene(profile="gaussian", fwhm_px=6.0, gain=1e3, read_noise_e=2e4)
    bound = cramer_rao(scene, snr=50.0)
    assert bound["x"] * 50 / 6.0 == reference("NOI-23").within(rel=0.03)
    assert bound["e1"] * 50 == reference("NOI-26").within(rel=0.05)
    # in the light of its own photons alone, NOI-22 and NOI-24: SNR is then the root of their number
    scene = Scene(profile="gaussian", fwhm_px=6.0, gain=1.0, read_noise_e=0.0, sky_adu=1e-4)
    n_photons = 2500.0
    snr = n_photons / np.sqrt(1e-4) * FineStar.of(scene).sharpness
    bound = cramer_rao(scene, snr)
    sigma = 6.0 / reference("PSF-01").value
    assert bound["x"] == pytest.approx(sigma / np.sqrt(n_photons), rel=0.05)
    assert bound["ln_fwhm"] * np.sqrt(n_photons) == reference("NOI-24").within(rel=0.06)
