"""A small picture shows what the frame shows: where its light is, and that nothing is upside down."""

import io

import numpy as np
import pytest
from PIL import Image

from framecheck.report.thumbnail import WIDEST_PX, shrunk, stretched, thumbnail


def frame(shape: tuple[int, int] = (1000, 1500)) -> np.ndarray:
    return np.random.default_rng(2).normal(900, 15, shape).clip(0).astype(np.uint16)


def opened(packed: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(packed)).convert("L"), dtype=float)


def test_a_block_becomes_its_mean() -> None:
    pixels = np.repeat(np.repeat(np.arange(12.0).reshape(3, 4), 100, axis=0), 100, axis=1)
    assert shrunk(pixels, 4) == pytest.approx(np.arange(12.0).reshape(3, 4))
    assert max(shrunk(frame()).shape) <= WIDEST_PX


def test_a_colour_mosaic_turns_grey() -> None:
    # closed form: each block holds the four colours of a 2 x 2 cell alike
    pixels = np.tile(np.array([[100, 200], [300, 600]], dtype=np.uint16), (500, 750))
    assert np.ptp(shrunk(pixels)) == 0
    assert shrunk(pixels)[0, 0] == pytest.approx(300)


def test_the_first_row_of_the_file_is_lowest() -> None:
    pixels = frame()
    pixels[:100] += 3000
    picture = opened(thumbnail(pixels, 12_000))
    assert picture[-10:].mean() > 2 * picture[:10].mean()


def test_a_line_of_light_is_seen_and_the_stars_do_not_burn() -> None:
    pixels = frame()
    pixels[500:504] += 400
    pixels[200:206, 300:306] = 60000
    shades = stretched(shrunk(pixels))
    row = 500 * shades.shape[0] // 1000
    assert shades[row - 1 : row + 2].max(axis=0).mean() > 1.5 * shades.mean()
    assert np.mean(shades == 255) < 0.01


def test_pictures_keep_to_their_size() -> None:
    for most in (12_000, 4_000, 1_000):
        assert len(thumbnail(frame((4176, 6248)), most)) <= most


@pytest.mark.parametrize("level", [0, 65535])
def test_an_empty_frame_makes_a_picture(level: int) -> None:
    assert opened(thumbnail(np.full((40, 60), level, dtype=np.uint16), 12_000)).shape == (40, 60)
    hollow = np.full((40, 60), np.nan, dtype=np.float32)
    assert opened(thumbnail(hollow, 12_000)).max() == 0
    assert opened(thumbnail(np.ones((3, 2000), dtype=np.uint16), 12_000)).shape[1] <= WIDEST_PX
