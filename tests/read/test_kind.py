"""Kinds told from the pixels where no header does."""

from dataclasses import replace

import galsim
import numpy as np
import pytest

from framecheck.read.exposure import Exposure, Frame
from framecheck.read.kind import kind_from_pixels

SHAPE = (600, 800)


def frame(pixels: np.ndarray, exposure_s: float | None = None, mosaic: str | None = None) -> Frame:
    exposure = Exposure(
        file=None, kind="unknown", width_px=pixels.shape[1], height_px=pixels.shape[0], exposure_s=exposure_s
    )  # type: ignore[arg-type]
    return Frame(exposure=exposure, pixels=np.clip(pixels, 0, 65535).astype(np.uint16), mosaic=mosaic)


def noise(level: float, sigma: float) -> np.ndarray:
    return np.random.default_rng(7).normal(level, sigma, SHAPE)


def with_hot_pixels(pixels: np.ndarray, share: float = 1e-3) -> np.ndarray:
    rng = np.random.default_rng(8)
    hot = rng.random(SHAPE) < share
    return pixels + np.where(hot, rng.exponential(2000, SHAPE), 0)


@pytest.mark.parametrize("fwhm_px", [1.3, 3.0, 8.0])
@pytest.mark.parametrize("snr", [30, 300])
def test_stars_make_a_light(fwhm_px: float, snr: float) -> None:
    # stars rendered by GalSim, pixel included
    image = galsim.Image(SHAPE[1], SHAPE[0], scale=1.0, init_value=0)
    rng = np.random.default_rng(9)
    star = galsim.Moffat(beta=3.5, fwhm=fwhm_px)
    drawn = star.drawImage(nx=65, ny=65, scale=1.0).array
    flux = snr * 20 / np.sqrt((drawn**2).sum())
    for x, y in rng.uniform(50, 550, (40, 2)):
        stamp = star.withFlux(flux).shift(x % 1, y % 1).drawImage(nx=65, ny=65, scale=1.0)
        image.array[int(y) - 32 : int(y) + 33, int(x) - 32 : int(x) + 33] += stamp.array
    assert kind_from_pixels(frame(with_hot_pixels(noise(1000, 20) + image.array))) == "light"


@pytest.mark.parametrize("exposure_s", [30.0, 300.0, None])
@pytest.mark.parametrize("share", [1e-3, 1e-2])
def test_dark(exposure_s: float | None, share: float) -> None:
    assert kind_from_pixels(frame(with_hot_pixels(noise(500, 8), share), exposure_s)) == "dark"


def test_dark_of_a_camera_whose_black_level_is_high() -> None:
    # cameras of 14 bits have black levels up to 2048 of 15600 (common practice, no source)
    dark = frame(with_hot_pixels(noise(2060, 8)), exposure_s=60.0)
    raw = replace(dark, exposure=replace(dark.exposure, pedestal_adu=2048.0, saturation_adu=15600.0))
    assert kind_from_pixels(raw) == "dark"


def test_dark_with_the_glow_of_an_amplifier_and_a_bright_column() -> None:
    y, x = np.indices(SHAPE)
    pixels = noise(500, 8) + 400 * np.exp(-(x**2 + y**2) / 150.0**2)
    pixels[:, 333] += 300
    assert kind_from_pixels(frame(pixels, 120.0)) == "dark"


@pytest.mark.parametrize("sigma", [1.0, 8.0])
def test_bias(sigma: float) -> None:
    assert kind_from_pixels(frame(noise(500, sigma), 0.001)) == "bias"


@pytest.mark.parametrize("mosaic", [None, "RGGB"])
def test_flat(mosaic: str | None) -> None:
    y, x = np.indices(SHAPE)
    vignette = 1 - 0.3 * ((x / SHAPE[1] - 0.5) ** 2 + (y / SHAPE[0] - 0.5) ** 2)
    colours = np.array([[0.5, 1.0], [1.0, 0.7]])[y % 2, x % 2] if mosaic else 1.0
    assert kind_from_pixels(frame(noise(30000, 150) * vignette * colours, 2.0, mosaic)) == "flat"


@pytest.mark.parametrize("level", [58000, 65535])
def test_a_sky_that_fills_the_sensor_is_no_flat(level: int) -> None:
    # an exposure far too long under a bright sky: its frames were skipped as flats
    assert kind_from_pixels(frame(np.minimum(noise(level, 150), 65535), 120.0)) == "unknown"


def test_cloud_without_stars_is_not_guessed() -> None:
    y, x = np.indices(SHAPE)
    assert kind_from_pixels(frame(noise(4000, 60) + 0.5 * x + y, 300.0)) == "unknown"
    assert kind_from_pixels(frame(noise(500, 8))) == "unknown"  # a bias, or a dark without warm pixels


def test_undefined_pixels_do_no_harm() -> None:
    pixels = noise(500, 8).astype(np.float32)
    pixels[:300] = np.nan
    exposure = Exposure(file=None, kind="unknown", width_px=800, height_px=600, exposure_s=60.0)  # type: ignore[arg-type]
    assert kind_from_pixels(Frame(exposure=exposure, pixels=pixels)) == "dark"
