"""A camera that stands still beside the pole: lines lie in all directions, and grow with the distance from it."""

from pathlib import Path

import galsim
import numpy as np
import pytest
from star_field import TIGHT, Scene, write

from framecheck import measure_frame
from framecheck.stars.trail_length import typical_length

SIZE = (800, 640)  # width, height
SCENE = Scene(size=SIZE, fwhm_px=2.4, n_stars=220)


def lines_about(pole: tuple[float, float], turned_rad: float, xy: np.ndarray) -> np.ndarray:
    """Way of each star under a turn about a point, shape (n, 2). Closed form, to first order."""
    away = xy - np.array(pole)
    return turned_rad * np.column_stack([-away[:, 1], away[:, 0]])


def places(n: int) -> np.ndarray:
    """Places all over the frame, none nearer than 25 px to another."""
    columns, rows = np.meshgrid(np.arange(20, SIZE[0] - 20, 40), np.arange(20, SIZE[1] - 20, 40))
    rng = np.random.default_rng(4)
    all_of_them = np.column_stack([columns.ravel(), rows.ravel()]) + rng.uniform(-7, 7, (columns.size, 2))
    return rng.permutation(all_of_them)[:n]


def drawn(xy: np.ndarray, lines: np.ndarray) -> np.ndarray:
    """Moffat stars moved along lines, as GalSim draws them, with noise of photons."""
    rng = np.random.default_rng(5)
    image = galsim.ImageD(*SIZE, xmin=0, ymin=0)
    star = galsim.Moffat(beta=3.0, fwhm=SCENE.fwhm_px, gsparams=TIGHT)
    for (x, y), (dx, dy), flux in zip(xy, lines, rng.uniform(1.5e4, 6e4, len(xy)), strict=True):
        line = galsim.Box(np.hypot(dx, dy), 1e-2, gsparams=TIGHT).rotate(np.arctan2(dy, dx) * galsim.radians)
        stamp = image[galsim.BoundsI(round(x) - 19, round(x) + 19, round(y) - 19, round(y) + 19) & image.bounds]
        moved = galsim.Convolve(star, line, gsparams=TIGHT).withFlux(flux)
        moved.drawImage(image=stamp, scale=1.0, center=galsim.PositionD(x, y), add_to_image=True)
    electrons = rng.poisson((image.array + SCENE.sky_adu) * SCENE.gain) + rng.normal(0, SCENE.read_noise_e, SIZE[::-1])
    return np.rint(electrons / SCENE.gain + SCENE.pedestal_adu).astype(np.uint16)


@pytest.mark.parametrize("pole", [(400.0, 320.0), (250.0, 500.0), (-100.0, 320.0)])
def test_lines_about_the_pole_have_the_length_that_stars_moved(tmp_path: Path, pole: tuple[float, float]) -> None:
    xy = places(SCENE.n_stars)
    lines = lines_about(pole, 0.009, xy)
    result = measure_frame(write(tmp_path / "frame.fits", drawn(xy, lines), SCENE))
    length = result.shape.trail_length_px
    assert length == pytest.approx(np.median(np.hypot(*lines.T)), rel=0.03)


def test_noise_makes_lines_neither_longer_nor_shorter() -> None:
    rng = np.random.default_rng(6)
    xy = rng.uniform(0, SIZE, (600, 2))
    lines = lines_about((500.0, 200.0), 0.006, xy)
    seen = lines * rng.choice([-1, 1], len(xy))[:, None] + rng.normal(0, 0.5, (len(xy), 2))  # either end comes first
    true = float(np.median(np.hypot(*lines.T)))
    assert np.median(np.hypot(*seen.T)) > 1.04 * true  # lengths by themselves
    assert typical_length(*xy.T, seen) == pytest.approx(true, rel=0.03)


def test_few_lines_are_taken_as_parallel() -> None:
    seen = np.array([[3.0, 4.0], [-3.0, -4.0], [3.1, 3.9]])
    assert typical_length(np.arange(3.0), np.zeros(3), seen) == pytest.approx(5.0, rel=0.01)
