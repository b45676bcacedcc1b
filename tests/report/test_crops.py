"""Pictures of pixels: the star in the middle, the corners where they are, and nothing upside down."""

import io

import numpy as np
import pytest
from PIL import Image

from framecheck.report.crops import TILES, corner_sheet, side_of_stars, star_crop


def opened(packed: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(packed)).convert("L"), dtype=float)


def test_the_star_is_in_the_middle_and_its_wing_is_where_it_was() -> None:
    pixels = np.full((100, 200), 900.0)
    pixels[40, 150] = 5000  # row 40 from below
    pixels[43, 150] = 3000  # above it in the picture, for the first row of the file lies lowest
    picture = opened(star_crop(pixels, 150.2, 39.8, 21))
    assert picture.shape == (21, 21)
    assert picture[10, 10] == 255
    # closed form: shades go as the square root of the light above the sky
    assert picture[7, 10] == pytest.approx(255 * (2100 / 4100) ** 0.5, abs=1)


def test_a_star_at_the_edge_and_one_of_a_mosaic_have_a_picture() -> None:
    pixels = np.random.default_rng(1).normal(900, 10, (60, 60))
    assert opened(star_crop(pixels, 1, 58, 21)).shape == (21, 21)
    assert opened(star_crop(pixels, 30, 30, 21, is_mosaic=True)).shape == (10, 10)


def test_stars_beside_each_other_have_one_scale_that_fits_the_widest() -> None:
    assert side_of_stars([2.0, 3.0]) >= 8 * 3.0
    assert side_of_stars([2.0, 3.0]) % 2 == 1


def test_corners_stand_in_the_order_of_their_names() -> None:
    pixels = np.random.default_rng(1).normal(900, 2, (600, 900))
    spots = {"upper left": (580, 20), "upper right": (580, 880), "lower left": (20, 20), "lower right": (20, 880)}
    for name, (y, x) in spots.items():
        one = pixels.copy()
        one[y - 6 : y + 6, x - 6 : x + 6] += 3000
        sheet = opened(corner_sheet(one, 40_000))
        side = sheet.shape[1] // len(TILES)
        tile = sheet[:, TILES.index(name) * side : (TILES.index(name) + 1) * side]
        assert sheet.shape[0] == side
        assert (tile > 240).sum() >= 80, name  # 144 pixels shine, the rim of them softened by the packing
        # in the corner itself, a little in from the edge: outer half of the piece both ways
        rows, columns = np.nonzero(tile > 240)
        assert (rows.mean() < side / 2) == name.startswith("upper")
        assert (columns.mean() < side / 2) == name.endswith("left")


def test_a_sheet_keeps_to_its_size() -> None:
    pixels = np.random.default_rng(1).normal(900, 15, (4176, 6248))
    assert len(corner_sheet(pixels, 4_000)) <= 4_000
