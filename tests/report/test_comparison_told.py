"""What is said and drawn of a comparison is what was found."""

import sys
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import pytest
from browser import running

sys.path.append(str(Path(__file__).parent.parent / "decision"))
from past_nights import RIG_FACTS, night, with_rig

from framecheck.decision.compare import Comparison, Row, compare
from framecheck.decision.estimate import Estimate
from framecheck.decision.past_night import PastNight
from framecheck.decision.records import TrackingFigures
from framecheck.document import json_text
from framecheck.report.comparison_document import comparison_document
from framecheck.report.comparison_page import comparison_page
from framecheck.report.comparison_picture import WIDTH_PX, comparison_picture
from framecheck.report.comparison_words import answer, change_words, missing_words, night_labels, rig_words
from framecheck.report.drawing import standalone_svg

BEFORE = night(seed=1, smear=1.2)
STEADIER = night(seed=2, days=3, smear=0.4)


def beside(first: PastNight, second: PastNight) -> Comparison:
    (found,) = compare([first, second])
    return found


def smear_row(change: Estimate) -> Row:
    found = next(row for row in beside(BEFORE, STEADIER).rows if row.quantity.key == "smear")
    return replace(found, change=change)


def test_a_change_for_the_better_is_said_with_its_interval() -> None:
    told = answer(beside(BEFORE, STEADIER))
    assert told.startswith("It helped: motion inside an exposure went from 1.1")
    assert "″ less (" in told


def test_a_change_for_the_worse_is_said() -> None:
    assert answer(beside(STEADIER, BEFORE)).startswith("It made things worse: motion inside an exposure went from 0.4")


def test_both_are_said() -> None:
    told = answer(beside(night(seed=1, smear=1.2, polar_arcmin=1.0), night(seed=2, smear=0.4, polar_arcmin=6.0)))
    assert told.startswith("It helped in part: motion")
    assert "But polar error went from 1.00′ to 6.00′" in told


def test_where_nothing_is_shown_nothing_is_claimed() -> None:
    told = answer(beside(night(seed=1), night(seed=2)))
    assert told.startswith("No change is shown: none of 9 figures of the equipment")
    assert "A smaller change is possible" in told


def test_where_nothing_can_be_compared_that_is_said() -> None:
    bare = replace(night(seed=2, n_frames=5), field_stretches=None, course=None, tracking=TrackingFigures(), budget=())
    found = beside(night(seed=1), bare)
    assert answer(found).startswith("Can't tell whether it helped")
    assert comparison_picture([found]) == ""
    assert any("the other night lacks what it takes: nine frames or more" in text for text in missing_words(found))


@pytest.mark.parametrize(
    ("change", "told"),
    [
        # two standard errors to the side, 1.96 of each: closed form
        (Estimate(value=-0.8, down=0.1, up=0.1), "0.80″ less (0.60 to 1.00)"),
        (Estimate(value=0.8, down=0.1, up=0.1), "0.80″ more (0.60 to 1.00)"),
        (Estimate(value=0.1, down=0.1, up=0.2), "between 0.10 less and 0.49″ more"),
    ],
)
def test_the_interval_in_words(change: Estimate, told: str) -> None:
    assert change_words(smear_row(change)) == told


def test_the_same_rig_is_called_so_and_others_by_what_differs() -> None:
    assert rig_words(beside(BEFORE, STEADIER)) == "The same rig, as far as headers and rig file tell."
    told = rig_words(beside(BEFORE, with_rig(STEADIER, mount_type="tracker")))
    assert told == "Not the same rig: mount equatorial, then tracker."
    told = rig_words(beside(BEFORE, with_rig(STEADIER, camera_angle_deg=102.0, aperture_mm=None)))
    assert "Only one night says: aperture." in told
    assert told.endswith("Also different: camera angle 12.00°, then 102.0°.")
    assert "Can't tell whether it was the same rig" in rig_words(
        beside(BEFORE, with_rig(STEADIER, **dict.fromkeys(RIG_FACTS)))
    )


def test_nights_of_one_date_are_told_apart_by_name() -> None:
    first, second, third = night_labels([night(seed=1), night(seed=2), night(seed=3, days=1)])
    assert (first, second) == ("M 101, 12 September 2025 (night-1)", "M 101, 12 September 2025 (night-2)")
    assert third == "M 101, 13 September 2025"


def test_the_document_holds_what_the_words_say() -> None:
    found = beside(BEFORE, STEADIER)
    document = comparison_document([found])
    (one,) = document["comparisons"]
    assert one["answer"] == answer(found)
    assert one["same_rig"] is True
    smear = next(figure for figure in one["figures"] if figure["figure"] == "smear")
    assert smear["verdict"] == "better"
    assert smear["unit"] == "arcsec"
    assert smear["change"]["low"] < smear["change"]["value"] < smear["change"]["high"] < 0
    assert smear["told_from"]["low"] < smear["change"]["low"]  # one of many figures has to be surer
    assert smear["told_from"]["high"] < 0
    assert all(one["reference"]["low"] >= 0 for one in one["figures"] if one["figure"] not in ("curvature", "trefoil"))
    json_text(document)  # no NaN


def test_the_picture_is_a_whole_svg_that_says_what_it_shows() -> None:
    found = compare([BEFORE, STEADIER, night(seed=3, days=6)])
    text = standalone_svg(comparison_picture(found), WIDTH_PX)
    root = ET.fromstring(text)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    description = root.findtext("{http://www.w3.org/2000/svg}desc")
    assert description is not None
    assert "motion inside an exposure, M 101, 15 September 2025: 1.16″ then 0.40″" in description
    written = " ".join(node.text or "" for node in root.iter("{http://www.w3.org/2000/svg}text"))
    assert "better" in written
    assert "no change shown" in written
    assert "http" not in text.replace("http://www.w3.org", "")


def test_names_from_headers_cannot_break_the_picture() -> None:
    assert BEFORE.main is not None
    odd = replace(STEADIER, groups=(replace(BEFORE.main, target="<b>$\\alpha$ & \x1b[31m"),))
    ET.fromstring(standalone_svg(comparison_picture([beside(BEFORE, odd)]), WIDTH_PX))


def test_the_page_says_the_verdict_first_and_runs_nothing() -> None:
    hostile = '<img src=x onerror="1">'
    assert BEFORE.main is not None
    one = beside(BEFORE, replace(STEADIER, groups=(replace(BEFORE.main, target=hostile),)))
    html = comparison_page([one])
    assert html.index("It helped") < html.index("<svg", html.index("<main>"))
    assert answer(one).split(":")[0] in html
    assert "<img" not in html
    assert "<script" not in html


def test_no_label_of_the_picture_is_cut_or_lies_on_another() -> None:
    """With three nights too: every text lies inside the picture, and none on another."""
    others = [night(seed=2, days=3, smear=0.4), night(seed=3, days=9, smear=0.9)]
    svg = comparison_picture(compare([night(seed=1, smear=1.2), *others]))
    with running() as browser:
        page = browser.new_page()
        page.set_content(f"<body style='margin:0'>{svg}</body>")
        boxes = page.evaluate(
            "() => [...document.querySelectorAll('svg text')].map((one) => { const b = one.getBoundingClientRect(); "
            "return [b.left, b.top, b.right, b.bottom, one.textContent]; })"
        )
        width = page.evaluate("document.querySelector('svg').getBoundingClientRect().right")
    assert len(boxes) > 60
    assert all(left >= 0 and right <= width for left, _, right, _, _ in boxes)
    for k, (left, top, right, bottom, text) in enumerate(boxes):
        for other_left, other_top, other_right, other_bottom, other in boxes[k + 1 :]:
            apart = min(right, other_right) <= max(left, other_left)
            apart |= min(bottom, other_bottom) - max(top, other_top) < 4  # room for descenders
            assert apart, (text, other)
