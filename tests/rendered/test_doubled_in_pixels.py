"""A knock in the exposure draws every star twice: its offset and share are told, and nothing else is taken for one."""

import numpy as np
import pytest
from star_field import power_law

REAL = {"n_stars": 400, "snr": power_law(400, 8.0, 3000.0), "min_separation_px": 0.0, "hot_pixels": 120}


@pytest.mark.parametrize("share", [0.2, 0.35, 0.5])
@pytest.mark.parametrize(
    ("fwhm_px", "offset"),
    [(3.0, (8.0, 6.0)), (3.0, (-10.0, 0.0)), (1.6, (4.0, 3.0)), (6.0, (7.0, -9.0)), (3.0, (20.0, 30.0))],
)
def test_the_second_image_is_told(drawn, fwhm_px: float, offset: tuple[float, float], share: float) -> None:
    if fwhm_px == 6.0 and share == 0.2:
        pytest.skip("less than two FWHM off, a fainter part of a fifth is lost in the light of the brighter")
    result, _ = drawn(fwhm_px=fwhm_px, knocked_px=offset, knocked_share=share, **REAL)
    assert result.stars.doubled_px is not None
    turn = np.sign(np.dot(result.stars.doubled_px, offset)) if share == 0.5 else 1  # which of two equal parts is first
    # centres of close parts pull at each other
    assert np.hypot(*(turn * np.array(result.stars.doubled_px) - offset)) < max(0.3, 0.2 * fwhm_px)
    assert result.stars.doubled_share == pytest.approx(share, abs=0.07)


def test_the_brighter_image_may_be_the_second(drawn) -> None:
    result, _ = drawn(knocked_px=(8.0, 6.0), knocked_share=0.7, **REAL)
    assert result.stars.doubled_px == pytest.approx((-8.0, -6.0), abs=0.3)
    assert result.stars.doubled_share == pytest.approx(0.3, abs=0.05)


@pytest.mark.parametrize(
    "scene",
    [
        REAL,
        {"n_stars": 5000, "snr": power_law(5000, 5.0, 5000.0), "min_separation_px": 0.0},
        {"n_stars": 2000, "snr": 30.0, "min_separation_px": 0.0, "size": (1000, 1000)},
        {"fwhm_px": 8.0, "snr": 20.0, "hot_pixels": 240},
        {"trail_px": 8.0},
        {"trail_px": 30.0, "n_stars": 100},
        {"elongation": 1.5, "cosmic_rays": 20},
    ],
    ids=["usual", "crowded", "equal", "wide", "short trails", "long trails", "ellipses"],
)
def test_no_other_frame_is_doubled(drawn, scene: dict[str, object]) -> None:
    result, _ = drawn(**scene)
    assert result.stars.doubled_px is None
