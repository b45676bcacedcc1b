"""Hours along a chart."""

from itertools import pairwise

import pytest

from framecheck.decision.frame_row import FrameRow
from framecheck.report.time_axis import dates, several_nights, time_axis


def at(*times: str | None) -> list[FrameRow]:
    return [FrameRow(file=f"{i}.fits", start_utc=time) for i, time in enumerate(times)]


def test_hours_run_on_past_midnight() -> None:
    axis = time_axis(at("2024-12-31T22:30:00.000Z", "2025-01-01T01:00:00.000Z"))
    assert axis.positions == pytest.approx((22.5, 25.0))
    assert [label for _, label in axis.marks(at_most=5)] == ["23:00", "00:00", "01:00"]
    assert axis.caption == "time of day, UTC"


def test_a_clock_without_a_zone_is_named() -> None:
    rows = [FrameRow(file=f"{hour}.dng", start_local=f"2025-01-01T{hour}:00:00.000") for hour in (20, 22)]
    axis = time_axis(rows)
    assert axis.positions == pytest.approx((20, 22))
    assert axis.caption == "time of day, by the camera's clock"


@pytest.mark.parametrize("last", ["2024-03-01T20:00:30.000Z", "2024-03-01T20:40:00.000Z", "2024-03-02T07:00:00.000Z"])
@pytest.mark.parametrize("at_most", [5, 10])
def test_marks_are_few_even_and_inside(last: str, at_most: int) -> None:
    axis = time_axis(at("2024-03-01T20:00:00.000Z", last))
    marks = [position for position, _ in axis.marks(at_most)]
    assert 1 <= len(marks) <= at_most + 1
    assert all(axis.start - 1e-9 <= mark <= axis.end + 1e-9 for mark in marks)
    steps = [b - a for a, b in pairwise(marks)]
    assert steps == pytest.approx([steps[0]] * len(steps)) if steps else True


@pytest.mark.parametrize(
    "rows",
    [
        at("2024-03-01T20:00:00.000Z", None),
        at("2024-03-01T20:00:00.000Z", "2024-03-03T20:00:00.000Z"),
        at(None),
    ],
)
def test_frames_without_time_or_over_several_nights_are_numbered(rows: list[FrameRow]) -> None:
    axis = time_axis(rows)
    assert not axis.is_time
    assert axis.positions == tuple(range(1, len(rows) + 1))
    assert all(label.isdigit() and label != "0" for _, label in axis.marks(5))


@pytest.mark.parametrize("n", [1, 3, 7, 48, 999])
def test_numbered_marks_are_whole_numbers_of_frames(n: int) -> None:
    axis = time_axis(at(*[None] * n))
    marks = axis.marks(10)
    assert 1 <= len(marks) <= 11
    assert all(1 <= position <= n for position, _ in marks)


@pytest.mark.parametrize(
    ("times", "said"),
    [
        (("2024-03-01T20:00:00.000Z",), "1 March 2024"),
        (("2024-03-01T20:00:00.000Z", "2024-03-02T01:00:00.000Z"), "1–2 March 2024"),
        (("2024-02-29T20:00:00.000Z", "2024-03-01T01:00:00.000Z"), "29 February – 1 March 2024"),
        (("2024-12-31T20:00:00.000Z", "2025-01-01T01:00:00.000Z"), "31 December 2024 – 1 January 2025"),
        ((None,), ""),
    ],
)
def test_dates(times: tuple[str | None, ...], said: str) -> None:
    assert dates(at(*times)) == said


def test_one_night_is_not_remarked_upon() -> None:
    assert several_nights(at("2024-03-01T18:00:00.000Z", None, "2024-03-02T03:30:00.000Z")) is None
    assert several_nights(at(None)) is None


def test_several_nights_are_named_and_a_way_shown() -> None:
    said = several_nights(
        at(
            "2024-03-03T01:00:00.000Z",
            "2024-03-01T20:00:00.000Z",
            "2024-03-02T19:00:00.000Z",
            "2024-03-01T22:00:00.000Z",
        )
    )
    assert said is not None
    assert said.startswith("These frames come from 2 nights (1 March 2024 and 2 March 2024) and are judged as one.")
    assert "framecheck compare" in said
    assert "clock was set" in said
