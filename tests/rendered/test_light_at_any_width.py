"""Stars of constant light keep it, however sharp the frame: what the transparency of a night rests on."""

import numpy as np
import pytest
from against_truth import match

from framecheck.night.transparency import light_share

WIDTHS_PX = (1.2, 1.5, 2.0, 3.5)


@pytest.mark.parametrize(
    ("profile", "beta"), [("moffat", 2.5), ("moffat", 3.0), ("moffat", 4.765), ("kolmogorov", 0.0)]
)
def test_light_is_the_same_to_a_hundredth_at_any_width(drawn, profile: str, beta: float) -> None:
    # stars lie at all places within a pixel
    shares = []
    for fwhm_px in WIDTHS_PX:
        scene = {"n_stars": 150, "size": (640, 560), "snr": 150.0}
        result, truth = drawn(profile=profile, beta=beta, fwhm_px=fwhm_px, **scene)
        good = result.stars.good
        pairs = match(good["x"], good["y"], truth.x, truth.y, within_px=2.0)
        share = float(np.median(good["flux_adu"][pairs.found] / truth.flux_adu[pairs.true]))
        shares.append(share * light_share(result.shape))
    assert np.ptp(shares) < 0.01 * np.mean(shares), shares
