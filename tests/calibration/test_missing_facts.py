"""Nights whose headers lack anything, or say what cannot be: judged and written, without a warning."""

import random
from collections.abc import Sequence
from dataclasses import fields, replace
from datetime import timedelta
from functools import cache
from pathlib import Path

import pytest
from drawn_frames import drawn_frame

from framecheck import Judgement, Measurements, Rig, judge_night, write_night
from framecheck.field import FrameResult
from framecheck.read.exposure import Exposure
from framecheck.simulate.scenario_file import load_scenario

FIXTURES = Path(__file__).parents[2] / "fixtures" / "scenarios"
OPTIONAL = [one.name for one in fields(Exposure) if "None" in str(one.type)]
ODD: dict[str, list[object]] = {
    "exposure_s": [1e-4, 3600.0, 1e6],
    "target": ["=cmd()", "<b>x</b>", ""],
    "filter": ["Ha", "L"],
    "dec_deg": [-90.0, 90.0, 89.999],
    "focal_length_mm": [1.0, 1e5],
    "pixel_um": [0.1, 100.0],
    "aperture_mm": [1.0, 1e4],
    "gain_e_per_adu": [1e-6, 1e6],
}
"""What headers have been seen to say; invented."""


SCENARIOS = ("fixed-tripod", "long-telescope-flexure", "tracker-wide-lens")


@cache
def drawn(name: str) -> tuple[FrameResult, ...]:
    """Twenty frames of a scenario, as measuring would tell them."""
    scenario = load_scenario(FIXTURES / f"{name}.toml")
    small = replace(scenario.camera, width=800, height=600)
    scenario = replace(scenario, camera=small, plan=replace(scenario.plan, frames=20))
    outcomes = [drawn_frame(scenario, number) for number in range(20)]
    return tuple(outcome for outcome in outcomes if isinstance(outcome, FrameResult))


def a_night(measured: Sequence[FrameResult], chance: random.Random) -> list[FrameResult]:
    """Some of the frames, in any order, each with facts missing, odd, or measured on hardly any star."""
    gone = [name for name in OPTIONAL if chance.random() < chance.choice([0.1, 0.5, 0.9])]
    whole = chance.random() < 0.7  # what one frame lacks, all lack
    frames = []
    for result in chance.sample(measured, min(chance.choice([1, 2, 3, 6, 20, 20]), len(measured))):
        lacks = gone if whole else [name for name in gone if chance.random() < 0.5]
        facts: dict[str, object] = dict.fromkeys(lacks)
        facts |= {name: chance.choice(values) for name, values in ODD.items() if chance.random() < 0.05}
        start = result.exposure.start_utc
        if chance.random() < 0.1 and start is not None:
            facts["start_utc"] = start + timedelta(days=chance.choice([-4000, 1, 366, 20_000]))
        stars, shape = result.stars, result.shape
        if chance.random() < 0.08:
            kept = chance.choice([0, 1, 2, 3, 5, 8])
            stars, shape = replace(stars, table=stars.table[:kept]), shape if kept > 2 else None
        frames.append(replace(result, exposure=replace(result.exposure, **facts), stars=stars, shape=shape))
    return frames


def judged(frames: list[FrameResult]) -> Judgement:
    return judge_night(Path("night"), Measurements(results=tuple(frames), failures=(), skipped=()), Rig())


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("name", SCENARIOS)
def test_whatever_headers_lack_or_say_the_night_is_judged_and_written(name: str, seed: int, tmp_path: Path) -> None:
    judgement = judged(a_night(drawn(name), random.Random(seed)))  # a warning of numpy's is an error here
    assert write_night(judgement, tmp_path).page.stat().st_size > 10_000
