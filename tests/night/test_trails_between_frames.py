"""A trail is in one frame or walks; what stays with the sky or with the sensor is none."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from framecheck.causes.result import Finding, Healthy
from framecheck.causes.sky import trail_crossing
from framecheck.motion.build import build_night
from framecheck.motion.night import Night
from framecheck.night.trails import Trail, trails_of
from framecheck.read.rig import Rig
from framecheck.stars.line import Line, Look

DITHERS = [(0.0, 0.0), (31.0, -12.0), (-18.0, 25.0), (9.0, 40.0), (-44.0, -7.0)]
Ends = tuple[float, float, float, float]
EDGE_TO_EDGE: Ends = (0.0, 400.0, 2999.0, 1300.0)
WITHIN: Ends = (900.0, 700.0, 1500.0, 1100.0)


def line(ends: Ends, look: Look = "trail", fwhm_px: float = 3.0) -> Line:
    open_ends = 0 if ends == EDGE_TO_EDGE else 2
    return Line(
        x0_px=ends[0], y0_px=ends[1], x1_px=ends[2], y1_px=ends[3], fwhm_px=fwhm_px, reach_px=6.0,
        light_adu_per_px=500.0, light_error_adu_per_px=2.0, unevenness=0.05, open_ends=open_ends, look=look,
    )  # fmt: skip


def moved(ends: Ends, by: tuple[float, float]) -> Ends:
    return ends[0] + by[0], ends[1] + by[1], ends[2] + by[0], ends[3] + by[1]


@pytest.fixture
def night_with(sky_field, draw, frame_of) -> Callable[[Mapping[int, Line]], Night]:
    """A night of dithered frames, some with a line."""
    field = sky_field(np.random.default_rng(3), 500)
    results = [
        frame_of(draw(field, shift=shift), name=f"light_{i}.fits", minutes=2.0 * i) for i, shift in enumerate(DITHERS)
    ]

    def build(lines: Mapping[int, Line]) -> Night:
        lined = [
            replace(one, stars=replace(one.stars, lines=(lines[i],))) if i in lines else one
            for i, one in enumerate(results)
        ]
        return build_night(Path("night"), Rig(), lined)

    return build


def only(trails: tuple[Trail, ...]) -> Trail:
    (trail,) = trails
    return trail


def confidence(night: Night) -> float:
    found = trail_crossing(night, night.rig)
    return found.confidence if isinstance(found, Finding) else 0.0


def test_a_line_in_one_frame_alone_is_a_trail(night_with) -> None:
    night = night_with({2: line(EDGE_TO_EDGE)})
    trail = only(trails_of(night.frames, night.groups))
    assert (trail.frame, trail.fixed, trail.walks, trail.without_it) == (2, False, False, 4)
    assert confidence(night) > 0.9


@pytest.mark.parametrize("ends", [EDGE_TO_EDGE, WITHIN])
def test_what_moves_with_the_stars_is_no_trail(night_with, ends: Ends) -> None:
    """A filament, or the spike of a star beside the field: one frame shows it clearly, another hardly."""
    night = night_with({0: line(ends), 3: line(moved(ends, DITHERS[3]), "uneven", fwhm_px=5.0)})
    assert only(trails_of(night.frames, night.groups)).fixed
    found = trail_crossing(night, night.rig)
    assert isinstance(found, Healthy)
    assert any("stay" in one.statement and one.value == 1 for one in found.evidence)


def test_what_stays_with_the_sensor_is_no_trail(night_with) -> None:
    """A reflection, a lit ridge before a camera that stands still, a row of the detector."""
    night = night_with({0: line(WITHIN), 1: line(moved(WITHIN, (0.4, -0.3))), 4: line(WITHIN)})
    assert all(trail.fixed for trail in trails_of(night.frames, night.groups))
    assert confidence(night) == 0.0


def test_a_slow_satellite_walks_from_frame_to_frame(night_with) -> None:
    """Its light of the next exposure begins near where it ended: another part of one line on the sky."""
    step = (0.9 * 600, 0.9 * 400)
    pieces = {i: line(moved(moved(WITHIN, (step[0] * (i - 1) * 1.25, step[1] * (i - 1) * 1.25)), DITHERS[i]))
              for i in (1, 2, 3)}  # fmt: skip
    night = night_with(pieces)
    trails = trails_of(night.frames, night.groups)
    assert [trail.frame for trail in trails] == [1, 2, 3]
    assert all(trail.walks and not trail.fixed for trail in trails)


def test_two_satellites_are_two_trails(night_with) -> None:
    night = night_with({0: line(EDGE_TO_EDGE), 3: line(moved(EDGE_TO_EDGE, (0.0, 60.0)))})
    assert [trail.fixed for trail in trails_of(night.frames, night.groups)] == [False, False]
    found = trail_crossing(night, night.rig)
    assert isinstance(found, Finding)
    assert found.affected == {0, 3}


def test_a_line_that_ends_in_a_lone_frame_is_less_sure(sky_field, draw, frame_of) -> None:
    """Nothing but other frames tells a meteor from a straight wisp of a nebula."""
    alone = frame_of(draw(sky_field(np.random.default_rng(3), 300)))

    def sure(ends: Ends) -> float:
        stars = replace(alone.stars, lines=(line(ends),))
        return confidence(build_night(Path("night"), Rig(), [replace(alone, stars=stars)]))

    assert 0.5 < sure(WITHIN) < 0.7 < sure(EDGE_TO_EDGE) < 0.9
