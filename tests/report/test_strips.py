"""The night in curves: a mark a frame, and nothing lost at the edge of the scale."""

import re
from dataclasses import replace

import by_hand
import pytest

from framecheck.decision.frame_row import FrameRow
from framecheck.report.strips import NARROW_PX, WIDE_PX, strips


def marks(svg: str, width: int) -> list[tuple[float, float]]:
    """Places of the marks of grades, which alone take the grades' colours."""
    assert f'viewBox="0 0 {width} ' in svg
    used = re.findall(
        r'<use href="#\w+" x="([\d.-]+)" y="([\d.-]+)" style="[^"]*var\(--(?:keep|doubtful|reject)\)', svg
    )
    return [(float(x), float(y)) for x, y in used]


@pytest.fixture(scope="module")
def rows() -> tuple[FrameRow, ...]:
    return by_hand.judgement(44).rows


def test_each_strip_has_a_mark_for_every_measured_frame(rows: tuple[FrameRow, ...]) -> None:
    for strip in strips(rows):
        for svg, width in ((strip.wide, WIDE_PX), (strip.narrow, NARROW_PX)):
            found = marks(svg, width)
            assert len(found) == 44, strip.name
            assert all(0 <= x <= width for x, _ in found)
            height = float(re.search(r'viewBox="0 0 \d+ ([\d.]+)"', svg)[1])  # type: ignore[index]
            assert all(0 <= y <= height for _, y in found)


def test_a_monster_does_not_flatten_the_rest(rows: tuple[FrameRow, ...]) -> None:
    measured = [row for row in rows if row.status == "measured"]
    monster = replace(measured[9], fwhm_arcsec=80.0, grade="reject")
    (fwhm,) = [one for one in strips([*measured[:9], monster, *measured[10:]]) if one.name == "fwhm"]
    heights = sorted(y for _, y in marks(fwhm.wide, WIDE_PX))
    assert heights[-1] - heights[3] > 30  # px: the others still use a good part of the strip


def test_what_nobody_measured_has_no_strip(rows: tuple[FrameRow, ...]) -> None:
    dim = [replace(row, transparency=None, sky_e_per_s=None, fwhm_arcsec=None) for row in rows]
    told = {strip.name: strip for strip in strips(dim)}
    assert "transparency" not in told
    assert told["fwhm"].unit == "px"
    assert told["sky"].unit == "ADU"
    assert strips([]) == ()


def test_a_constant_night_can_be_drawn(rows: tuple[FrameRow, ...]) -> None:
    first = next(row for row in rows if row.status == "measured")
    same = [replace(first, start_utc=None, file=f"{i}.fits", sky_adu=0.0, sky_e_per_s=0.0) for i in range(3)]
    assert len(strips(same)) == 7
    assert len(strips(same[:1])) == 7


def test_each_group_has_a_lane_and_many_groups_share_one(rows: tuple[FrameRow, ...]) -> None:
    measured = [row for row in rows if row.status == "measured"]
    few = [replace(row, group=f"group {i % 3}") for i, row in enumerate(measured)]
    many = [replace(row, group=f"group {i}") for i, row in enumerate(measured)]
    assert len({y for _, y in marks(strips(few)[0].wide, WIDE_PX)}) == 3
    assert len({y for _, y in marks(strips(many)[0].wide, WIDE_PX)}) == 1
