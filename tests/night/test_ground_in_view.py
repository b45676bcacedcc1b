"""Ground in view holds still on a tripod and moves on a tracker, by as much as the sky would."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from framecheck.causes.catalogue import CAUSES
from framecheck.causes.moving_ground import moving_ground
from framecheck.causes.result import Finding, Healthy, Undecided
from framecheck.causes.setting import Equipment
from framecheck.decision.mount_decision import ladder
from framecheck.field.result import FrameResult
from framecheck.motion import build_night
from framecheck.motion.night import Night
from framecheck.night.ground import GroundInView, displacement, ground_in_view
from framecheck.read import Rig
from framecheck.report.notes import ground_advice

CELL_PX = 20
GRID = (100, 150)  # of 3000 x 2000 pixels


def hills(moved_px: tuple[float, float]) -> np.ndarray:
    """Cells under a rough line, x and y moved by so many pixels; drawn here, one mask a place."""
    y, x = (np.arange(n) * CELL_PX - moved for n, moved in zip(GRID, moved_px[::-1], strict=True))
    rng = np.random.default_rng(5)
    waves = np.arange(1, 40)
    line = np.cos(2 * np.pi * np.outer(x / 4500, waves) + rng.uniform(0, 6.28, len(waves))) @ waves**-1.2
    return y[:, None] < 500 + 90 * line


@pytest.fixture
def nights() -> list[Night]:
    """Those that were drawn."""
    return []


@pytest.fixture
def seen(
    sky_field: Any, draw: Any, frame_of: Any, nights: list[Night]
) -> Callable[[tuple[float, float], int], GroundInView | None]:
    """Ground in view of frames every 65 s, moving so many pixels a second."""

    def of(speed_px_per_s: tuple[float, float], frames: int) -> GroundInView | None:
        field = sky_field(np.random.default_rng(1), 300)
        vx, vy = speed_px_per_s
        results = [
            with_ground(
                frame_of(draw(field), name=f"{k:04}.dng", minutes=k * 65 / 60), hills((vx * k * 65, vy * k * 65))
            )
            for k in range(frames)
        ]
        nights.append(build_night(Path(), Rig(), results, (), ()))
        return ground_in_view(nights[-1].frames, nights[-1].groups)

    return of


def with_ground(frame: FrameResult, cells: np.ndarray) -> FrameResult:
    sky = replace(frame.sky, ground_share=float(cells.mean()), ground_cells=cells, ground_cell_px=CELL_PX)
    return replace(frame, sky=sky)


@pytest.mark.parametrize("speed", [(0.4, -0.1), (-0.05, 0.3), (0.02, 0.01)])
def test_ground_moves_over_the_sensor_of_a_tracker(seen: Any, speed: tuple[float, float]) -> None:
    ground = seen(speed, 20)
    assert ground is not None
    part_of_cell = 0.3 * CELL_PX / 16  # frames that lie sixteen apart are compared
    assert ground.moves_px_per_frame == pytest.approx(65 * np.hypot(*speed), rel=0.1, abs=part_of_cell)
    assert ground.smear_px == pytest.approx(60 * np.hypot(*speed), rel=0.1, abs=part_of_cell)
    middle = hills((speed[0] * 10 * 65, speed[1] * 10 * 65))
    assert ground.share == pytest.approx(middle.mean(), abs=0.02)
    assert "tracking off" in (ground_advice(ground) or "")


def test_ground_on_a_tripod_holds_still(seen: Any, nights: list[Night]) -> None:
    ground = seen((0.0, 0.0), 8)
    assert ground is not None
    assert (ground.moves_px_per_frame, ground.smear_px) == (0.0, 0.0)
    assert ground_advice(ground) is None
    assert isinstance(moving_ground(nights[0], Rig()), Healthy)


def test_moving_ground_is_advice_and_no_fault(seen: Any, nights: list[Night]) -> None:
    seen((0.4, -0.1), 8)
    found = moving_ground(nights[0], Rig())
    assert isinstance(found, Finding)
    assert CAUSES[found.cause].advice
    assert found.confidence > 0.9
    assert (found.cost, found.affected) == (0.0, frozenset())  # no frame is the worse for it
    assert ladder("fix technique first", [found], Equipment()) == []  # and nothing about the mount is to be mended
    assert "tracking off" in found.cures[0]


def test_one_frame_leaves_moving_ground_open(seen: Any, nights: list[Night]) -> None:
    seen((0.4, -0.1), 1)
    assert isinstance(moving_ground(nights[0], Rig()), Undecided)


def test_one_frame_does_not_tell_whether_ground_moves(seen: Any) -> None:
    ground = seen((0.4, 0.0), 1)
    assert ground is not None
    assert (ground.moves_px_per_frame, ground.smear_px) == (None, None)
    assert build_night(Path(), Rig(), [], (), ()).frames == ()
    assert ground_in_view((), ()) is None


@pytest.mark.parametrize("moved", [(0.0, 0.0), (1.5, -2.25), (-3.0, 0.5)])
def test_displacement_is_known_to_a_part_of_a_cell(moved: tuple[float, float]) -> None:
    there = hills((moved[1] * CELL_PX, moved[0] * CELL_PX))
    found = displacement(hills((0, 0)), there, np.zeros(2))
    assert found == pytest.approx(moved, abs=0.3)
    assert displacement(hills((0, 0)), hills((0, 300)), np.zeros(2)) is None
