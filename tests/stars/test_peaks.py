"""Peaks and cut-outs are the same however the frame is gone through."""

import numpy as np
import pytest

from framecheck.read.cells import mean_cells
from framecheck.sky.model import Sky
from framecheck.stars import peaks as module
from framecheck.stars.peaks import find_peaks
from framecheck.stars.stamps import windows_at


def a_frame(kind: type, shape: tuple[int, int] = (301, 407)) -> tuple[np.ndarray, Sky]:
    """Noise with bright pixels on a sky that rises, and that sky."""
    rng = np.random.default_rng(3)
    level = np.add.outer(np.linspace(0, 300, shape[0]), np.linspace(0, 200, shape[1])) + 500
    pixels = level + rng.normal(0, 20, shape)
    pixels[rng.integers(0, shape[0], 400), rng.integers(0, shape[1], 400)] += rng.uniform(100, 60_000, 400)
    y, x = (np.arange(32, n, 64.0) for n in shape)
    mesh = level[np.ix_(y.astype(int), x.astype(int))].astype(np.float32)
    sky = Sky(
        level_adu=mesh,
        noise_adu=np.full_like(mesh, 20.0),
        x_centres=x.astype(np.float32),
        y_centres=y.astype(np.float32),
        shape=shape,
    )
    return np.clip(np.rint(pixels), 0, 65535).astype(kind), sky


@pytest.mark.parametrize("kind", [np.uint16, np.float32])
@pytest.mark.parametrize("cell", [1, 2, 4])
def test_peaks_do_not_depend_on_the_bands(monkeypatch: pytest.MonkeyPatch, kind: type, cell: int) -> None:
    pixels, sky = a_frame(kind)
    whole = find_peaks(pixels, sky, cell)
    monkeypatch.setattr(module, "ROWS_TOGETHER", 5)
    banded = find_peaks(pixels, sky, cell)
    assert len(whole) > 100
    for name in ("x", "y", "height"):
        np.testing.assert_allclose(getattr(banded, name), getattr(whole, name), rtol=1e-6)


@pytest.mark.parametrize("cell", [2, 4])
def test_peaks_stand_above_their_eight_neighbours(cell: int) -> None:
    pixels, sky = a_frame(np.uint16)
    found = find_peaks(pixels, sky, cell)
    cells = mean_cells(pixels, cell)
    row, column = (np.floor((at + 0.5) / cell).astype(int) for at in (found.y, found.x))
    padded = np.pad(cells, 1, constant_values=-1)
    around = np.lib.stride_tricks.sliding_window_view(padded, (3, 3))[row, column]
    assert (cells[row, column] == around.max(axis=(1, 2))).all()
    assert found.height == pytest.approx(cells[row, column] - sky.level_at(found.x, found.y), abs=0.01)


@pytest.mark.parametrize("cell", [2, 3, 4])
def test_a_cell_is_the_mean_of_its_pixels(cell: int) -> None:
    pixels, _ = a_frame(np.uint16)
    n_y, n_x = pixels.shape[0] // cell, pixels.shape[1] // cell
    blocks = pixels[: n_y * cell, : n_x * cell].reshape(n_y, cell, n_x, cell)
    np.testing.assert_allclose(mean_cells(pixels, cell), blocks.mean(axis=(1, 3)), rtol=1e-6)


@pytest.mark.parametrize("kind", [np.uint16, np.float32])
def test_windows_are_slices_of_the_frame(kind: type) -> None:
    pixels, _ = a_frame(kind)
    left, top = np.array([0, 396, 100]), np.array([0, 290, 7])
    windows = windows_at(pixels, left, top, 11)
    for window, x, y in zip(windows, left, top, strict=True):
        np.testing.assert_array_equal(window.reshape(11, 11), pixels[y : y + 11, x : x + 11])
