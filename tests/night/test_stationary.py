"""Lights that stay on the sensor while the sky moves on are lamps; stars that stay are not.

Frames are drawn by numpy: stars of 3 px that move with the sky, lamps of 9 px that do not.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from framecheck.field.result import FrameResult
from framecheck.motion import build_night
from framecheck.read.rig import Rig
from framecheck.stars.flags import StarFlag

LAMPS = np.random.default_rng(5).random((12, 2)) * [3000, 500]


def night_of(draw, frame_of, field, shifts, lamps=LAMPS, turns=None) -> list[FrameResult]:
    """Frames whose averages were taken over stars and lamps alike, as `frame_shape` takes them."""
    frames = []
    for i, shift in enumerate(shifts):
        table = draw(field, shift=shift, rotation_deg=0.0 if turns is None else turns[i], hot=lamps)
        is_lamp = np.abs(table["x"][:, None] - lamps[:, 0]).min(axis=1, initial=9) < 0.3
        table["fwhm_px"] = np.where(is_lamp, 9.0, 3.0) * (1 + 0.01 * field.rng.standard_normal(len(table)))
        table["fwhm_error_px"] = table["e1_error"] = table["e2_error"] = 0.03
        table["e1"] = np.where(is_lamp, 0.0, 0.1)
        frames.append(frame_of(table, name=f"light_{i:04d}.fits", minutes=2.0 * i, fwhm_px=3.4, elongation=1.09))
    return frames


def of_night(frames) -> list[FrameResult]:
    return [frame.result for frame in build_night(Path(), Rig(), frames).frames]


def still(result: FrameResult):
    return result.stars.table[result.stars.table["flags"] & StarFlag.STILL > 0]


@pytest.mark.parametrize(("n_stars", "n_frames"), [(400, 8), (120, 3), (160, 30)])
def test_lamps_before_a_fixed_tripod_are_no_stars(sky_field, draw, frame_of, n_stars, n_frames) -> None:
    field = sky_field(np.random.default_rng(1), n_stars)
    shifts = [(14.0 * i, -6.0 * i) for i in range(n_frames)]
    frames = night_of(draw, frame_of, field, shifts, turns=[0.05 * i for i in range(n_frames)])
    for before, after in zip(frames, of_night(frames), strict=True):
        lights = still(after)
        assert len(lights) == len(LAMPS)
        assert (lights["fwhm_px"] > 8).all()
        assert after.stars.n_found == before.stars.n_found - len(LAMPS)
        assert after.shape.n_measured == before.shape.n_measured - len(LAMPS)
        assert after.shape.fwhm_px == pytest.approx(3.0, rel=0.01)
        assert after.shape.elongation == pytest.approx(np.exp(0.1), abs=0.01)


def test_stars_that_a_mount_holds_still_are_stars(sky_field, draw, frame_of) -> None:
    field = sky_field(np.random.default_rng(2), 400)
    frames = night_of(draw, frame_of, field, [(0.1 * i, 0.0) for i in range(8)], lamps=np.zeros((0, 2)))
    assert all(len(still(result)) == 0 for result in of_night(frames))


def test_dithered_frames_lose_no_star(sky_field, draw, frame_of) -> None:
    field = sky_field(np.random.default_rng(3), 900)
    shifts = [tuple(shift) for shift in np.random.default_rng(4).uniform(-12, 12, (10, 2))]
    frames = night_of(draw, frame_of, field, shifts, lamps=np.zeros((0, 2)))
    assert sum(len(still(result)) for result in of_night(frames)) == 0


def test_too_few_stars_beside_lamps_make_no_average(sky_field, draw, frame_of) -> None:
    field = sky_field(np.random.default_rng(1), 400)
    frames = night_of(draw, frame_of, field, [(14.0 * i, -6.0 * i) for i in range(6)])
    lone = frames[-1].stars.table
    lone["flags"][lone["fwhm_px"] < 8] = StarFlag.BAD_FIT
    frames[-1] = replace(frames[-1], stars=replace(frames[-1].stars, table=lone))
    assert of_night(frames)[-1].shape is None
