"""Three libraries measure the same rendered frame: they differ from us where their definitions do, and only there.

What each calls the size of a star, against the full width at half maximum before the pixel's own blur (ours):

- sep, half-flux diameter: wings and pixel make it larger, on a Moffat star of beta 3 by ORA-05b.
- photutils, width of a Gaussian fitted to the core: too wide for a star with wings, by ORA-03b.
- GalSim, adaptive moments: the width of the best elliptical Gaussian, pixel included, by ORA-02b.
"""

from dataclasses import dataclass
from pathlib import Path

import galsim
import numpy as np
import pytest
import sep
from photutils.centroids import centroid_quadratic
from photutils.psf import fit_2dgaussian
from reference import reference
from scipy.spatial import cKDTree
from star_field import Scene, Truth, star_field, write

from framecheck import measure_frame

FWHM_PX = 4.0


@dataclass(frozen=True)
class Frame:
    """A frame, what was drawn, what we measured, and where each drawn star stands in our table."""

    image: np.ndarray
    truth: Truth
    ours: np.ndarray
    path: Path

    def nearest(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """For each of our stars the nearest of the given places, and how far it is. [index, px]"""
        distance, index = cKDTree(np.column_stack([x, y])).query(np.column_stack([self.ours["x"], self.ours["y"]]))
        return index, distance


@pytest.fixture(scope="module")
def frame(tmp_path_factory: pytest.TempPathFactory) -> Frame:
    scene = Scene(fwhm_px=FWHM_PX, snr=1000.0, size=(1800, 1500), min_separation_px=60.0)
    image, truth = star_field(scene)
    path = write(tmp_path_factory.mktemp("peers") / "frame.fits", image, scene)
    return Frame(image.astype(np.float32) - np.float32(truth.sky_adu), truth, measure_frame(path).stars.good, path)


def test_every_star_is_measured_where_it_was_drawn(frame: Frame) -> None:
    index, distance = frame.nearest(frame.truth.x, frame.truth.y)
    assert len(np.unique(index)) == len(frame.ours) > 0.95 * len(frame.truth.x)
    assert np.median(distance) < 0.02
    assert np.median(frame.ours["fwhm_px"]) == pytest.approx(FWHM_PX, rel=0.01)


def test_sep(frame: Frame) -> None:
    background = sep.Background(frame.image)
    found = sep.extract(frame.image - background, 5, err=background.globalrms, minarea=5)
    radius, _ = sep.flux_radius(frame.image - background, found["x"], found["y"], np.full(len(found), 28.0), 0.5)
    x, y, _ = sep.winpos(frame.image - background, found["x"], found["y"], 2 * radius / 2.3548)
    index, distance = frame.nearest(x, y)
    assert np.median(distance) < 0.02
    assert np.quantile(distance, 0.95) < 0.05
    ratio = 2 * radius[index] / frame.ours["fwhm_px"]
    assert np.median(ratio) == reference("ORA-05b").within(rel=0.02)


def test_half_flux_radius(frame: Frame) -> None:
    # The pixel is in it: the profile's own (PSF-08b) is a little smaller.
    star = galsim.Convolve(galsim.Moffat(beta=3, fwhm=FWHM_PX), galsim.Pixel(1))
    with_pixel = star.drawImage(nx=401, ny=401, scale=0.1, method="no_pixel").calculateHLR(flux=1.0)
    assert np.median(frame.ours["half_flux_radius_px"]) == pytest.approx(with_pixel, rel=0.015)
    assert 2 * with_pixel / FWHM_PX > reference("PSF-08b").value


def test_photutils(frame: Frame) -> None:
    places = np.column_stack([frame.ours["x"], frame.ours["y"]])[:60]
    fitted = fit_2dgaussian(  # what photutils.psf.fit_fwhm calls, with its positions
        frame.image, xypos=np.rint(places), fwhm=FWHM_PX, fix_fwhm=False, fit_shape=21
    ).results
    assert np.median(np.hypot(fitted["x_fit"] - places[:, 0], fitted["y_fit"] - places[:, 1])) < 0.02
    ratio = np.array(fitted["fwhm_fit"]) / frame.ours["fwhm_px"][:60]
    assert np.median(ratio) == reference("ORA-03b").approx


def test_photutils_centroid(frame: Frame) -> None:
    apart = []
    for x, y in zip(frame.ours["x"][:60], frame.ours["y"][:60], strict=True):
        ix, iy = round(x), round(y)
        at = centroid_quadratic(frame.image[iy - 7 : iy + 8, ix - 7 : ix + 8], fit_boxsize=3)
        apart.append(np.hypot(ix - 7 + at[0] - x, iy - 7 + at[1] - y))
    assert np.median(apart) < 0.05  # a parabola is no star: it leans to the middle of the pixel


def test_adaptive_moments_of_galsim(frame: Frame) -> None:
    ratios, apart = [], []
    for star in frame.ours[:60]:
        ix, iy = round(float(star["x"])), round(float(star["y"]))
        stamp = galsim.Image(frame.image[iy - 30 : iy + 31, ix - 30 : ix + 31].copy(), scale=1, xmin=-30, ymin=-30)
        moments = stamp.FindAdaptiveMom()
        ratios.append(2.35482 * moments.moments_sigma / star["fwhm_px"])
        apart.append(np.hypot(ix + moments.moments_centroid.x - star["x"], iy + moments.moments_centroid.y - star["y"]))
    assert np.median(apart) < 0.02
    assert np.median(ratios) == reference("ORA-02b").within(rel=0.01)
