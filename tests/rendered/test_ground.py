"""Ground in view is told, and nothing on it is a star; skies that only look like ground are sky.

No source gives numbers for landscapes: scenes and truth are drawn here (`landscape`); stars by GalSim.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from against_truth import match
from landscape import WIDE, Landscape, Seen, hills, landscape, roofs, tree
from scipy.ndimage import binary_erosion, gaussian_filter
from star_field import write

from framecheck import measure_frame
from framecheck.field import FrameResult


def measured(path: Path, scene: Landscape, turned: int = 0) -> tuple[FrameResult, Seen]:
    """What framecheck says of a scene, seen by a camera turned by quarters, and the truth of it (not turned)."""
    image, seen = landscape(scene)
    return measure_frame(write(path / "frame.fits", np.rot90(image, turned).copy(), scene.stars)), seen


FEW = replace(WIDE, n_stars=25)
TRAILED = replace(WIDE, trail_px=8.0, n_stars=120)


def vignetted(u, v, rng):  # 45 % at the corners
    return 1 - 0.45 * ((u - 0.5) ** 2 + (v - 0.5) ** 2) / 0.5


GROUND = {
    "hills": Landscape(opaque=hills(0.25)),
    "jagged hills": Landscape(opaque=hills(0.3, 0.1, 0.5)),
    "bare hills": Landscape(opaque=hills(0.3, 0.06, 2.0)),
    "a low horizon": Landscape(opaque=hills(0.08, 0.03)),
    "black hills": Landscape(opaque=hills(0.3), ground_light=0.02, texture=0.1),
    "hardly darker hills": Landscape(opaque=hills(0.3), ground_light=0.6, texture=0.2),
    "hills under a vignetted sky": Landscape(opaque=hills(0.35), light=vignetted),
    "hills in the glow of a town": Landscape(opaque=hills(0.3), light=lambda u, v, rng: 1 + 1.5 * np.exp(-v / 0.2)),
    "hills at dusk": Landscape(opaque=hills(0.3), light=lambda u, v, rng: np.exp(1.2 * (1 - v))),
    "roofs with windows": Landscape(opaque=roofs(0.25), windows=8, lamps=3),
    "a tree": Landscape(opaque=tree, lamps=0),
    "a dark sky": Landscape(opaque=hills(0.25), stars=replace(WIDE, sky_adu=60.0)),
    "few stars": Landscape(opaque=hills(0.3), stars=FEW),
    "trailed stars": Landscape(opaque=hills(0.25), stars=TRAILED),
    "a tracker's smear": Landscape(opaque=hills(0.3, 0.08), smear_px=12),
    "a tracker's long smear": Landscape(opaque=hills(0.3, 0.08), smear_px=40),
    "bare hills that a tracker smears": Landscape(opaque=hills(0.35, 0.06, 2.0), smear_px=40, texture=0.1),
}


@pytest.mark.parametrize("name", GROUND)
def test_ground_is_told_and_bears_no_star(tmp_path: Path, name: str) -> None:
    result, seen = measured(tmp_path, GROUND[name])
    assert result.sky.ground_share == pytest.approx(seen.share, abs=0.03)
    good, shape = result.stars.good, result.shape
    pairs = match(result.stars.table["x"], result.stars.table["y"], seen.x, seen.y, max(2.0, seen.fwhm_px / 2))
    assert shape is not None
    # of few stars one stands at the line; of trailed ones some are beside each other, and not measured
    assert pairs.share_found >= {"few stars": 0.94, "trailed stars": 0.95}.get(name, 0.97)
    well_within = binary_erosion(seen.hidden > 0.5, iterations=2)  # half a star may look over the line
    on_ground = well_within[np.rint(good["y"]).astype(int), np.rint(good["x"]).astype(int)]
    assert on_ground.sum() == 0
    assert result.stars.n_found <= 1.04 * len(seen.x) + 1
    assert shape.fwhm_px == pytest.approx(seen.fwhm_px, rel=0.05)
    assert shape.elongation == pytest.approx(seen.elongation, abs=0.06)
    assert result.sky.level_adu == pytest.approx(seen.sky_adu, rel=0.02)


@pytest.mark.parametrize("turned", [1, 2, 3])
def test_the_camera_may_be_turned(tmp_path: Path, turned: int) -> None:
    result, seen = measured(tmp_path, Landscape(opaque=hills(0.25)), turned)
    assert result.sky.ground_share == pytest.approx(seen.share, abs=0.03)
    assert result.stars.n_found == pytest.approx(len(seen.x), abs=3)


def half_clouded(u, v, rng):
    rough = gaussian_filter(rng.standard_normal(u.shape), 30)
    return 1 + 0.4 * np.tanh(((u - 0.5) * u.shape[1] + 25 * rough / rough.std()) / 25)


def torn_cloud(u, v, rng):  # a sharp and uneven edge, but stars shine through
    rough = gaussian_filter(rng.standard_normal(u.shape), 30)
    return 1 + 0.4 * np.tanh(((u - 0.5) * u.shape[1] + 25 * rough / rough.std()) / 8)


def milky_way(u, v, rng):
    across = v - 0.4 - 0.5 * (u - 0.5)
    rough = gaussian_filter(rng.standard_normal(u.shape), 15)
    rift = np.exp(-(((across + 0.04 * rough / rough.std()) / 0.05) ** 2))
    return 1 + 1.2 * np.exp(-((across / 0.18) ** 2)) - 0.5 * rift


def dark_nebula(u, v, rng):
    rough = gaussian_filter(rng.standard_normal(u.shape), 12)
    return 1 + 0.8 / (1 + np.exp(-(v - 0.45 + 0.04 * rough / rough.std()) / 0.03))


def dust(u, v, rng):
    ring = np.hypot((u - 0.3) * 640, (v - 0.4) * 480)
    at_edge = np.hypot((u - 0.98) * 640, (v - 0.6) * 480)
    rim = 1 - 0.12 / (1 + np.exp((np.abs(ring - 40) - 18) / 4))
    return rim * (1 - 0.15 / (1 + np.exp((at_edge - 60) / 5)))


BRIGHT = replace(WIDE, sky_adu=6000.0)
SKIES = {
    "plain": Landscape(),
    "vignetting of 45 %": Landscape(light=vignetted),
    "vignetting of a bright sky": Landscape(light=vignetted, stars=BRIGHT),
    "twilight": Landscape(light=lambda u, v, rng: np.exp(1.6 * v + 0.5 * u), stars=BRIGHT),
    "glow of the amplifier": Landscape(light=lambda u, v, rng: 1 + 3 * np.exp(-np.hypot(u - 1.02, v - 0.1) / 0.06)),
    "half covered by cloud": Landscape(light=half_clouded),
    "torn cloud": Landscape(light=torn_cloud),
    "Milky Way": Landscape(light=milky_way),
    "dark nebula": Landscape(light=dark_nebula),
    "dust": Landscape(light=dust, stars=BRIGHT),
    "dew": Landscape(light=lambda u, v, rng: 1 + 0.5 * np.exp(-((u - 0.5) ** 2 + (v - 0.5) ** 2) / 0.05)),
    "mosaic of two fields": Landscape(light=lambda u, v, rng: np.where(u + 0.2 * v > 0.6, 1.25, 1.0)),
    "dark edges of the sensor": Landscape(edges=(30, 25)),
    "few stars": Landscape(stars=replace(WIDE, n_stars=8)),
    "an even bank of thin cloud": Landscape(light=lambda u, v, rng: np.where(v > 0.3 + 0.05 * np.sin(5 * u), 1, 0.7)),
}


@pytest.mark.parametrize("name", SKIES)
def test_sky_is_no_ground(tmp_path: Path, name: str) -> None:
    result, _ = measured(tmp_path, SKIES[name])
    assert result.sky.ground_share == 0


def test_a_smooth_line_is_no_ground_s_where_no_star_need_stand_behind_it(tmp_path: Path) -> None:
    # as much as one sees of the rim of a dome, or of a shadow inside the telescope
    scene = Landscape(opaque=hills(0.2, 0.03, 2.5), texture=0.0, lamps=0, stars=replace(WIDE, n_stars=20))
    result, _ = measured(tmp_path, scene)
    assert not result.sky.ground_share


def test_ground_that_nothing_tells_from_a_dark_cloud_stays_open(tmp_path: Path) -> None:
    # smooth and black, and with so few stars that none need stand there
    scene = Landscape(opaque=hills(0.2), ground_light=0.05, texture=0.0, lamps=0, stars=replace(WIDE, n_stars=20))
    result, _ = measured(tmp_path, scene)
    assert result.sky.ground_share is None


UNSURE = {
    "a hill lit by a town": Landscape(opaque=hills(0.25), ground_light=1.6, texture=0.3, lamps=25),
    "a lit hill as bright as the sky": Landscape(opaque=hills(0.25), ground_light=1.0, texture=0.3, lamps=15),
    "a bank of fog": Landscape(opaque=lambda u, v, rng: v < 0.2, ground_light=1.4, texture=0.04, lamps=0),
    "fog over hills": Landscape(opaque=hills(0.2), ground_light=1.5, texture=0.05, lamps=0),
}


@pytest.mark.parametrize("name", UNSURE)
def test_a_border_without_stars_that_is_no_dark_ground_stays_open(tmp_path: Path, name: str) -> None:
    result, _ = measured(tmp_path, UNSURE[name])
    assert result.sky.ground_share is None
