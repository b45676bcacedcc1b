"""What camera and optics add to a frame is not taken for stars, and does not widen them.

Each is drawn as textbooks of optics and sensors describe it: spikes fall as 1 / r and haloes as 1 / r² (diffraction by
vanes, scattering; closed form), ghosts are the pupil's rings, full wells bleed along columns.
"""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from against_truth import match
from numpy.typing import NDArray
from star_field import FULL_ADU, Scene, Truth, power_law, star_field, write

from framecheck import measure_frame
from framecheck.read import read_frame
from framecheck.sky import measure_sky
from framecheck.stars.find import find_stars

F64 = NDArray[np.float64]
SIDE = 640
SCENE = Scene(size=(SIDE, SIDE), n_stars=180, fwhm_px=3.0, snr=power_law(180, 15.0, 400.0), min_separation_px=14.0)
Y, X = np.mgrid[:SIDE, :SIDE].astype(float)
BRIGHT = 400.0, 250.0  # x, y of a bright star [px]
NEAR = 25.0  # [px] of it where nothing is asked


def bright_star(spikes: bool) -> F64:
    """A star of thirty times full well with its halo and ghosts, and with the spikes of four vanes."""
    x, y = X - BRIGHT[0], Y - BRIGHT[1]
    r = np.hypot(x, y)
    light = 2e6 / (1 + (r / 2.94) ** 2) ** 3 + 2e4 / (1 + (r / 4) ** 2)
    for at, radius, height in (((-120, 90), 28, 60.0), ((150, 160), 55, 25.0)):
        far = np.hypot(x - at[0], y - at[1])
        light += height / (1 + np.exp(far - radius)) / (1 + np.exp(0.4 * radius - far))
    if spikes:
        for angle in np.radians([20.0, 110.0]):
            along, across = x * np.cos(angle) + y * np.sin(angle), y * np.cos(angle) - x * np.sin(angle)
            light += 4e4 / np.hypot(along, 3) * np.exp(-((across / 1.3) ** 2) / 2) * np.exp(-((along / 150) ** 2))
    return light


def bleeding(image: NDArray[np.uint16]) -> None:
    column = int(BRIGHT[0])
    image[90:430, column - 1 : column + 2] = FULL_ADU
    image[60:460, column] = FULL_ADU


def bad_columns(image: NDArray[np.uint16]) -> None:
    image[:, 100] += 300
    image[200:, 300] = 0
    image[:400, 511] += 3000
    image[:, 560:562] -= 200


def hot_pixels(image: NDArray[np.uint16]) -> None:
    rng = np.random.default_rng(5)
    hot = rng.integers(0, image.size, 3 * image.size // 1000)
    image.reshape(-1)[hot] = np.minimum(image.reshape(-1)[hot] + 200 * rng.pareto(1.0, len(hot)) + 100, FULL_ADU)


def shading(specks: bool) -> F64:
    """Vignetting: 45 % in the corner of a frame of which this is a quarter; or the shadows of dust."""
    r2 = (X**2 + Y**2) / (2 * SIDE**2)
    if not specks:
        return 1 - 0.45 * r2
    passed = np.ones_like(X)
    for at, radius, depth in (((200, 420), 26, 0.12), ((450, 470), 18, 0.2), ((330, 150), 40, 0.08)):
        far = np.hypot(X - at[0], Y - at[1])
        passed -= depth / (1 + np.exp((far - radius) / 1.5)) / (1 + np.exp((0.35 * radius - far) / 1.5))
    return passed


def glow() -> F64:
    """Light of the amplifier in a corner."""
    return 4000 * np.exp(-np.hypot(X - SIDE, Y) / 45) + 1500 * np.exp(-(SIDE - X) / 12)


CLUTTER: dict[str, tuple[dict[str, F64], Callable[[NDArray[np.uint16]], None] | None]] = {
    "halo and ghosts": ({"more_light": bright_star(spikes=False)}, None),
    "spikes": ({"more_light": bright_star(spikes=True)}, None),
    "bled columns": ({"more_light": bright_star(spikes=False)}, bleeding),
    "amplifier glow": ({"more_light": glow()}, None),
    "dust": ({"passed": shading(specks=True)}, None),
    "vignetting": ({"passed": shading(specks=False)}, None),
    "hot pixels": ({}, hot_pixels),
    "bad columns": ({}, bad_columns),
}


def measured(folder: Path, image: NDArray[np.uint16], truth: Truth, skip: bool) -> tuple[float, float, float]:
    """Share of drawn stars found, of found ones that are none, and the typical FWHM; not near the bright star."""
    path = write(folder / "frame.fits", image, SCENE)
    frame = read_frame(path)
    found = find_stars(frame, measure_sky(frame), float(FULL_ADU))
    far = np.hypot(found.x - BRIGHT[0], found.y - BRIGHT[1]) > (NEAR if skip else 0)
    asked = np.hypot(truth.x - BRIGHT[0], truth.y - BRIGHT[1]) > 2 * NEAR
    every = match(found.x[far], found.y[far], truth.x, truth.y, 2.0)
    share = len(np.unique(match(found.x, found.y, truth.x[asked], truth.y[asked], 2.0).true)) / asked.sum()
    return share, every.share_false, float(np.median(measure_frame(path).stars.good["fwhm_px"]))


@pytest.fixture(scope="module")
def clean_fwhm_px(tmp_path_factory: pytest.TempPathFactory) -> float:
    return measured(tmp_path_factory.mktemp("clean"), *star_field(SCENE), skip=False)[2]


@pytest.mark.parametrize("name", CLUTTER)
def test_clutter_is_no_star_and_widens_none(tmp_path: Path, clean_fwhm_px: float, name: str) -> None:
    light, afterwards = CLUTTER[name]
    image, truth = star_field(SCENE, **light)
    if afterwards is not None:
        afterwards(image)
    share_found, share_false, fwhm_px = measured(tmp_path, image, truth, skip="more_light" in light)
    assert share_found >= 0.95
    assert share_false <= (0.02 if name == "spikes" else 0.01)  # of fifty beads on the spikes three faint ones pass
    assert fwhm_px == pytest.approx(clean_fwhm_px, rel=0.01)


def test_what_a_star_bleeds_is_one_star(tmp_path: Path) -> None:
    image, _ = star_field(SCENE, more_light=bright_star(spikes=False))
    bleeding(image)
    full = image == FULL_ADU  # wells are full at a level of their own, to which the noise of readout comes
    image[full] -= np.random.default_rng(1).integers(0, 30, full.sum()).astype(np.uint16)
    frame = read_frame(write(tmp_path / "frame.fits", image, SCENE))
    found = find_stars(frame, measure_sky(frame), float(FULL_ADU - 30))
    along = found.saturated & (np.abs(found.x - BRIGHT[0]) < 5)
    assert along.sum() == 1
