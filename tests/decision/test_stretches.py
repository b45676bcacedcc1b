"""The night cut in stretches, and the field's pattern in each."""

import sys
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

sys.path.append(str(Path(__file__).parent.parent / "field"))
from moved_nights import DUSK, GAUSSIAN, shape_of
from test_field_model import FWHM_PX, SIZE, draw

from framecheck.decision.judge import judge
from framecheck.decision.stretches import split_in_stretches
from framecheck.field.result import FrameResult
from framecheck.motion import build_night
from framecheck.read import Exposure, Rig
from framecheck.sky.model import SkySummary
from framecheck.stars.table import Stars


def drawn_frame(rng: np.random.Generator, k: int, *, curvature_percent: float) -> FrameResult:
    """A frame of round Gaussian stars, the k-th of a run with five minutes between starts."""
    table = draw(rng, n=150, curvature_percent=curvature_percent)
    return FrameResult(
        exposure=Exposure(
            file=Path(f"light_{k:02d}.fits"), kind="light", width_px=SIZE[0], height_px=SIZE[1], target="M 31",
            exposure_s=60.0, start_utc=DUSK + timedelta(minutes=5 * k),
        ),
        sky=SkySummary(
            level_adu=900.0, noise_adu=20.0, gradient_percent=1.0, level_mesh_adu=np.full((2, 2), 900.0, np.float32)
        ),
        stars=Stars(table=table, n_found=len(table), n_saturated=0),
        shape=shape_of(FWHM_PX, FWHM_PX, 0.0, GAUSSIAN, 0.01), stacked=None, saturation_adu=None,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("hours", "n_frames", "n_stretches"),
    [(1.0, 30, 3), (2.1, 60, 6), (9.0, 500, 8), (9.0, 12, 4), (0.2, 30, 3), (5.0, 8, 0)],
)
def test_stretches_are_twenty_minutes_long_and_at_most_eight(hours: float, n_frames: int, n_stretches: int) -> None:
    minutes = np.linspace(0, 60 * hours, n_frames)
    found = split_in_stretches(minutes)
    assert len(found) == n_stretches
    if found:
        assert sorted(np.concatenate(found)) == list(range(n_frames))


def test_frames_are_put_in_order_of_time_first() -> None:
    minutes = np.arange(30.0)[::-1] * 3
    assert [minutes[one].min() for one in split_in_stretches(minutes)] == sorted(
        minutes[one].min() for one in split_in_stretches(minutes)
    )


def test_a_pattern_that_changes_in_the_night_is_seen_to_change() -> None:
    # Drawn stars: 5 % of curvature in the first half of the night, 20 % in the second.
    rng = np.random.default_rng(2)
    results = [drawn_frame(rng, k, curvature_percent=5 if k < 16 else 20) for k in range(32)]
    night = build_night(Path("night"), Rig(), results, (), ())
    found = judge(night).field_stretches
    assert found is not None
    assert (found.width_px, found.height_px) == SIZE
    starts = [datetime.fromisoformat(one.start_utc or "") for one in found.each]
    assert starts[0] == DUSK
    assert len(starts) == 7
    assert all(later - earlier >= timedelta(minutes=20) for earlier, later in pairwise(starts))
    curvature = [one.pattern.curvature_percent or 0 for one in found.each]
    assert np.mean(curvature[:3]) == pytest.approx(5, abs=1)
    assert np.mean(curvature[4:]) == pytest.approx(20, abs=1)
    assert [one.centre_fwhm_px for one in found.each] == pytest.approx([FWHM_PX] * 7, rel=0.02)
