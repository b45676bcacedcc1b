"""Frames that can be compared come together, whatever the spelling; others do not."""

from pathlib import Path

import pytest

from framecheck.night.groups import group_exposures, loose, plain
from framecheck.read.exposure import Exposure


def light(name: str = "a.fits", **facts: object) -> Exposure:
    usual = {"target": "M 31", "filter": "L", "exposure_s": 120.0, "binning": 1, "width_px": 100, "height_px": 80}
    return Exposure(file=Path(name), kind="light", **(usual | facts))


def test_a_group_is_named_by_target_filter_and_exposure() -> None:
    (group,) = group_exposures([light(), light()])
    assert group.id == "M 31/L/120s"
    assert (group.target, group.filter, group.exposure_s, group.binning) == ("M 31", "L", 120.0, 1)
    assert group.members == (0, 1)


@pytest.mark.parametrize("other", ["m31", "M_31", "M31 ", "M 031", "m-31"])
def test_targets_are_compared_by_letters_and_digits(other: str) -> None:
    assert len(group_exposures([light(), light(target=other)])) == 1


@pytest.mark.parametrize(
    "facts",
    [
        {"target": "M 32"}, {"target": "M 310"}, {"filter": "R"}, {"exposure_s": 124.0}, {"binning": 2},
        {"width_px": 200}, {"camera_gain_setting": 100.0}, {"camera": "other"}, {"filter": None},
        {"value_scale": "0 to 1"},
    ],
)  # fmt: skip
def test_what_cannot_be_compared_is_kept_apart(facts: dict) -> None:
    groups = group_exposures([light(), light(**facts)])
    assert len(groups) == 2
    assert groups[0].id != groups[1].id


def test_exposures_within_one_per_cent_are_equal() -> None:
    (group,) = group_exposures([light(exposure_s=120.0), light(exposure_s=120.9), light(exposure_s=120.4)])
    assert group.exposure_s == 120.4


def test_a_frame_without_target_belongs_to_what_it_points_at() -> None:
    named = light(ra_deg=10.68, dec_deg=41.27)
    near = light(target=None, ra_deg=10.9, dec_deg=41.0)
    far = light(target=None, ra_deg=83.8, dec_deg=-5.4)
    beside_far = light(target=" - ", ra_deg=83.9, dec_deg=-5.5)
    one, other = group_exposures([near, named, far, beside_far])
    assert one.members == (0, 1)
    assert one.id == "M 31/L/120s"
    assert other.members == (2, 3)
    assert other.id == "field at 83.8 -5.4/L/120s"


def test_pointings_meet_across_zero_hours() -> None:
    groups = group_exposures([light(target=None, ra_deg=359.9, dec_deg=0), light(target=None, ra_deg=0.1, dec_deg=0)])
    assert len(groups) == 1


def test_nothing_known_is_one_group_all_the_same() -> None:
    unknown = light(target=None, filter=None, exposure_s=None, binning=None)
    (group,) = group_exposures([unknown, unknown])
    assert group.id == "unnamed field/no filter/unknown exposure"


def test_ids_hold_no_odd_characters_and_stay_unique() -> None:
    groups = group_exposures(
        [light(target="<b>M&31</b>\n"), light(target="A" * 500), light(camera_gain_setting=1.0),
         light(camera_gain_setting=2.0)]
    )  # fmt: skip
    ids = [group.id for group in groups]
    assert len(set(ids)) == 4
    assert not any(c in "<>&\"'\n\\" for name in ids for c in name)
    assert ids[2:] == ["M 31/L/120s/gain 1", "M 31/L/120s/gain 2"]
    assert plain("Ha 7nm") == "Ha 7nm"
    assert loose("Sh2-0129") == "sh2129"


def test_the_id_of_a_binned_group_says_so() -> None:
    assert group_exposures([light(binning=2)])[0].id == "M 31/L/120s/bin2"


def test_short_exposures_are_written_as_they_are() -> None:
    assert group_exposures([light(exposure_s=0.25)])[0].id == "M 31/L/0.25s"


def test_values_on_another_scale_make_a_group_of_their_own() -> None:
    groups = group_exposures([light(), light(value_scale="0 to 1"), light()])
    assert [group.members for group in groups] == [(0, 2), (1,)]
    assert [group.id for group in groups] == ["M 31/L/120s/in ADU", "M 31/L/120s/values 0 to 1"]
