"""The sky of each colour of a mosaic, against the sky that was put there."""

from pathlib import Path

import numpy as np
import pytest

from framecheck.read.exposure import Exposure, Frame
from framecheck.sky import measure_cells, measure_colours

SHAPE = (1400, 2000)
NOISE = 25.0


def a_mosaic(pattern: str, kind: type = np.uint16) -> tuple[Frame, dict[str, np.ndarray]]:
    """A noisy sky that is redder on the right and bluer at the top, with 200 bright blobs on it."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    skies = {"R": 800 + 300 * x / SHAPE[1], "G": np.full(SHAPE, 1000.0), "B": 600 + 200 * y / SHAPE[0]}
    image = np.empty(SHAPE)
    for k, colour in enumerate(pattern):
        image[k // 2 :: 2, k % 2 :: 2] = skies[colour][k // 2 :: 2, k % 2 :: 2]
    image += NOISE * rng.standard_normal(SHAPE)
    for row, column in zip(rng.integers(5, SHAPE[0] - 5, 200), rng.integers(5, SHAPE[1] - 5, 200), strict=True):
        image[row - 3 : row + 4, column - 3 : column + 4] += 3000
    exposure = Exposure(file=Path("mosaic.fits"), kind="light", width_px=SHAPE[1], height_px=SHAPE[0])
    return Frame(exposure=exposure, pixels=np.rint(image).astype(kind), mosaic=pattern), skies


@pytest.mark.parametrize("kind", [np.uint16, np.float32])
@pytest.mark.parametrize("pattern", ["RGGB", "GBRG"])
def test_each_colour_lies_above_green_as_it_was_made(pattern: str, kind: type) -> None:
    frame, skies = a_mosaic(pattern, kind)
    colours = measure_colours(frame)
    assert colours is not None
    x, y = np.array([100, 1000, 1900, 500, 1500]), np.array([700, 100, 1300, 1200, 200])
    found = colours.at(x, y)
    for place, colour in enumerate(pattern):
        above = skies[colour][y, x] - skies["G"][y, x]
        np.testing.assert_allclose(found[:, place], above, atol=0.2 * NOISE)


def test_undefined_pixels_tell_nothing() -> None:
    frame, skies = a_mosaic("RGGB", np.float32)
    frame.pixels[:300] = np.nan
    colours = measure_colours(frame)
    assert colours is not None
    red = colours.at(np.array([1000.0]), np.array([1000.0]))[0, 0]
    assert red == pytest.approx(skies["R"][1000, 1000] - 1000, abs=0.2 * NOISE)
    assert np.isfinite(colours.above_green_adu).all()


def test_a_monochrome_frame_has_no_colours() -> None:
    frame, _ = a_mosaic("RGGB")
    assert measure_colours(Frame(exposure=frame.exposure, pixels=frame.pixels)) is None


@pytest.mark.parametrize("kind", [np.uint16, np.float32])
def test_the_sky_of_cells_is_the_mean_of_their_colours(kind: type) -> None:
    frame, skies = a_mosaic("RGGB", kind)
    sky = measure_cells(frame)
    mean = (skies["R"] + 2 * skies["G"] + skies["B"]) / 4
    x, y = np.array([100.0, 1000.0, 1900.0]), np.array([200.0, 700.0, 1300.0])
    np.testing.assert_allclose(sky.level_at(x, y), mean[y.astype(int), x.astype(int)], atol=0.15 * NOISE)
    assert np.median(sky.noise_adu) == pytest.approx(NOISE, rel=0.1)  # of a cell's mean, times two
