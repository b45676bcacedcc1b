"""Rows of detections across a frame are satellites; stars at random are not."""

from pathlib import Path

import numpy as np
import pytest

from framecheck.stars.crossing import in_crossing_lines

SHAPE = (1000, 1500)


def scattered(n: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    return rng.uniform(0, SHAPE[1], n), rng.uniform(0, SHAPE[0], n)


@pytest.mark.parametrize("n", [50, 500, 3000])
def test_stars_at_random_make_no_line(n: int) -> None:
    for seed in range(5):
        marked, n_lines = in_crossing_lines(*scattered(n, seed), SHAPE, 3.0)
        assert n_lines == 0
        assert not marked.any()


@pytest.mark.parametrize("angle_deg", [0.0, 37.0, 90.0, 141.0])
def test_a_row_of_beads_is_marked_and_the_stars_are_not(angle_deg: float) -> None:
    x, y = scattered(400, 1)
    rng = np.random.default_rng(2)
    along = np.arange(-400, 400, 7.0)
    angle = np.radians(angle_deg)
    bead_x = 750 + along * np.cos(angle) + rng.normal(0, 0.4, len(along))
    bead_y = 500 + along * np.sin(angle) + rng.normal(0, 0.4, len(along))
    marked, n_lines = in_crossing_lines(np.append(x, bead_x), np.append(y, bead_y), SHAPE, 3.0)
    on_frame = (bead_y > 0) & (bead_y < SHAPE[0])
    assert n_lines == 1
    assert marked[400:][on_frame].mean() > 0.95
    assert marked[:400].sum() <= 4  # a star under the line is lost with it


def test_two_crossing_lines_are_counted() -> None:
    x, y = scattered(200, 3)
    along = np.arange(0, 600, 6.0)
    rows_x = np.concatenate([x, 300 + along, 900 + 0 * along])
    rows_y = np.concatenate([y, 200 + 0.5 * along, 150 + along])
    _, n_lines = in_crossing_lines(rows_x, rows_y, SHAPE, 3.0)
    assert n_lines == 2


def test_a_bright_even_line_is_counted_and_none_of_it_taken_for_stars() -> None:
    """A line without beads has no peak like a star's: its own light must tell."""
    from framecheck.read.exposure import Exposure, Frame
    from framecheck.sky import measure_sky
    from framecheck.stars.find import find_stars

    rng = np.random.default_rng(4)
    v, u = np.mgrid[:600, :900]
    image = 800 + rng.normal(0, 20, (600, 900))
    stars = rng.uniform(20, 580, (60, 2))
    for x, y in stars * [1.45, 1.0]:
        image += 900 * np.exp(-((u - x) ** 2 + (v - y) ** 2) / (2 * 1.5**2))
    off = (u - 400) * np.sin(0.7) - (v - 310) * np.cos(0.7)
    image += 500 * np.exp(-(off**2) / (2 * 1.5**2))
    exposure = Exposure(file=Path("light.fits"), kind="light", width_px=900, height_px=600)
    frame = Frame(exposure=exposure, pixels=np.round(image).astype(np.uint16))
    found = find_stars(frame, measure_sky(frame), None)
    near = np.abs((found.x - 400) * np.sin(0.7) - (found.y - 310) * np.cos(0.7)) < 4
    assert found.n_crossing == 1
    assert near.sum() <= 3
    assert len(found) > 50
