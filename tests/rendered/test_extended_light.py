"""Light that is neither star nor even sky is not taken for stars, and the stars in it are measured as without it."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from extended_light import cluster, comet, galaxy, nebula
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter
from scipy.spatial import cKDTree
from star_field import Scene, power_law, star_field, write

from framecheck import measure_frame
from framecheck.read import read_frame
from framecheck.sky import measure_sky
from framecheck.stars.find import find_stars

MIDDLE = 300.0  # [px] of the cluster and the galaxy
SCENES = [(nebula, 3.0, 1.0), (cluster, 3.0, 1.0), (galaxy, 2.5, 1.1), (comet, 3.5, 1.0)]


@pytest.mark.parametrize(("lit", "fwhm_px", "elongation"), SCENES)
def test_stars_are_told_from_extended_light(
    tmp_path: Path, lit: Callable[[Scene], NDArray[np.float64]], fwhm_px: float, elongation: float
) -> None:
    snr = power_law(110, 15.0, 300.0)
    scene = Scene(size=(600, 600), n_stars=110, snr=snr, min_separation_px=10.0, fwhm_px=fwhm_px, elongation=elongation)
    light = lit(scene)
    image, truth = star_field(scene, more_light=light)
    path = write(tmp_path / "frame.fits", image, scene)
    frame = read_frame(path)
    found = find_stars(frame, measure_sky(frame), 65535.0)

    def dense(x: NDArray[np.floating], y: NDArray[np.floating]) -> NDArray[np.bool_]:
        """The heart of the cluster and of the galaxy, and where the nebula is nearly as bright as the sky."""
        if lit in (cluster, galaxy):
            return np.hypot(x - MIDDLE, y - MIDDLE) < (95 if lit is cluster else 20)
        return light[np.rint(y).astype(int), np.rint(x).astype(int)] > 0.75 * scene.sky_adu

    here = light[np.rint(truth.y).astype(int), np.rint(truth.x).astype(int)]
    noise = np.hypot(truth.noise_adu, np.sqrt(here / scene.gain))
    asked = (truth.snr * truth.noise_adu / noise > 15) & ~dense(truth.x, truth.y)
    distance, _ = cKDTree(np.column_stack([found.x, found.y])).query(np.column_stack([truth.x, truth.y]))
    assert (distance[asked] < 2).mean() >= 0.8

    stars = np.column_stack([truth.x, truth.y])
    if lit is cluster:
        stars = np.concatenate([stars, np.argwhere((light == maximum_filter(light, 3)) & (light > 20))[:, ::-1]])
    distance, _ = cKDTree(stars).query(np.column_stack([found.x, found.y]))
    assert (distance[~dense(found.x, found.y)] > 2.5).mean() <= 0.05

    good = measure_frame(path).stars.good
    assert np.median(good["fwhm_px"]) == pytest.approx(scene.fwhm_px, rel=0.02)
    shear = np.hypot(np.median(good["e1"]), np.median(good["e2"]))
    assert np.exp(shear) == pytest.approx(scene.elongation, abs=0.02)


def test_more_knots_than_stars_do_not_widen_the_stars(tmp_path: Path) -> None:
    """Knots of all widths, two to six times that of stars, on a nebula all over the frame: closed form, Gaussians."""
    scene = Scene(size=(640, 560), n_stars=40, snr=power_law(40, 20.0, 300.0), fwhm_px=3.0)
    rng = np.random.default_rng(5)
    y, x = np.mgrid[:560, :640]
    light = 400 * np.exp(-((x - 320.0) ** 2 + (y - 280.0) ** 2) / (2 * 260.0**2))
    knots = rng.uniform([5, 5, 80, 2.5], [635, 555, 250, 7.5], (150, 4))
    for at_x, at_y, height, sigma in knots:
        light += height * np.exp(-((x - at_x) ** 2 + (y - at_y) ** 2) / (2 * sigma**2))
    image, _ = star_field(scene, more_light=light)
    shape = measure_frame(write(tmp_path / "frame.fits", image, scene)).shape
    assert shape is not None
    assert shape.fwhm_px == pytest.approx(3.0, rel=0.05)
    assert shape.elongation == pytest.approx(1.0, abs=0.05)
