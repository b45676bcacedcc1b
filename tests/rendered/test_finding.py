"""Stars are found, and nothing else is."""

from pathlib import Path

import numpy as np
import pytest
from against_truth import Matches, match
from scipy.spatial import cKDTree
from star_field import Scene, power_law, star_field, write

from framecheck import measure_frame
from framecheck.errors import UnusableFrame
from framecheck.read import read_frame
from framecheck.sky import measure_sky
from framecheck.stars import vetting
from framecheck.stars.find import find_stars


def finding(tmp_path: Path, **changes: object) -> tuple[Matches, float]:
    """What is found in a frame: drawn stars and others; and the share of good measured stars that are no stars."""
    scene = Scene(**changes)
    image, truth = star_field(scene)
    path = write(tmp_path / "frame.fits", image, scene)
    frame = read_frame(path)
    found = find_stars(frame, measure_sky(frame), 65535.0)
    within = max(2.0, truth.fwhm_px / 2)
    good = measure_frame(path).stars.good
    made_up = match(good["x"], good["y"], truth.x, truth.y, within).share_false
    return match(found.x, found.y, truth.x, truth.y, within), made_up


@pytest.mark.parametrize("fwhm_px", [1.3, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0])
def test_stars_of_snr_20_among_hot_pixels_and_particles(tmp_path: Path, fwhm_px: float) -> None:
    n = 1000 if fwhm_px < 5 else 400
    pairs, made_up = finding(
        tmp_path, fwhm_px=fwhm_px, snr=20.0, n_stars=n, size=(2000, 1600), hot_pixels=640, cosmic_rays=16
    )
    assert pairs.share_found >= 0.99
    assert pairs.share_false <= 0.01
    assert made_up <= 0.01


@pytest.mark.parametrize(
    "scene",
    [
        {"profile": "gaussian", "fwhm_px": 1.5},
        {"elongation": 1.5},
        {"gradient_adu": 1500.0},
        {"nebulosity_adu": 500.0},
        {"hot_pixels": 3200},
        {"cosmic_rays": 32},
    ],
    ids=lambda scene: " ".join(scene),
)
def test_stars_of_snr_20_where_it_is_harder(tmp_path: Path, scene: dict[str, object]) -> None:
    usual = {"snr": 20.0, "n_stars": 1000, "size": (2000, 1600), "hot_pixels": 640, "cosmic_rays": 16}
    pairs, made_up = finding(tmp_path, **(usual | scene))
    assert pairs.share_found >= 0.99
    assert pairs.share_false <= 0.01
    assert made_up <= 0.01


@pytest.mark.parametrize("fwhm_px", [3.0, 8.0])
def test_where_one_pixel_in_a_hundred_is_hot(tmp_path: Path, fwhm_px: float) -> None:
    # a frame without its dark: two in five of the wide stars have one inside their half-maximum; no bar, what was
    # reached
    pairs, made_up = finding(
        tmp_path, fwhm_px=fwhm_px, snr=20.0, n_stars=400, size=(2000, 1600), hot_pixels=32_000, cosmic_rays=16
    )
    assert pairs.share_found >= 0.95
    assert pairs.share_false <= 0.01
    assert made_up <= 0.01


@pytest.mark.parametrize("hot_pixels", [0, 300])
def test_a_frame_without_stars_has_none(tmp_path: Path, hot_pixels: int) -> None:
    image, _ = star_field(n_stars=1, snr=0.01, hot_pixels=hot_pixels, cosmic_rays=hot_pixels // 50)
    with pytest.raises(UnusableFrame, match="no stars"):
        measure_frame(write(tmp_path / "frame.fits", image))


@pytest.mark.parametrize(
    "scene",
    [
        {"n_stars": 3000},
        {"n_stars": 1500, "fwhm_px": 5.0},
        {"n_stars": 1500, "elongation": 1.5},
        {"n_stars": 800, "hot_pixels": 2000, "cosmic_rays": 20},
    ],
    ids=lambda scene: " ".join(scene),
)
def test_a_quick_look_finds_what_a_close_look_at_every_peak_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, scene: dict[str, object]
) -> None:
    usual = {"size": (1200, 1000), "snr": power_law(scene["n_stars"], 5.0, 5000.0), "min_separation_px": 0.0}
    image, _ = star_field(**(usual | scene))
    frame = read_frame(write(tmp_path / "frame.fits", image))
    sky = measure_sky(frame)
    quick = find_stars(frame, sky, 65535.0)
    monkeypatch.setattr(vetting, "CLEARLY_ALIKE", np.inf)
    monkeypatch.setattr(vetting, "NOTHING_LEFT", -np.inf)
    close = find_stars(frame, sky, 65535.0)
    assert len(quick) == pytest.approx(len(close), rel=0.02)
    apart, of = cKDTree(np.column_stack([quick.x, quick.y])).query(np.column_stack([close.x, close.y]))
    both = apart < 1
    assert both.mean() > 0.96  # the others are at the limit of what is found
    assert np.median(apart[both]) < 0.05
    assert np.median(quick.flux_adu[of[both]] / close.flux_adu[both]) == pytest.approx(1, abs=0.005)
    assert both[: len(close) // 3].mean() > 0.99
