"""A real exposure: the middle of the globular cluster M13 in an infrared sky survey, as astropy's own tests ship it.

300 x 300 pixels of 1 arcsec, crowded; from SkyView, 16-bit, also in each of the lossless tile compressions of FITS.
"""

from pathlib import Path

import astropy
import numpy as np
import pytest
import sep
from against_truth import assert_same_table
from astropy.io import fits
from numpy.typing import NDArray
from photutils.psf import fit_2dgaussian
from scipy.spatial import cKDTree

from framecheck import measure_frame
from framecheck.field import FrameResult

FOLDER = Path(astropy.__file__).parent / "io/fits/hdu/compressed/tests/data"
FRAME = FOLDER / "m13.fits"
pytestmark = pytest.mark.skipif(not FRAME.exists(), reason="this astropy comes without its test data")


@pytest.fixture(scope="module")
def result() -> FrameResult:
    return measure_frame(FRAME)


@pytest.fixture(scope="module")
def lonely(result: FrameResult) -> NDArray[np.void]:
    """Good bright stars with no measured star within four times their width."""
    good = result.stars.good
    places = np.column_stack([good["x"], good["y"]])
    nearest = cKDTree(places).query(places, k=2)[0][:, 1]
    return good[(nearest > 12) & (good["snr"] > 60)]


def test_places_are_those_of_sep(lonely: NDArray[np.void]) -> None:
    pixels = fits.getdata(FRAME).astype(np.float32)
    sky = sep.Background(pixels, bw=32, bh=32)
    found = sep.extract(pixels - sky, 5, err=sky.globalrms, minarea=5)
    x, y, _ = sep.winpos(pixels - sky, found["x"], found["y"], np.full(len(found), 1.4))
    apart, _ = cKDTree(np.column_stack([x, y])).query(np.column_stack([lonely["x"], lonely["y"]]))
    together = apart < 1.5  # sep joins some neighbours in the crowd
    assert together.mean() > 0.75
    assert np.median(apart[together]) < 0.1


def test_sizes_are_those_of_photutils(lonely: NDArray[np.void], result: FrameResult) -> None:
    # A Gaussian fitted to a pixel's samples is wider than the profile before the pixel: by the pixel's own variance,
    # 8 ln 2 / 12 px² of squared FWHM, and more where a star has wings. Stars of this survey have nearly none.
    pixels = fits.getdata(FRAME).astype(float) - result.sky.level_adu
    places = np.rint(np.column_stack([lonely["x"], lonely["y"]]))
    fitted = fit_2dgaussian(pixels, xypos=places, fwhm=3.3, fix_fwhm=False, fit_shape=7).results
    theirs = np.median(np.asarray(fitted["fwhm_fit"]))
    ours = np.median(lonely["fwhm_px"])
    assert np.sqrt(theirs**2 - 8 * np.log(2) / 12) == pytest.approx(ours, rel=0.04)


def test_the_stars_of_a_survey_are_round(result: FrameResult) -> None:
    assert result.shape is not None
    assert result.shape.elongation < 1.08
    assert result.shape.n_measured > 100


@pytest.mark.parametrize("compression", ["rice", "gzip", "plio", "hcomp"])
def test_compression_without_loss_changes_nothing(result: FrameResult, compression: str) -> None:
    again = measure_frame(FOLDER / f"m13_{compression}.fits")
    assert_same_table(again.stars.table, result.stars.table)
    assert again.shape == result.shape
