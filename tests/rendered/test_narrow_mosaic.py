"""Stars about a pixel wide keep their size and form on a colour mosaic, and lines of faint stars their length."""

import numpy as np
import pytest
from star_field import power_law
from test_mosaic_in_pixels import mosaic_of

MANY = {"n_stars": 400, "snr": power_law(400, 8.0, 1500.0), "beta": 4.0, "seed": 2}


@pytest.mark.parametrize("elongation", [1.0, 1.3])
@pytest.mark.parametrize("fwhm_px", [0.9, 1.0, 1.1, 1.2, 1.4])
def test_stars_a_pixel_wide_come_out_neither_longer_nor_wider(tmp_path, fwhm_px: float, elongation: float) -> None:
    result, truth = mosaic_of(tmp_path, fwhm_px=fwhm_px, elongation=elongation, **MANY)
    shape = result.shape
    assert abs(shape.fwhm_px - truth.fwhm_px) < 2.5 * shape.fwhm_px_error
    assert shape.fwhm_px_error < 0.1 * truth.fwhm_px
    assert shape.elongation == pytest.approx(truth.elongation, abs=max(0.03, 2.5 * shape.elongation_error))
    assert shape.elongation_error < 0.03


@pytest.mark.parametrize(("fwhm_px", "trail_px"), [(1.4, 2.45), (1.9, 2.45), (2.2, 3.76)])
def test_lines_of_many_faint_stars_are_as_long_as_those_of_the_few_bright(tmp_path_factory, fwhm_px, trail_px) -> None:
    faint = {"n_stars": 600, "snr": power_law(600, 5.0, 1500.0, slope=1.0), "size": (1500, 1000)}
    seen = [
        mosaic_of(
            tmp_path_factory.mktemp("sky"), fwhm_px=fwhm_px, trail_px=trail_px, beta=4.0, min_separation_px=0.0,
            seed=seed, **faint,
        )[0].shape.trail_length_px
        for seed in (1, 2, 3)
    ]  # fmt: skip
    assert np.mean(seen) == pytest.approx(trail_px, rel=0.015)
