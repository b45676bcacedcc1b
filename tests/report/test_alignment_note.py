"""A tracker's alignment in words: how long it stands at this focal length and at others."""

import pytest
from reference import reference

from framecheck.decision.records import Range
from framecheck.plan.longest import longest_tracked
from framecheck.read import Rig
from framecheck.report.notes import alignment_note

OFF = Range(value=30.0, low=20.0, high=60.0)
LENS = Rig(focal_length_mm=135.0, pixel_um=4.3, mount_type="tracker")


def test_time_goes_with_one_over_the_focal_length() -> None:
    rows = {row.focal_length_mm: row for row in longest_tracked(LENS, OFF) or ()}
    assert list(rows) == [50.0, 85.0, 135.0, 200.0]
    # TRK-20: the worst drift of an arcminute of error; a pixel of 4.3 micrometres at 135 mm, closed form
    own = 206.264806 * 4.3 / 135 / (30 * reference("TRK-20").value / 60)
    assert rows[135.0].longest_exposure_s == pytest.approx(own, rel=1e-3)
    assert rows[200.0].longest_exposure_s == pytest.approx(own * 135 / 200, rel=1e-3)
    assert rows[135.0].low_s == pytest.approx(own / 2, rel=1e-3)
    assert rows[135.0].high_s == pytest.approx(own * 1.5, rel=1e-3)
    note = alignment_note(LENS, OFF) or ""
    assert "30′ (20 to 60′) off the pole" in note
    assert "50 s (25 s to 75 s) at your 135 mm and 34 s at 200 mm" in note


@pytest.mark.parametrize(
    ("rig", "off"),
    [
        (LENS, None),
        (Rig(focal_length_mm=135.0, mount_type="tracker"), OFF),
        (Rig(focal_length_mm=135.0, pixel_um=4.3, mount_type="fixed"), OFF),
        (Rig(focal_length_mm=800.0, pixel_um=4.3), OFF),
        (Rig(focal_length_mm=800.0, pixel_um=4.3, mount_type="equatorial"), OFF),
    ],
)
def test_telescopes_and_unknown_errors_are_left_alone(rig: Rig, off: Range | None) -> None:
    assert longest_tracked(rig, off) is None
    assert alignment_note(rig, off) is None


def test_a_binned_pixel_forgives_as_much_more() -> None:
    one, two = (
        longest_tracked(Rig(focal_length_mm=135.0, pixel_um=4.3, binning=binning), OFF) or () for binning in (1, 2)
    )
    assert two[0].longest_exposure_s == pytest.approx(2 * one[0].longest_exposure_s)
