"""A colour mosaic is measured on its green pixels, as if they were all there are."""

from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from star_field import Truth, star_field

from framecheck import FrameResult, measure_frame

SHARES = {"R": 0.7, "G": 1.0, "B": 0.5}  # light of each colour, sky and stars alike; invented


def mosaic_of(
    folder: Path, pattern: str = "RGGB", redder_adu: float = 0.0, second_green_adu: float = 0.0, **scene: object
) -> tuple[FrameResult, Truth]:
    """Measure a scene as a colour camera sees it; the sky of red pixels rises by so much from left to right.

    The second green pixels lie above the first by so much, as amplifiers of their own make them.
    """
    image, truth = star_field(**scene)
    mosaic = np.zeros(image.shape)
    for k, colour in enumerate(pattern):
        row, column = divmod(k, 2)
        mosaic[row::2, column::2] = image[row::2, column::2] * SHARES[colour]
        if colour == "R":
            mosaic[row::2, column::2] += redder_adu * np.linspace(0, 1, mosaic[row::2, column::2].shape[1])
    row, column = divmod(pattern.rindex("G"), 2)
    mosaic[row::2, column::2] += second_green_adu
    header = fits.Header({"IMAGETYP": "Light Frame", "EXPTIME": 60.0, "BAYERPAT": pattern})
    path = folder / "mosaic.fits"
    fits.PrimaryHDU(np.clip(np.rint(mosaic), 0, 65535).astype(np.uint16), header).writeto(path)
    result = measure_frame(path)
    assert result.exposure.mosaic_pattern == pattern
    return result, truth


@pytest.mark.parametrize("pattern", ["RGGB", "GRBG"])
@pytest.mark.parametrize(("fwhm_px", "elongation"), [(3.0, 1.0), (4.0, 1.3)])
def test_a_mosaic_gives_the_widths_of_the_profile(tmp_path, pattern: str, fwhm_px: float, elongation: float) -> None:
    result, truth = mosaic_of(tmp_path, pattern, fwhm_px=fwhm_px, elongation=elongation, snr=100.0)
    assert result.stars.n_found == pytest.approx(300, abs=3)
    assert result.shape.fwhm_px == pytest.approx(truth.fwhm_px, rel=0.01)
    assert result.shape.elongation == pytest.approx(truth.elongation, abs=0.02)
    assert result.sky.level_adu == pytest.approx(truth.sky_adu, abs=0.1 * truth.noise_adu)


@pytest.mark.parametrize("fwhm_px", [1.6, 6.0, 9.0])
def test_narrow_and_wide_stars_of_a_mosaic(tmp_path, fwhm_px: float) -> None:
    n = 300 if fwhm_px < 5 else 120
    result, truth = mosaic_of(tmp_path, fwhm_px=fwhm_px, snr=150.0, n_stars=n)
    assert result.stars.n_found == pytest.approx(n, abs=2)
    assert result.shape.fwhm_px == pytest.approx(truth.fwhm_px, rel=0.01)
    assert result.shape.elongation < 1.02


@pytest.mark.parametrize("sky", [{"redder_adu": 500.0}, {"gradient_adu": 1500.0}], ids=["moon on one side", "gradient"])
def test_a_gradient_of_any_colour_hides_no_star_of_a_mosaic(tmp_path, sky: dict[str, float]) -> None:
    # one level a colour for the whole frame left a chequered pattern in which a third of the stars were lost
    result, truth = mosaic_of(tmp_path, fwhm_px=3.0, snr=50.0, **sky)
    assert result.stars.n_found == pytest.approx(300, abs=3)
    assert result.shape.fwhm_px == pytest.approx(truth.fwhm_px, rel=0.015)


def test_hot_pixels_of_a_mosaic_are_no_stars_and_hide_few(tmp_path) -> None:
    result, truth = mosaic_of(tmp_path, fwhm_px=3.0, snr=50.0, hot_pixels=3000, cosmic_rays=10)
    assert 285 <= result.stars.n_found <= 300
    assert result.shape.fwhm_px == pytest.approx(truth.fwhm_px, rel=0.015)


def test_trails_of_a_mosaic(tmp_path) -> None:
    result, truth = mosaic_of(tmp_path, fwhm_px=3.0, trail_px=20.0, snr=200.0, n_stars=100)
    assert result.stars.n_found == pytest.approx(100, abs=2)
    assert result.shape.fwhm_px == pytest.approx(truth.fwhm_px, rel=0.02)
    assert result.shape.elongation == pytest.approx(truth.elongation, rel=0.03)


@pytest.mark.parametrize("fwhm_px", [2.5, 4.0])
def test_a_lopsided_star_is_as_lopsided_in_a_mosaic(tmp_path, fwhm_px: float) -> None:
    # third moments were summed over the green pixels alone and set against the light of all: half of what they are
    lopsided = {"fwhm_px": fwhm_px, "snr": 200.0, "knocked_px": (0.6 * fwhm_px, -0.3 * fwhm_px), "knocked_share": 0.15}
    mosaic, _ = mosaic_of(tmp_path, **lopsided)
    image, _ = star_field(**lopsided)
    fits.PrimaryHDU(image, fits.Header({"EXPTIME": 60.0})).writeto(tmp_path / "grey.fits")
    grey = measure_frame(tmp_path / "grey.fits")
    for name in ("coma", "trefoil"):
        there, here = (
            complex(*(np.median(one.stars.table[f"{name}{part}"]) for part in (1, 2))) for one in (grey, mosaic)
        )
        assert abs(there) > 0.01
        assert abs(here - there) < 0.1 * abs(there)
    scatter = [
        np.std(one.stars.table["trefoil1"]) / np.median(one.stars.table["third_error"]) for one in (grey, mosaic)
    ]
    assert scatter == pytest.approx([1, 1], abs=0.5)


def test_greens_of_two_levels_change_no_star(tmp_path) -> None:
    # fitted as one sky, they gave all stars of a lens the wings of a disc or of fog
    for name in ("even", "uneven"):
        (tmp_path / name).mkdir()
    snr = tuple(np.geomspace(8, 150, 300))
    even, truth = mosaic_of(tmp_path / "even", fwhm_px=1.8, snr=snr)
    uneven, _ = mosaic_of(tmp_path / "uneven", fwhm_px=1.8, snr=snr, second_green_adu=0.5 * truth.noise_adu)
    assert uneven.shape.fwhm_px == pytest.approx(even.shape.fwhm_px, rel=0.01)
    assert uneven.shape.moffat_beta == pytest.approx(even.shape.moffat_beta, rel=0.05)
    assert len(uneven.stars.table) == pytest.approx(len(even.stars.table), abs=3)
