"""One zero point a filter: what dims all frames of one exposure shows against those of another."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from framecheck.causes.cloud import cloud
from framecheck.causes.result import Finding
from framecheck.field.result import FrameResult
from framecheck.motion.build import build_night
from framecheck.motion.night import Night
from framecheck.read.rig import Rig
from framecheck.stars.flags import StarFlag

SECONDS = (30.0, 240.0)


def two_exposures(
    sky_field, draw, frame_of, *, light: tuple[float, float], seed: int = 1, n: int = 8, n_stars: int = 500,
    by_turns: bool = True, **facts: object,
) -> list[FrameResult]:  # fmt: skip
    """Frames of 30 s and of 240 s of one field, dithered; `light` is what comes through in each."""
    rng = np.random.default_rng(seed)
    field = sky_field(rng, n_stars)
    out = []
    for i in range(2 * n):
        k = i % 2 if by_turns else i // n
        # photons of a star grow with the seconds, the noise of the sky with their root
        table = draw(
            field, shift=tuple(rng.normal(0, 30, 2)), flux_factor=light[k] * SECONDS[k] / 60,
            flux_noise=50 * np.sqrt(SECONDS[k] / 60), flux_floor=0.003,
        )  # fmt: skip
        out.append(frame_of(table, name=f"{i}.fits", minutes=5.0 * i, exposure_s=SECONDS[k], **facts))
    return out


def light_of(night: Night, seconds: float) -> np.ndarray:
    return np.array([f.transparency for f in night.frames if f.result.exposure.exposure_s == seconds], dtype=float)


def claims_cloud(night: Night) -> bool:
    found = cloud(night, night.rig)
    return isinstance(found, Finding) and found.confidence >= 0.5


@pytest.mark.parametrize("light", [(0.5, 1.0), (0.85, 1.0), (1.0, 0.7)])
@pytest.mark.parametrize("by_turns", [True, False])
def test_a_half_covered_aperture_in_all_frames_of_one_exposure_shows(
    sky_field, draw, frame_of, light: tuple[float, float], by_turns: bool
) -> None:
    night = build_night(Path("n"), Rig(), two_exposures(sky_field, draw, frame_of, light=light, by_turns=by_turns))
    for seconds, expected in zip(SECONDS, light, strict=True):
        assert np.median(light_of(night, seconds)) == pytest.approx(expected, rel=0.02)
    assert len({group.zero_point for group in night.groups}) == 1
    assert claims_cloud(night)
    dim = next(group for group in night.groups if group.exposure_s == SECONDS[int(light[0] > light[1])])
    assert dim.effective_exposure_s < 1.1 * min(light) ** 2 * dim.total_exposure_s


def test_equal_light_stays_one_in_both_and_is_no_cloud(sky_field, draw, frame_of) -> None:
    for seed in range(8):
        night = build_night(
            Path("n"), Rig(), two_exposures(sky_field, draw, frame_of, light=(1.0, 1.0), seed=seed, n_stars=120)
        )
        for seconds in SECONDS:
            assert light_of(night, seconds).max() == pytest.approx(1.0, abs=1e-9), "the best of each has 1"
        assert not claims_cloud(night)


def test_stars_clipped_in_the_long_frames_do_not_count(sky_field, draw, frame_of) -> None:
    results = two_exposures(sky_field, draw, frame_of, light=(1.0, 1.0))
    clipped = []
    for result in results:
        table = result.stars.table.copy()
        full = table["flux_adu"] > 2e4
        table["flux_adu"][full], table["flags"][full] = 2e4, StarFlag.SATURATED
        clipped.append(replace(result, stars=replace(result.stars, table=table)))
    night = build_night(Path("n"), Rig(), clipped)
    assert np.median(light_of(night, 30.0)) == pytest.approx(1.0, abs=0.015)
    assert np.median(light_of(night, 240.0)) == pytest.approx(1.0, abs=0.015)


def test_another_gain_filter_or_evening_has_a_zero_point_of_its_own(sky_field, draw, frame_of) -> None:
    results = two_exposures(sky_field, draw, frame_of, light=(0.5, 1.0))
    for facts in ({"camera_gain_setting": 100.0}, {"filter": "R"}):
        other = [
            replace(one, exposure=replace(one.exposure, **facts)) if one.exposure.exposure_s == 30.0 else one
            for one in results
        ]
        night = build_night(Path("n"), Rig(), other)
        assert np.median(light_of(night, 30.0)) == pytest.approx(1.0, abs=0.02)
        assert {group.zero_point for group in night.groups} == {None}


def test_another_field_under_the_same_name_is_not_compared(sky_field, draw, frame_of) -> None:
    one = two_exposures(sky_field, draw, frame_of, light=(1.0, 1.0))[::2]
    other = two_exposures(sky_field, draw, frame_of, light=(1.0, 0.3), seed=2)[1::2]
    night = build_night(Path("n"), Rig(), [*one, *other])
    assert {group.zero_point for group in night.groups} == {None}
    assert np.median(light_of(night, 240.0)) == pytest.approx(1.0, abs=0.02)
