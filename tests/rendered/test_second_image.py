"""A faint second image close to every star of a colour mosaic is told as a knock; rings, tails and swings are not."""

from pathlib import Path

import numpy as np
import pytest
from dng import write_dng
from scipy.ndimage import shift
from star_field import power_law, star_field

from framecheck import FrameResult, measure_frame

SHARES = {"R": 0.7, "G": 1.0, "B": 0.5}  # light of each colour; invented
SKY = {"n_stars": 500, "snr": power_law(500, 5.0, 1500.0, slope=1.0), "min_separation_px": 0.0, "beta": 4.0}


def as_raw(folder: Path, image: np.ndarray) -> FrameResult:
    out = np.zeros(image.shape)
    for k, colour in enumerate("RGGB"):
        out[k // 2 :: 2, k % 2 :: 2] = image[k // 2 :: 2, k % 2 :: 2] * SHARES[colour]
    pixels = np.clip(np.rint(out), 0, 65535).astype(np.uint16)
    return measure_frame(write_dng(folder / "light.dng", pixels, black=(100, 100, 100, 100)))


@pytest.mark.parametrize("share", [0.15, 0.27, 0.4])
@pytest.mark.parametrize(("fwhm_px", "offset"), [(2.6, (-0.6, -5.2)), (2.0, (4.0, 2.0)), (3.5, (7.0, -3.0))])
def test_a_second_image_two_widths_off_is_a_knock(
    tmp_path: Path, fwhm_px: float, offset: tuple[float, float], share: float
) -> None:
    image, _ = star_field(fwhm_px=fwhm_px, knocked_px=offset, knocked_share=share, **SKY)
    stars = as_raw(tmp_path, image).stars
    assert stars.doubled_px is not None
    assert np.hypot(*(np.array(stars.doubled_px) - offset)) < 0.4
    assert stars.doubled_share == pytest.approx(share, abs=0.06)


def test_a_push_that_leaves_two_hundredths_is_no_knock(tmp_path: Path) -> None:
    image, _ = star_field(fwhm_px=2.6, knocked_px=(5.0, 3.0), knocked_share=0.02, **SKY)
    assert as_raw(tmp_path, image).stars.doubled_px is None


@pytest.mark.parametrize(
    "scene",
    [
        {"fwhm_px": 1.6},
        {"fwhm_px": 2.6, "elongation": 1.5},
        {"fwhm_px": 2.2, "trail_px": 4.0},
        {"fwhm_px": 2.2, "trail_px": 20.0},
        {"fwhm_px": 2.6, "n_stars": 3000, "snr": power_law(3000, 5.0, 1500.0, slope=1.0)},
    ],
    ids=["narrow", "ellipses", "short trails", "long trails", "crowded"],
)
def test_stars_drawn_once_are_no_knock(tmp_path: Path, scene: dict[str, object]) -> None:
    image, _ = star_field(**{**SKY, **scene})
    assert as_raw(tmp_path, image).stars.doubled_px is None


@pytest.mark.parametrize("form", ["ring", "swing", "tail"])
def test_other_light_beside_every_star_is_no_second_image(tmp_path: Path, form: str) -> None:
    """Drawn by adding up moved copies of a field: around a circle with one side brighter, along a swing, behind."""
    image, truth = star_field(fwhm_px=2.2, **SKY)
    light = image.astype(float) - truth.sky_adu
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    copies = {
        "ring": [(4 * np.sin(a), 4 * np.cos(a), 1 + 0.6 * np.cos(a)) for a in angle],
        "swing": [(5 * np.sin(a), 2 * np.sin(a), 1.0 + 0.3 * np.sin(a)) for a in angle],
        "tail": [(0.0, 0.8 * k, 0.75**k) for k in range(12)],
    }[form]
    total = sum(weight for *_, weight in copies)
    drawn = sum(weight / total * shift(light, (y, x), order=1) for y, x, weight in copies)
    noise = np.random.default_rng(3).normal(0, 0.8 * truth.noise_adu, light.shape)
    assert as_raw(tmp_path, drawn + noise + truth.sky_adu).stars.doubled_px is None
