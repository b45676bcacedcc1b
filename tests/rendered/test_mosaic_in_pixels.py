"""A colour mosaic is measured on its green pixels, as if they were all there are."""

import numpy as np
import pytest
from astropy.io import fits
from star_field import star_field

from framecheck import measure_frame

SHARES = {"R": 0.7, "G": 1.0, "B": 0.5}  # light of each colour, sky and stars alike; invented


@pytest.mark.parametrize("pattern", ["RGGB", "GRBG"])
@pytest.mark.parametrize(("fwhm_px", "elongation"), [(3.0, 1.0), (4.0, 1.3)])
def test_a_mosaic_gives_the_widths_of_the_profile(tmp_path, pattern: str, fwhm_px: float, elongation: float) -> None:
    image, truth = star_field(fwhm_px=fwhm_px, elongation=elongation, snr=100.0)
    mosaic = np.zeros(image.shape)
    for k, colour in enumerate(pattern):
        row, column = divmod(k, 2)
        mosaic[row::2, column::2] = image[row::2, column::2] * SHARES[colour]
    header = fits.Header({"IMAGETYP": "Light Frame", "EXPTIME": 60.0, "BAYERPAT": pattern})
    path = tmp_path / "mosaic.fits"
    fits.PrimaryHDU(np.rint(mosaic).astype(np.uint16), header).writeto(path)
    result = measure_frame(path)
    assert result.exposure.mosaic_pattern == pattern
    assert result.stars.n_found == pytest.approx(300, abs=3)
    assert result.shape.fwhm_px == pytest.approx(truth.fwhm_px, rel=0.01)
    assert result.shape.elongation == pytest.approx(truth.elongation, abs=0.02)
    assert result.sky.level_adu == pytest.approx(truth.sky_adu, abs=0.1 * truth.noise_adu)
