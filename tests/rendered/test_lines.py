"""What flies across a frame is told from what only draws lines: nebulae, spikes, clusters, ground, the detector."""

from collections.abc import Callable
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import lines_drawn as drawn
import numpy as np
import pytest
from numpy.typing import NDArray

from framecheck.causes.result import Finding, Healthy
from framecheck.causes.sky import trail_crossing
from framecheck.field import FrameResult, FrameShape, frame_shape
from framecheck.motion.build import build_night
from framecheck.motion.night import Night
from framecheck.night.trails import trails_of
from framecheck.read.exposure import Exposure, Frame
from framecheck.read.rig import Rig
from framecheck.sky import measure_sky
from framecheck.stars import measure_stars
from framecheck.stars.measure import Measured

Image = NDArray[np.uint16]


def measured(image: Image, mosaic: str | None = None) -> Measured:
    exposure = Exposure(file=Path("light.fits"), kind="light", width_px=image.shape[1], height_px=image.shape[0])
    frame = Frame(exposure=exposure, pixels=image, mosaic=mosaic)
    return measure_stars(frame, measure_sky(frame), 65535.0, drawn.GAIN)


@cache
def field(seed: int = 1) -> Image:
    return drawn.stars(seed=seed)


def shape_of(result: Measured) -> FrameShape:
    shape = frame_shape(result)
    assert shape is not None
    return shape


@pytest.mark.parametrize("angle_deg", [3.0, 37.0, 114.0])
@pytest.mark.parametrize("sigmas", [2.0, 12.0, 300.0])
def test_a_satellite_from_edge_to_edge_is_a_trail(angle_deg: float, sigmas: float) -> None:
    """Its light is that of the drawn cross-section: for beta 2.5 the integral over the height is 1.2 FWHM, about."""
    through = (300.0, 250.0)
    result = measured(drawn.with_light(field(), drawn.satellite(angle_deg, through, sigmas)))
    (line,) = (one for one in result.stars.lines if one.flown)
    assert line.open_ends == 0
    assert line.fwhm_px == pytest.approx(3.16, abs=0.35)  # 3.0 and the pixel's own 0.94 in quadrature
    across = np.linspace(-60, 60, 12001)
    light = sigmas * drawn.NOISE_ADU * np.trapezoid(drawn.ridge(across, 3.0), across)
    assert line.light_adu_per_px == pytest.approx(light, rel=0.1, abs=3 * drawn.NOISE_ADU)
    assert abs(float(line.along_and_across(np.array([300.0]), np.array([250.0]))[1][0])) < 0.5
    assert len(result.stars.good) > 100


def test_a_trail_hardly_brighter_than_the_noise_is_found() -> None:
    """1.5 times the noise of a pixel: no eye misses it, yet one cell in twenty only rises above four sigma."""
    rng = np.random.default_rng(5)
    places = [(rng.uniform(0, 180), (rng.uniform(200, 440), rng.uniform(150, 370))) for _ in range(5)]
    seen = [measured(drawn.with_light(field(), drawn.satellite(*place, 1.5))).stars.n_crossing for place in places]
    assert sum(seen) >= 4


@pytest.mark.parametrize(
    "light",
    [
        lambda: drawn.satellite(20, (300, 250), 10, 6.0),
        lambda: drawn.aeroplane(28, (300, 260), 9),
        lambda: drawn.aeroplane(28, (300, 260), 30),
        lambda: drawn.meteor(55, (320, 260), 260),
    ],
    ids=["a satellite out of focus", "an aeroplane", "an aeroplane's flashes", "a meteor"],
)
def test_other_things_that_fly_are_trails(light: Callable[[], drawn.Light]) -> None:
    assert measured(drawn.with_light(field(), light())).stars.n_crossing == 1


def test_what_ends_within_the_frame_is_told_so() -> None:
    result = measured(drawn.with_light(field(), drawn.meteor(55, (320, 260), 260)))
    (line,) = result.stars.lines
    assert line.open_ends == 2
    assert line.length_px == pytest.approx(255, abs=15)


def a_hill(seed: int) -> Image:
    height = drawn.ridge_height(seed)
    return drawn.with_light(drawn.behind(field(), height), drawn.lamps(height))


SCENES: dict[str, Callable[[], Image]] = {
    "stars": field,
    "a crowd": lambda: drawn.stars(n_stars=1000, snr=tuple(np.geomspace(8, 400, 1000)), min_separation_px=0),
    **{f"filaments {seed}": lambda seed=seed: drawn.with_light(field(), drawn.filament(seed)) for seed in range(1, 6)},
    "spikes": lambda: drawn.with_light(field(), drawn.bright_star(310, 260)),
    "spikes along the rows": lambda: drawn.with_light(field(), drawn.bright_star(310, 260, angle_deg=0)),
    "six spikes": lambda: drawn.with_light(field(), drawn.bright_star(200, 300, angle_deg=10, spikes=6)),
    "a galaxy from its edge": lambda: drawn.with_light(field(), drawn.needle(330, 240)),
    "a globular cluster": lambda: drawn.with_light(field(), drawn.cluster(n=20000)),
    "a lit ridge": lambda: a_hill(5),
    "another lit ridge": lambda: a_hill(7),
    "a bad column": lambda: drawn.with_light(field(), drawn.bad_column([201])),
    "bright columns": lambda: drawn.with_light(field(), drawn.bad_column([201, 450], 60, 2)),
    "rows of noise": lambda: drawn.with_light(field(), drawn.noisy_rows([100, 101, 300])),
}


@pytest.mark.parametrize("scene", SCENES)
def test_what_does_not_fly_is_no_trail(scene: str) -> None:
    assert measured(SCENES[scene]()).stars.n_crossing == 0


@pytest.mark.parametrize("brightness", [1.0, 6.0])
def test_stars_beside_five_trails_are_measured_as_without_them(brightness: float) -> None:
    ways = [(12, (300, 100)), (49, (200, 250)), (77, (420, 250)), (118, (150, 300)), (160, (320, 420))]
    trails = sum(
        drawn.satellite(angle, at, brightness * sigmas)
        for (angle, at), sigmas in zip(ways, (20, 30, 15, 60, 10), strict=True)
    )
    alone, beside = measured(field()), measured(drawn.with_light(field(), trails))
    assert beside.stars.n_crossing == 5
    assert shape_of(beside).fwhm_px == pytest.approx(shape_of(alone).fwhm_px, rel=0.01)
    assert shape_of(beside).elongation == pytest.approx(shape_of(alone).elongation, abs=0.02)
    assert len(beside.stars.good) > 0.7 * len(alone.stars.good)
    assert beside.light_over_profile == pytest.approx(alone.light_over_profile, abs=0.01)


def test_no_detection_on_a_trail_is_a_star() -> None:
    clear = drawn.stars(n_stars=40, snr=60.0)
    found = measured(drawn.with_light(clear, drawn.satellite(40.1, (400, 310), 25))).stars
    across = drawn.along_and_across(40.1, (400, 310))[1]
    near = np.abs([across[round(y), round(x)] for x, y in zip(found.table["x"], found.table["y"], strict=True)]) < 3
    assert not near.any()
    assert found.n_found >= 34


def test_a_trail_over_a_colour_mosaic_is_found() -> None:
    """Its white light falls on all colours alike; the sky of red and blue pixels is darker."""
    image = drawn.with_light(field(), drawn.satellite(37, (300, 250), 8)).astype(float)
    image[0::2, 0::2] -= 300
    image[1::2, 1::2] -= 450
    assert measured(image.astype(np.uint16), "RGGB").stars.n_crossing == 1


def a_night(image: Image, satellite_in: tuple[int, ...] = (), more: dict[int, drawn.Light] | None = None) -> Night:
    """Frames cut out of one large image, at other places of the sky, as dithers are; some with more light."""
    width, height = drawn.SIZE
    results = []
    for i, (left, low) in enumerate([(40, 30), (5, 61), (77, 8), (58, 49)]):
        cut = image[low : low + height, left : left + width]
        if i in satellite_in:
            cut = drawn.with_light(cut, drawn.satellite(20 + 40 * i, (310, 240), 12), seed=i)
        if more and i in more:
            cut = drawn.with_light(cut, more[i], seed=i)
        result = measured(cut)
        exposure = Exposure(
            file=Path(f"light_{i}.fits"), kind="light", width_px=width, height_px=height, target="M 1", filter="L",
            start_utc=datetime(2024, 3, 1, 20, 2 * i, tzinfo=UTC), exposure_s=100.0,
        )  # fmt: skip
        results.append(
            FrameResult(
                exposure=exposure, sky=result.sky.summary(), stars=result.stars, shape=frame_shape(result),
                stacked=None, saturation_adu=None,
            )
        )  # fmt: skip
    return build_night(Path("night"), Rig(), results)


WIDE = (720, 600)


def test_a_wisp_as_straight_as_a_trail_is_known_by_its_other_frames() -> None:
    """One frame alone cannot tell it from a meteor; two can."""
    sky = drawn.with_light(drawn.stars(size=WIDE), drawn.straight_filament(size=WIDE))
    night = a_night(sky)
    assert all(frame.result.stars.n_crossing == 1 for frame in night.frames)
    assert all(trail.fixed for trail in trails_of(night.frames, night.groups))
    assert isinstance(trail_crossing(night, night.rig), Healthy)


def test_satellites_over_a_nebula_are_claimed_in_their_frames_alone() -> None:
    sky = drawn.with_light(drawn.stars(size=WIDE), drawn.filament(2, size=WIDE))
    found = trail_crossing(night := a_night(sky, satellite_in=(1, 2)), night.rig)
    assert isinstance(found, Finding)
    assert found.affected == {1, 2}
    assert found.confidence > 0.9


def test_pieces_of_a_slow_satellite_are_found_as_it_walks() -> None:
    """Each is a twelfth of the diagonal long, and begins a little ahead of where the last one ended."""
    c, s = np.cos(np.radians(31)), np.sin(np.radians(31))
    pieces = {i: drawn.piece(31, (150 + 80 * i * c, 120 + 80 * i * s), 70) for i in (1, 2, 3)}
    night = a_night(drawn.stars(size=WIDE), more=pieces)
    trails = trails_of(night.frames, night.groups)
    assert [trail.frame for trail in trails] == [1, 2, 3]
    assert all(trail.walks and trail.line.open_ends == 2 for trail in trails)
    assert [trail.line.length_px for trail in trails] == pytest.approx([70] * 3, abs=4)
    found = trail_crossing(night, night.rig)
    assert isinstance(found, Finding)
    assert found.affected == {1, 2, 3}


SHORT_LIKENESSES: dict[str, Callable[[], drawn.Light]] = {
    "a wide knot": lambda: drawn.piece(31, (200, 200), 70, fwhm_px=7.0),
    "a track of a particle": lambda: drawn.piece(31, (200, 200), 70, 25, fwhm_px=1.0),
    "a piece of a column": lambda: drawn.piece(90, (200, 200), 70),
    "a line that fades": lambda: drawn.piece(31, (200, 200), 70) * np.linspace(2, 0, drawn.SIZE[0])[None, :] ** 4,
    "a small galaxy from its edge": lambda: drawn.needle(330, 240, length_px=15, width_px=1.5) / 4,
}


@pytest.mark.parametrize("scene", SHORT_LIKENESSES)
def test_a_short_line_unlike_a_moved_star_is_no_trail(scene: str) -> None:
    assert measured(drawn.with_light(field(), SHORT_LIKENESSES[scene]())).stars.n_crossing == 0


def test_a_short_line_that_stays_with_the_stars_is_no_trail() -> None:
    sky = drawn.with_light(drawn.stars(size=WIDE), drawn.piece(31, (300, 280), 75, 15, 3.6, size=WIDE))
    night = a_night(sky)
    assert all(trail.fixed for trail in trails_of(night.frames, night.groups))
    assert isinstance(trail_crossing(night, night.rig), Healthy)
