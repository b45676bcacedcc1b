"""A bright Moon is named where one was up, and not where none was."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import by_hand
import pytest

from framecheck.decision.judgement import Judgement
from framecheck.read.rig import Rig
from framecheck.report.notes import moon_note

FULL = datetime(2025, 10, 7, 3, 48, tzinfo=UTC)
"""Full Moon of October 2025; from memory."""


NOWHERE = Rig()


def on(start: datetime, rig: Rig = NOWHERE) -> Judgement:
    night = by_hand.judgement(3)
    frames = tuple(
        replace(frame, result=replace(frame.result, exposure=replace(
            frame.result.exposure, start_utc=start + timedelta(minutes=5 * k), ra_deg=100.0, dec_deg=9.0)))
        for k, frame in enumerate(night.night.frames)
    )  # fmt: skip
    return replace(night, night=replace(night.night, frames=frames, rig=rig))


def test_a_full_moon_is_told_with_its_distance() -> None:
    note = moon_note(on(FULL).moon)
    assert note is not None
    assert note.startswith("The Moon was full (100 % lit), ")
    assert note.endswith("° from the target: a bright sky is its light.")


@pytest.mark.parametrize(
    "night", [on(FULL + timedelta(days=14)), on(FULL, Rig(site_latitude_deg=-89.0, site_longitude_deg=0.0))]
)
def test_a_new_moon_and_one_below_the_horizon_are_not(night: Judgement) -> None:
    assert (
        moon_note(night.moon) is None
    )  # in October a full Moon stands north of the equator: never up at the south pole
