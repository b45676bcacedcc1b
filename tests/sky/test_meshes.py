"""Meshes, each mended by its neighbours; numpy is the reference."""

import numpy as np
import pytest

from framecheck.sky import Sky
from framecheck.sky.meshes import (
    by_mesh,
    in_meshes,
    mean_of_nine,
    median_of_nine,
    over_neighbours,
    picked_by_mesh,
)


def test_the_median_of_nine_is_the_median_for_every_order_of_zeros_and_ones() -> None:
    # a network of comparisons that is right for all zeros and ones is right for all values (Knuth, volume 3, 5.3.4)
    nine = [np.array([number >> k & 1 for number in range(2**9)], float) for k in range(9)]
    np.testing.assert_array_equal(median_of_nine(nine), np.median(nine, axis=0))


def test_medians_and_means_over_three_by_three() -> None:
    mesh = np.random.default_rng(3).normal(size=(7, 11))
    windows = np.lib.stride_tricks.sliding_window_view(mesh, (3, 3)).reshape(5, 9, 9)
    np.testing.assert_array_equal(over_neighbours(mesh, median_of_nine)[1:-1, 1:-1], np.median(windows, axis=2))
    np.testing.assert_allclose(over_neighbours(mesh, mean_of_nine)[1:-1, 1:-1], windows.mean(axis=2))


def test_a_slope_stays_a_slope_up_to_the_edge() -> None:
    slope = np.add.outer(2.0 * np.arange(6), 3.0 * np.arange(9))
    for typical in (median_of_nine, mean_of_nine):
        np.testing.assert_allclose(over_neighbours(slope, typical), slope)


def test_samples_lie_in_their_own_mesh() -> None:
    rows, columns = in_meshes(100, 20, 3), in_meshes(90, 30, 7)
    y, x = np.mgrid[:100, :90]
    mesh_number = 100 * (y // 20) + x // 30
    samples = by_mesh(mesh_number[rows.ravel()][:, columns.ravel()], rows, columns)
    assert samples.shape[:2] == (5, 3)
    np.testing.assert_array_equal(np.ptp(samples, axis=2), 0)
    np.testing.assert_array_equal(samples[..., 0], np.add.outer(100 * np.arange(5), np.arange(3)))


def test_noise_that_falls_steeply_towards_an_edge_stays_noise_there() -> None:
    falling = np.array([[30.0, 20.0, 10.0, 1.0]] * 2, np.float32)
    centres = np.array([32.0, 96.0, 160.0, 224.0], np.float32)
    sky = Sky(level_adu=falling, noise_adu=falling, x_centres=centres, y_centres=centres[:2], shape=(128, 256))
    x, y = np.array([32.0, 255.0]), np.array([10.0, 100.0])
    np.testing.assert_allclose(sky.level_and_noise_at(x, y)[1], [30.0, 0.5])
    np.testing.assert_allclose(sky.level_and_noise_at(x, y)[1], [30.0, 0.5])
    np.testing.assert_allclose(sky.noise_rows(y, x), [[30.0, 0.5]] * 2)


@pytest.mark.parametrize("step", [1, 3, 7])
def test_samples_are_the_same_picked_at_once_or_by_rows_and_columns(step: int) -> None:
    image = np.random.default_rng(step).integers(0, 65536, (203, 187), dtype=np.uint16)
    for pixels in (image, image[1::2, 0::2]):  # the latter as one colour of a mosaic
        rows, columns = in_meshes(pixels.shape[0], 20, step), in_meshes(pixels.shape[1], 31, step)
        slowly = by_mesh(pixels[rows.ravel()][:, columns.ravel()], rows, columns)
        np.testing.assert_array_equal(picked_by_mesh(pixels, [20, 31], step), slowly)
