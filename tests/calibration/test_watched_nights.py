"""Nights of the simulator as they are watched: what is told, when, and how often."""

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import pytest
from drawn_frames import drawn_frame

from framecheck.causes.result import Finding
from framecheck.causes.weigh import weigh
from framecheck.decision.alarms import Alarm, Told, next_alarms
from framecheck.decision.changes import changes
from framecheck.field import FrameFailure, FrameResult
from framecheck.motion import build_night
from framecheck.read import Rig, merge_rig
from framecheck.simulate.scenario import (
    Camera,
    Cloud,
    Mount,
    Scenario,
    SceneOptics,
    ScenePlan,
    SceneSky,
    Target,
)

pytestmark = pytest.mark.acceptance
SMALL = Camera(width=700, height=500, hot_pixels=10, cosmic_rays_per_min=0.5)
N = 30
FIRST = 12
"""The first frame with a fault, counted from 0."""
CALM = Scenario(
    name="calm", seed=21, camera=SMALL, target=Target(stars=150, ra_deg=318.0, dec_deg=38.0),
    mount=Mount(guided=True, rms_ra_arcsec=0.4, rms_dec_arcsec=0.4),
    sky=SceneSky(seeing_arcsec=2.8, gradient_percent=2.0), plan=ScenePlan(frames=N, dither_px=6.0),
)  # fmt: skip


def watched(scenario: Scenario, looks: Iterable[int]) -> list[tuple[int, Told]]:
    """What is told when so many frames have come, each with their number."""
    looks = list(looks)
    frames = [drawn_frame(scenario, i) for i in range(looks[-1])]
    alarms: tuple[Alarm, ...] = ()
    before: tuple[Finding, ...] = ()
    calm: tuple[Finding, ...] = ()
    news: list[tuple[int, Told]] = []
    for n in looks:
        results = [frame for frame in frames[:n] if isinstance(frame, FrameResult)]
        failures = [frame for frame in frames[:n] if isinstance(frame, FrameFailure)]
        rig = merge_rig(Rig(aperture_mm=106.0), [result.exposure for result in results])
        night = build_night(Path("night"), rig, results, failures)
        found, (findings, _) = changes(night), weigh(night, rig)
        alarms, told = next_alarms(alarms, found, findings, before, calm, n_frames=n, rig=rig)
        news += [(n, one) for one in told]
        before = findings
        if not any(change.lasts for change in found):
            calm = findings
    return news


@pytest.mark.parametrize("seed", [21])
def test_nothing_is_told_of_a_calm_night(seed: int) -> None:
    assert watched(replace(CALM, seed=seed), range(6, N + 1, 12)) == []


@pytest.mark.parametrize(
    ("fault", "sign", "causes", "within"),
    [
        ({"sky": replace(CALM.sky, clouds=(Cloud(first=FIRST, last=FIRST + 7, depth=0.4),))}, "dimmer", ("cloud",), 2),
        ({"optics": SceneOptics(dew_from_frame=FIRST, dew_per_hour=0.8)}, "dimmer", ("dew",), 9),
        ({"mount": replace(CALM.mount, backlash_arcsec=8.0, backlash_frames=(FIRST, N))}, "trailed",
         ("declination-backlash",), 5),
        ({"sky": replace(CALM.sky, twilight_frame=FIRST)}, "brighter sky", ("sky-gradient",), 6),
    ],
    ids=["cloud", "dew", "backlash", "twilight"],
)  # fmt: skip
def test_a_fault_is_told_once_while_it_can_be_cured_and_its_cause_is_named(
    fault: dict[str, object], sign: str, causes: tuple[str, ...], within: int
) -> None:
    last = N - 6 if sign == "dimmer" else FIRST + within + 2
    # a few looks until it must be told; later on every fourth frame is enough to see that it is told once
    looks = [
        8,
        FIRST,
        *range(FIRST + within, FIRST, -max(within // 3, 1))[::-1],
        *range(FIRST + within + 2, last + 1, 4),
    ]
    news = watched(replace(CALM, **fault), looks)  # type: ignore[arg-type]
    (alarm,) = [(n, told.alarm) for n, told in news if told.news == "alarm"]
    assert alarm[1].sign == sign
    assert FIRST < alarm[0] <= FIRST + within
    named = [(n, told.alarm.cause) for n, told in news if told.news in ("alarm", "cause")]
    assert named[-1][1] in causes
    assert named[-1][0] <= FIRST + within
    assert [told.news for _, told in news].count("over") == (sign == "dimmer" and "cloud" in causes)


def test_focus_that_is_lost_is_told_before_the_stars_are_half_as_wide_again() -> None:
    cooling = replace(CALM.plan, cooling_k_per_hour=5.0, cooling_from_frame=FIRST)
    lost = replace(CALM, optics=SceneOptics(focus_um_per_k=60.0), plan=cooling)
    alarm = next(told.alarm for _, told in watched(lost, [FIRST, *range(FIRST + 5, N, 4)]) if told.news == "alarm")
    assert alarm.sign == "wider"
    assert alarm.usual is not None
    assert alarm.now is not None
    assert alarm.now / alarm.usual < 1.5


def test_a_worm_that_spoils_the_night_from_the_start_is_told_once() -> None:
    worm = replace(CALM, mount=Mount(periodic_arcsec=6.0, period_s=478.7), plan=ScenePlan(frames=N))
    news = watched(worm, (8, 16, 22, N))
    (told,) = [one for _, one in news]
    assert (told.alarm.since, told.alarm.cause) == (None, "periodic-error")
