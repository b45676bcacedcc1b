"""Few stars among more hits of charged particles: the stars are the stars."""

from pathlib import Path

import numpy as np
import pytest
from extended_light import particle_hits
from star_field import Scene, power_law, star_field, write

from framecheck import measure_frame


@pytest.mark.parametrize("seed", [0, 1])
@pytest.mark.parametrize(("fwhm_px", "n_stars", "n_hits"), [(2.0, 12, 20), (3.0, 6, 20), (3.0, 12, 40), (4.0, 6, 20)])
def test_a_few_stars_are_measured_among_many_hits(
    tmp_path: Path, fwhm_px: float, n_stars: int, n_hits: int, seed: int
) -> None:
    scene = Scene(
        fwhm_px=fwhm_px, n_stars=n_stars, size=(600, 500), snr=power_law(n_stars, 12.0, 150.0, seed=seed), seed=seed
    )
    image, truth = star_field(scene, more_light=particle_hits(scene, n_hits))
    good = measure_frame(write(tmp_path / "frame.fits", image, scene)).stars.good
    apart = np.hypot(good["x"][:, None] - truth.x, good["y"][:, None] - truth.y)
    assert (apart.min(axis=0) < 1.5).mean() >= 0.9  # one in a dozen may lie under a hit
    assert (apart.min(axis=1) > 1.5).sum() <= 2
    assert np.median(good["fwhm_px"]) == pytest.approx(fwhm_px, rel=0.06)  # noise of six stars, some of SNR 12
