"""Months of nights: each frame counts once, each night once, and no trend is told that is not there."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
import scipy.stats
from past_nights import RIG_FACTS, night, with_rig

from framecheck.decision.history import RigHistory, Trend, histories, share_bounds, slope_with_bounds


def trend(history: RigHistory, key: str) -> Trend:
    return next(one for one in history.trends if one.key == key)


def one_rig(nights: list) -> RigHistory:
    (found,) = histories(nights)
    return found


def test_hours_and_frames_add_up() -> None:
    found = one_rig([night(seed=1, n_frames=100, kept_share=0.8), night(seed=2, n_frames=50, days=2, kept_share=1.0)])
    assert [(one.n_frames, one.n_kept) for one in found.nights] == [(100, 80), (50, 50)]
    assert [one.taken_s for one in found.nights] == [12000, 6000]
    assert [one.kept_effective_s for one in found.nights] == [8000, 5000]


def test_widths_are_told_in_arcseconds_and_brought_to_the_zenith() -> None:
    # closed form: hypot(2 * 1.5157166, 1.2) seen at air mass 2 (PSF-28), hypot(2, 1.2) at the zenith
    (found,) = one_rig([night(airmass=(2.0, 2.0), restless=0.0)]).nights
    assert found.fwhm == pytest.approx(np.hypot(2 * 1.5157166, 1.2), rel=1e-6)
    assert found.fwhm_at_zenith == pytest.approx(np.hypot(2, 1.2), rel=1e-6)


def test_a_frame_that_was_judged_twice_counts_once() -> None:
    whole = night(seed=1, n_frames=100)
    part = replace(whole, name="judged at midnight", frames=whole.frames[:60])
    assert [one.n_frames for one in one_rig([whole, part]).nights] == [100]
    assert [one.n_frames for one in one_rig([part, whole]).nights] == [60]  # the judgement given first counts


def test_two_targets_of_one_night_are_one_night() -> None:
    early = night(seed=1, n_frames=40)
    late = night(seed=2, n_frames=40)
    late = replace(
        late,
        groups=(replace(late.main, target="NGC 7000"),),
        frames=tuple(
            replace(one, file=f"other/{one.file}", start_utc=(one.start + timedelta(hours=3)).isoformat())
            for one in late.frames
        ),
    )
    (found,) = one_rig([early, late]).nights
    assert found.targets == ("M 101", "NGC 7000")
    assert found.n_frames == 80


def test_a_folder_of_several_nights_is_several_nights() -> None:
    first, second = night(seed=1, n_frames=30), night(seed=2, n_frames=30, days=1)
    together = replace(first, frames=(*first.frames, *(replace(one, file=f"b/{one.file}") for one in second.frames)))
    assert len(one_rig([together]).nights) == 2


def test_each_rig_has_its_own_history() -> None:
    nights = [night(seed=k, days=k) for k in range(3)]
    nights += [with_rig(night(seed=9, days=1.5), focal_length_mm=1000.0, pixel_scale_arcsec=0.78)]
    first, second = histories(nights)
    assert len(first.nights) == 3
    assert second.rig["focal_length_mm"] == 1000.0


def test_nights_of_which_no_rig_is_known_stay_together_in_pixels() -> None:
    nights = [with_rig(night(seed=k, days=k), **dict.fromkeys(RIG_FACTS)) for k in range(2)]
    assert one_rig(nights).unit == "px"


def test_a_frame_without_a_time_is_in_no_night() -> None:
    timeless = replace(night(), frames=tuple(replace(one, start_utc=None) for one in night().frames))
    assert histories([timeless]) == ()


@pytest.mark.parametrize(("n", "of"), [(0, 5), (3, 8), (8, 8)])
def test_shares_have_the_exact_interval(n: int, of: int) -> None:
    # scipy.stats.binomtest, an independent route
    theirs = scipy.stats.binomtest(n, of).proportion_ci(0.95, method="exact")
    assert share_bounds(n, of) == pytest.approx((theirs.low, theirs.high), abs=1e-9)


def test_a_cause_comes_back_from_the_third_night_on() -> None:
    met = [("periodic-error", "cloud"), ("periodic-error",), (), ("periodic-error", "cloud")]
    found = one_rig([night(seed=k, days=k, causes=causes) for k, causes in enumerate(met)])
    assert [(one.cause, one.n_claimed, one.comes_back) for one in found.causes] == [
        ("periodic-error", 3, True), ("cloud", 2, False),
    ]  # fmt: skip
    assert found.causes[0].last_utc == found.nights[3].start_utc


def test_a_cause_that_was_not_claimed_is_not_told() -> None:
    doubted = night(causes=("dew",))
    doubted = replace(doubted, findings=tuple(replace(one, confidence=0.4) for one in doubted.findings))
    assert one_rig([doubted]).causes == ()


def test_five_spells_of_weather_make_no_trend() -> None:
    found = one_rig([night(seed=k, days=10 * k, smear=2.0 / (k + 1)) for k in range(5)])
    assert trend(found, "smear").verdict == "too few nights"
    assert trend(found, "smear").slope is None


def test_nights_close_together_share_their_weather() -> None:
    found = one_rig([night(seed=k, days=k, n_frames=12) for k in range(9)])
    assert trend(found, "smear").n_nights == 9
    assert trend(found, "smear").n_spells == 3


def test_a_mount_that_gets_steadier_is_told() -> None:
    # closed form: a tenth less every ten days is 0.9³ - 1 = -27.1 % in thirty
    nights = [night(seed=k, days=10 * k, smear=0.9**k, smear_scatter=0.0, n_frames=12) for k in range(10)]
    found = trend(one_rig(nights), "smear")
    assert found.slope == pytest.approx(-27.1, abs=0.01)
    assert found.verdict == "better"


def test_frames_kept_that_fall_are_told_in_points() -> None:
    nights = [night(seed=k, days=15 * k, kept_share=1 - 0.05 * k, n_frames=100) for k in range(10)]
    found = trend(one_rig(nights), "kept")
    assert found.slope == pytest.approx(-10, abs=0.01)
    assert found.verdict == "worse"


def test_the_slope_of_a_straight_line_is_found() -> None:
    points = [(float(k), 3.0 - 0.5 * k) for k in range(8)]
    assert slope_with_bounds(points, 0.95) == pytest.approx((-0.5, -0.5, -0.5))


@pytest.mark.parametrize("n", [6, 12, 30])
def test_nights_without_a_trend_have_none_told_in_19_of_20_histories(n: int) -> None:
    # Statement of the intervals: three trends at 98.3 % each; 400 histories, standard error 1.1 %
    rng = np.random.default_rng(n)
    level = 1 - 1 / 60
    told = 0
    for _ in range(400):
        days = np.sort(rng.uniform(0, 300, n))
        bounds = [slope_with_bounds(list(zip(days, rng.normal(0, 1, n), strict=True)), level) for _ in range(3)]
        told += any(low > 0 or high < 0 for _, low, high in bounds)
    assert told / 400 < 0.05 + 3 * 0.011
