"""Stars of 2 px that were moved, knocked or blurred by air: half-maximum axes against a fine drawing of the truth."""

from dataclasses import replace

import galsim
import numpy as np
import pytest
from scipy.ndimage import label
from star_field import TIGHT, Scene, star_profile

from framecheck.stars.contour import PLACES, LeftOver, contour_axes

FINE_PX = 0.02


def true_axes(scene: Scene) -> tuple[float, float]:
    """Longest and shortest extent of the half-maximum contour around the top, before the pixel. [px]"""
    star = star_profile(scene)
    if scene.knocked_px is not None:
        second = star.shift(*scene.knocked_px) * scene.knocked_share
        star = galsim.Sum(star * (1 - scene.knocked_share), second, gsparams=TIGHT)
    drawn = star.drawImage(nx=601, ny=601, scale=FINE_PX, method="no_pixel", dtype=float).array
    regions, _ = label(drawn > drawn.max() / 2)
    y, x = np.nonzero(regions == regions[np.unravel_index(drawn.argmax(), drawn.shape)])
    turned = [np.ptp(x * np.cos(a) + y * np.sin(a)) * FINE_PX for a in np.radians(range(0, 180, 3))]
    return max(turned), min(turned)


@pytest.mark.parametrize(
    "scene",
    [
        Scene(profile="kolmogorov", fwhm_px=1.7, trail_px=2.0),
        Scene(profile="moffat", beta=4.765, fwhm_px=2.0, trail_px=2.5, pa_deg=70.0),
        Scene(profile="kolmogorov", fwhm_px=1.8, knocked_px=(1.6, -0.8), knocked_share=0.4),
        Scene(profile="moffat", fwhm_px=2.0, knocked_px=(1.2, 0.6), knocked_share=0.35),
    ],
    ids=["moved in turbulent air", "moved", "knocked in turbulent air", "knocked a little"],
)
def test_axes_of_odd_stars_are_right_to_five_percent(drawn, scene: Scene) -> None:
    scene = replace(scene, snr=150.0, n_stars=200, size=(640, 560))
    names = (
        "profile",
        "beta",
        "fwhm_px",
        "trail_px",
        "pa_deg",
        "knocked_px",
        "knocked_share",
        "snr",
        "n_stars",
        "size",
    )
    result, _ = drawn(**{name: getattr(scene, name) for name in names})
    shape, (long_px, short_px) = result.shape, true_axes(scene)
    assert shape.fwhm_px * shape.elongation**0.5 == pytest.approx(long_px, rel=0.05)
    assert shape.fwhm_px / shape.elongation**0.5 == pytest.approx(short_px, rel=0.05)


def test_contour_of_a_star_that_the_function_does_not_fit() -> None:
    # Gaussians blurred by Gaussians: squared widths add up (closed form)
    pixel2, rng = 0.47, np.random.default_rng(4)

    def seen(at_x: np.ndarray, at_y: np.ndarray, long_px: float, short_px: float) -> np.ndarray:
        a2, b2 = long_px**2 + pixel2, short_px**2 + pixel2
        top = long_px * short_px / np.sqrt(a2 * b2)
        return top * np.exp(-4 * np.log(2) * (at_x**2 / a2 + at_y**2 / b2))

    fitted, true, n = (2.4, 1.8), (2.1, 1.9), 20_000
    x, y = rng.uniform(-4, 4, (2, n))  # half-widths
    x_px, y_px = x * fitted[0] / 2, y * fitted[1] / 2
    noise = 0.02
    residual = seen(x_px, y_px, *true) - seen(x_px, y_px, *fitted) + rng.normal(0, noise, n)
    left = LeftOver(*(one.astype(np.float32) for one in (x, y, residual, np.full(n, noise**-2))))
    function = seen(PLACES[None, :] * fitted[0] / 2, PLACES[:, None] * fitted[1] / 2, *fitted)
    axes = contour_axes(function, function, left, fitted, fitted, round_star=False)
    assert axes is not None
    assert axes.long_px == pytest.approx(true[0], rel=0.02)
    assert axes.short_px == pytest.approx(true[1], rel=0.02)
    assert abs(axes.long_px - true[0]) < 3 * axes.long_error_px < 0.1
