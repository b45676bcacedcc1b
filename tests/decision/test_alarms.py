"""What the watcher of a night is told, and that nothing is told twice."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from framecheck.causes.catalogue import CAUSES
from framecheck.causes.result import Finding
from framecheck.decision.alarms import (
    Alarm,
    Told,
    alarms_as_text,
    alarms_of_text,
    next_alarms,
)
from framecheck.decision.changes import Change, Sign
from framecheck.read.exposure import Exposure
from framecheck.read.rig import Rig

DUSK = datetime(2024, 3, 12, 20, 0, tzinfo=UTC)


def exposure(i: int) -> Exposure:
    return Exposure(
        file=Path(f"night/{i}.fits"), kind="light", width_px=100, height_px=100, start_utc=DUSK + timedelta(minutes=i)
    )


def change(
    sign: Sign, first: int, last: int, *, group: str = "L", lasts: bool = True, over_limit: float = 3.0
) -> Change:
    return Change(sign=sign, group=group, first=exposure(first), last=exposure(last), n_frames=last - first + 1,
                  usual=1.0, now=2.0, over_limit=over_limit, lasts=lasts)  # fmt: skip


def finding(cause: str, confidence: float, cost: float = 0.3) -> Finding:
    return Finding(cause=cause, confidence=confidence, affected=frozenset(range(3)), cost=cost,
                   cures=CAUSES[cause].cures, caution=CAUSES[cause].caution)  # fmt: skip


class Watcher:
    """Told what comes, judgement by judgement."""

    def __init__(self, rig: Rig | None = None) -> None:
        self.alarms: tuple[Alarm, ...] = ()
        self.before: tuple[Finding, ...] = ()
        self.calm: tuple[Finding, ...] = ()
        self.rig = rig or Rig()

    def sees(self, *changes: Change, found: tuple[Finding, ...] = (), n_frames: int = 20) -> list[Told]:
        self.alarms, news = next_alarms(
            self.alarms, changes, found, self.before, self.calm, n_frames=n_frames, rig=self.rig
        )
        self.before = found
        if not any(one.lasts for one in changes):
            self.calm = found
        return list(news)


def test_a_change_is_told_once_with_cause_and_first_cure_and_then_its_end() -> None:
    watcher = Watcher()
    assert watcher.sees() == []
    (told,) = watcher.sees(change("dimmer", 10, 11), found=(finding("cloud", 0.8),))
    assert (told.news, told.alarm.cause, told.alarm.since) == ("alarm", "cloud", "10.fits")
    assert told.alarm.cure == CAUSES["cloud"].cures[0]
    for last in range(12, 20):
        assert watcher.sees(change("dimmer", 10, last), found=(finding("cloud", 0.9),)) == []
    (over,) = watcher.sees(change("dimmer", 10, 19, lasts=False), found=(finding("cloud", 0.9),))
    assert (over.news, over.alarm.last) == ("over", "19.fits")
    assert watcher.sees(change("dimmer", 10, 19, lasts=False), found=(finding("cloud", 0.9),)) == []


def test_another_cloud_is_told_again() -> None:
    watcher = Watcher()
    first = change("dimmer", 10, 12)
    watcher.sees(first)
    first = replace(first, lasts=False)
    watcher.sees(first)
    (told,) = watcher.sees(first, change("dimmer", 30, 31))
    assert (told.news, told.alarm.since) == ("alarm", "30.fits")


def test_a_cause_that_shows_itself_later_is_named_once() -> None:
    watcher = Watcher()
    (told,) = watcher.sees(change("dimmer", 10, 11), found=(finding("dew", 0.3), finding("cloud", 0.25)))
    assert (told.alarm.cause, told.alarm.confidence) == ("dew", 0.3)
    assert watcher.sees(change("dimmer", 10, 12), found=(finding("dew", 0.45),)) == []
    (named,) = watcher.sees(change("dimmer", 10, 13), found=(finding("dew", 0.7),))
    assert (named.news, named.alarm.cause, named.alarm.caution) == ("cause", "dew", CAUSES["dew"].caution)
    assert watcher.sees(change("dimmer", 10, 14), found=(finding("dew", 0.9),)) == []


def test_a_small_change_waits_for_a_cause() -> None:
    watcher = Watcher()
    assert watcher.sees(change("wider", 10, 11, over_limit=1.5)) == []
    assert watcher.sees(change("wider", 10, 12, over_limit=1.6), found=(finding("sensor-tilt", 0.9),)) == []
    (told,) = watcher.sees(change("wider", 10, 13, over_limit=1.6), found=(finding("focus-drift", 0.6),))
    assert (told.news, told.alarm.since, told.alarm.cause) == ("alarm", "10.fits", "focus-drift")
    (plain,) = Watcher().sees(change("wider", 10, 11, over_limit=2.0))
    assert plain.alarm.cause is None


def test_a_cause_that_turns_out_to_be_another_is_put_right() -> None:
    watcher = Watcher()
    watcher.sees(change("trailed", 10, 11), found=(finding("shock", 0.6),))
    backlash = finding("declination-backlash", 0.9)
    assert watcher.sees(change("trailed", 10, 12), found=(backlash, finding("shock", 0.55))) == []  # both may be
    assert watcher.sees(change("trailed", 10, 13), found=(backlash, finding("shock", 0.6))) == []
    (named,) = watcher.sees(change("trailed", 10, 14), found=(backlash, finding("shock", 0.3)))
    assert (named.news, named.alarm.cause) == ("cause", "declination-backlash")
    assert watcher.sees(change("trailed", 10, 15), found=(backlash,)) == []


def test_a_cause_that_was_there_in_calm_does_not_explain_what_came_since() -> None:
    watcher = Watcher()
    watcher.sees(found=(finding("polar-misalignment", 0.9, cost=0.01),))
    found = (finding("polar-misalignment", 0.92, cost=0.01), finding("declination-backlash", 0.6))
    (told,) = watcher.sees(change("trailed", 10, 11), found=found)
    assert told.alarm.cause == "declination-backlash"


def test_two_signs_of_one_cause_are_one_alarm() -> None:
    watcher = Watcher()
    watcher.sees(change("dimmer", 10, 11), found=(finding("dew", 0.8),))
    both = (change("dimmer", 10, 15), change("wider", 14, 15))
    assert watcher.sees(*both, found=(finding("dew", 0.9),)) == []
    other = Watcher()
    other.sees(change("dimmer", 10, 11), found=(finding("cloud", 0.8),))
    (told,) = other.sees(*both, found=(finding("cloud", 0.8), finding("focus-drift", 0.7)))
    assert (told.alarm.sign, told.alarm.cause) == ("wider", "focus-drift")


def test_filters_by_turns_make_one_alarm_that_ends_with_the_last_of_them() -> None:
    watcher = Watcher()
    lum, red = change("dimmer", 10, 12), change("dimmer", 11, 13, group="R")
    assert len(watcher.sees(lum)) == 1
    assert watcher.sees(lum, red) == []
    assert watcher.sees(replace(lum, lasts=False), red) == []
    (over,) = watcher.sees(replace(lum, lasts=False), replace(red, lasts=False))
    assert over.news == "over"


def test_a_target_that_is_left_takes_its_alarm_along_in_silence() -> None:
    watcher = Watcher()
    watcher.sees(change("trailed", 10, 11))
    assert watcher.sees() == []
    assert watcher.alarms[0].is_over


def test_what_was_wrong_from_the_start_is_told_once_it_is_sure_and_costly() -> None:
    watcher = Watcher()
    worm = finding("periodic-error", 0.9)
    assert watcher.sees(found=(worm,), n_frames=7) == []  # rhythm and drift rest on more frames
    assert watcher.sees(found=(), n_frames=8) == []
    assert watcher.sees(found=(worm,), n_frames=9) == []  # not sure in the judgement before
    (told,) = watcher.sees(found=(worm,), n_frames=10)
    assert (told.alarm.since, told.alarm.cause, told.alarm.cure) == (None, worm.cause, CAUSES[worm.cause].cures[0])
    for n in range(11, 20):
        assert watcher.sees(found=(worm,), n_frames=n) == []


@pytest.mark.parametrize(
    "found", [finding("periodic-error", 0.75), finding("periodic-error", 0.95, cost=0.01), finding("sensor-tilt", 0.98),
              finding("undersampled", 0.98), finding("poor-seeing", 0.98)]
)  # fmt: skip
def test_what_is_unsure_or_cheap_or_not_to_be_cured_tonight_is_left_to_the_report(found: Finding) -> None:
    watcher = Watcher()
    assert [watcher.sees(found=(found,), n_frames=n) for n in (10, 11, 12)] == [[], [], []]


def test_a_camera_on_a_tripod_is_known_to_be_untracked() -> None:
    found = (finding("untracked", 0.98),)
    still, mounted = Watcher(Rig(mount_type="fixed")), Watcher()
    assert [len(still.sees(found=found)) for _ in range(3)] == [0, 0, 0]
    assert [len(mounted.sees(found=found)) for _ in range(3)] == [0, 1, 0]


def test_a_watch_that_starts_again_knows_what_was_told() -> None:
    watcher = Watcher()
    watcher.sees(change("trailed", 10, 11), found=(finding("guiding-noise", 0.7),))
    began, alarms = alarms_of_text(alarms_as_text(watcher.alarms, DUSK))
    assert began == DUSK
    again = Watcher()
    again.alarms = alarms
    assert again.sees(change("trailed", 10, 15), found=(finding("guiding-noise", 0.9),)) == []
    (over,) = again.sees(change("trailed", 10, 15, lasts=False))
    assert over.news == "over"


@pytest.mark.parametrize(
    "forged", [{"sign": "louder"}, {"sign": []}, {"group": 3}, {"cause": "goblins"}, {"usual": 0.0}, {"now": "wide"},
               {"confidence": 2.0}, {"confidence": float("nan")}, {"is_over": 1}, {"since_utc": "noon"}, {"cure": [1]}]
)  # fmt: skip
def test_what_somebody_else_wrote_down_is_as_if_nothing_was_told(forged: dict[str, object]) -> None:
    watcher = Watcher()
    watcher.sees(change("trailed", 10, 11), found=(finding("guiding-noise", 0.7),))
    kept = json.loads(alarms_as_text(watcher.alarms, DUSK))
    kept["alarms"][0] |= forged
    assert alarms_of_text(json.dumps(kept)) == (None, ())


@pytest.mark.parametrize("text", ["", "no JSON", "[" * 100_000, '{"night": "2025-03-01T21:00:00", "alarms": []}', "[]",
                                  '{"night": "yesterday", "alarms": []}',
                                  '{"night": null, "alarms": [{"sign": "dimmer"}]}'])  # fmt: skip
def test_what_another_version_wrote_down_is_as_if_nothing_was_told(text: str) -> None:
    assert alarms_of_text(text) == (None, ())


def test_what_is_told_from_the_start_would_be_told_as_a_change_too() -> None:
    assert all(one.alarm_from_the_start in (None, *one.alarms) for one in CAUSES.values())
