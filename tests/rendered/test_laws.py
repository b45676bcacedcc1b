"""What must hold whatever the stars: a frame turned, mirrored, lifted or scaled gives the same stars, turned, mirrored,
lifted or scaled."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from against_truth import angle_between, assert_same_table, match
from star_field import Scene, star_field, write

from framecheck import measure_frame
from framecheck.field import FrameResult

Change = Callable[[np.ndarray], np.ndarray]
HEIGHT, WIDTH = 720, 900


@pytest.fixture(scope="module", params=[{"elongation": 1.4}, {"trail_px": 7.0}], ids=["ellipses", "trails"])
def frame(request, tmp_path_factory) -> tuple[np.ndarray, FrameResult, Path]:
    image, _ = star_field(pa_deg=25.0, n_stars=200, size=(WIDTH, HEIGHT), hot_pixels=60, **request.param)
    path = tmp_path_factory.mktemp("laws") / "frame.fits"
    return image, measure_frame(write(path, image)), path


def same_size_and_elongation(one: FrameResult, other: FrameResult, pixel_scale: float = 1.0) -> None:
    assert other.shape.fwhm_px == pytest.approx(one.shape.fwhm_px * pixel_scale, abs=0.5 * one.shape.fwhm_px_error)
    assert other.shape.elongation == pytest.approx(one.shape.elongation, abs=0.5 * one.shape.elongation_error)
    assert other.stars.n_found == pytest.approx(one.stars.n_found, abs=2)


TURNS = {
    # how pixels, places and directions go; numpy's rows run along +y
    "quarter turn": (lambda p: np.rot90(p, -1), lambda x, y: (HEIGHT - 1 - y, x), lambda pa: pa + 90),
    "half turn": (lambda p: p[::-1, ::-1], lambda x, y: (WIDTH - 1 - x, HEIGHT - 1 - y), lambda pa: pa),
    "upside down": (lambda p: p[::-1], lambda x, y: (x, HEIGHT - 1 - y), lambda pa: -pa),
    "left to right": (lambda p: p[:, ::-1], lambda x, y: (WIDTH - 1 - x, y), lambda pa: -pa),
    "transposed": (lambda p: p.T, lambda x, y: (y, x), lambda pa: 90 - pa),
}


@pytest.mark.parametrize("name", TURNS)
def test_turned_and_mirrored_frames(frame, name: str) -> None:
    image, upright, path = frame
    turn, place, direction = TURNS[name]
    turned = measure_frame(write(path, np.ascontiguousarray(turn(image))))
    same_size_and_elongation(upright, turned)
    expected = direction(upright.shape.elongation_pa_deg) % 180
    assert angle_between(turned.shape.elongation_pa_deg, expected) < 0.3
    before, after = upright.stars.good, turned.stars.good
    pairs = match(after["x"], after["y"], *place(before["x"], before["y"]), within_px=1.0)
    assert pairs.share_found > 0.97
    off = after["x"][pairs.found] - place(before["x"], before["y"])[0][pairs.true]
    assert np.median(np.abs(off)) < 0.3 * np.median(before["x_error"])


@pytest.mark.parametrize(
    ("change", "scale", "lift"),
    [
        (lambda p: p + np.uint16(700), 1.0, 700.0),
        (lambda p: p.astype(np.float32) * np.float32(3.7), 3.7, 0.0),
        (lambda p: p.astype(np.float32) / np.float32(65535), 1 / 65535, 0.0),
        (lambda p: p.astype(np.float32) * np.float32(1.5) - np.float32(900), 1.5, -900.0),
    ],
    ids=["lifted", "scaled up", "scaled to 0..1", "scaled, below zero"],
)
def test_lifted_and_scaled_frames(frame, change: Change, scale: float, lift: float) -> None:
    image, before, path = frame
    after = measure_frame(write(path, change(image)))
    same_size_and_elongation(before, after)
    noise = before.sky.noise_adu * scale
    assert after.sky.noise_adu == pytest.approx(noise, rel=0.01)
    assert after.sky.level_adu == pytest.approx(before.sky.level_adu * scale + lift, abs=0.03 * noise)
    ratio = np.median(after.stars.good["flux_adu"]) / np.median(before.stars.good["flux_adu"])
    assert ratio == pytest.approx(scale, rel=0.01)
    assert np.median(after.stars.good["snr"]) == pytest.approx(np.median(before.stars.good["snr"]), rel=0.01)


def test_the_same_file_gives_the_same_numbers(frame) -> None:
    image, before, path = frame
    again = measure_frame(write(path, image))
    assert_same_table(again.stars.table, before.stars.table)
    assert again.shape == before.shape


def test_more_light_from_the_same_stars_gives_the_same_shape(tmp_path: Path) -> None:
    shapes = []
    for snr in (50.0, 100.0, 400.0):
        scene = Scene(snr=snr, elongation=1.25, size=(WIDTH, HEIGHT))
        shapes.append(measure_frame(write(tmp_path / "frame.fits", star_field(scene)[0], scene)).shape)
    for shape in shapes[:2]:
        assert shape.fwhm_px == pytest.approx(shapes[2].fwhm_px, rel=0.01)
        assert shape.elongation == pytest.approx(shapes[2].elongation, abs=0.01)
