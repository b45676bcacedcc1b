"""Reasons of a drift, against what an axis beside the pole makes of it.

In declination w P cos f, along right ascension w P sin f sin dec, turning w P sin f cos dec: the parts of one rotation,
w times the difference of two unit vectors (closed form); 0.2625 arcsec/min and 0.004375 deg/h for each arcminute (row
TRK-20). A rate wrong by e on the sky is a rotation about the pole and turns the field by e tan dec.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from framecheck.motion.drifting import BELIEVED, DriftSeen, Reason, log_densities, why_it_drifts
from framecheck.motion.polar import usual_error_arcmin

GUIDED, UNKNOWN, ALONE = 3.0, 0.0, -2.0
DEC = 40.0


def seen(drift: complex, **known: object) -> DriftSeen:
    still = DriftSeen(
        drift=drift, error=0.05, on_sky=True, turning_deg_per_hour=0.0, turning_error_deg_per_hour=0.005, dec_deg=DEC
    )
    return replace(still, **known)


def off_axis(arcmin: float, direction_deg: float, dec_deg: float = DEC) -> DriftSeen:
    """What an axis off by so much lets be seen."""
    f, dec = math.radians(direction_deg), math.radians(dec_deg)
    drift = 0.2625 * arcmin * complex(math.sin(f) * math.sin(dec), math.cos(f))
    return seen(drift, turning_deg_per_hour=0.004375 * arcmin * math.sin(f) * math.cos(dec), dec_deg=dec_deg)


def likeliest(one: DriftSeen | None, still: float) -> Reason:
    chance = why_it_drifts(one, still).chance
    return max(chance, key=lambda reason: chance[reason])


@pytest.mark.parametrize("dec_deg", [0.0, 40.0, 60.0, 75.0])
@pytest.mark.parametrize("direction_deg", [0.0, 50.0, 90.0, 200.0])
@pytest.mark.parametrize("arcmin", [12.0, 60.0])
def test_an_axis_beside_the_pole_drifts_and_turns_as_its_direction_says(
    arcmin: float, direction_deg: float, dec_deg: float
) -> None:
    assert likeliest(off_axis(arcmin, direction_deg, dec_deg), ALONE) == "axis"


@pytest.mark.parametrize("dec_deg", [0.0, 40.0, 60.0, 75.0])
def test_a_drift_along_right_ascension_that_turns_as_the_sky_does_is_a_wrong_rate(dec_deg: float) -> None:
    turning = 5.0 / 60 * math.tan(math.radians(dec_deg))
    assert likeliest(seen(5.0 + 0.2j, dec_deg=dec_deg, turning_deg_per_hour=turning), UNKNOWN) == "rate"


def test_a_drift_as_fast_as_the_sky_is_a_mount_that_stands_still() -> None:
    dec = math.radians(DEC)
    stands = seen(15.041 * 60 * math.cos(dec) + 1.0j, error=0.5, turning_deg_per_hour=15.041 * math.sin(dec))
    assert likeliest(stands, UNKNOWN) == "stopped"


@pytest.mark.parametrize("dec_deg", [None, 18.0])
@pytest.mark.parametrize(
    ("of_the_sky", "true_dec"), [(13.176 / 360.986, 18.0), (0.5, 50.0)], ids=["the Moon's rate", "half the rate"]
)
def test_a_drift_as_of_a_rate_that_drives_offer_is_that_rate_even_where_nothing_tells_the_axes(
    of_the_sky: float, true_dec: float, dec_deg: float | None
) -> None:
    # rates: mean motion of the Moon (Meeus 1998) over the sky's; half of it, for landscapes: common practice, no source
    dec, angle = math.radians(true_dec), 1.1
    drift = of_the_sky * 15.041 * 60 * math.cos(dec) * complex(math.cos(angle), math.sin(angle))
    turning = of_the_sky * 15.041 * math.sin(dec)
    one = seen(
        drift, on_sky=False, turning_deg_per_hour=turning, dec_deg=None if dec_deg is None else true_dec,
        turning_error_deg_per_hour=0.03,
    )  # fmt: skip
    chance = why_it_drifts(one, ALONE).chance
    assert chance["rate"] > 5 * chance["axis"]


def test_behind_a_camera_s_lens_an_axis_two_degrees_off_is_sooner_believed_than_a_wrong_rate() -> None:
    one = replace(off_axis(113.0, 3.0, 31.0), on_sky=False, dec_deg=None)
    chance = why_it_drifts(replace(one, usual_error_arcmin=usual_error_arcmin(25.0)), ALONE).chance
    assert chance["axis"] > 3 * chance["rate"]
    assert (
        chance["axis"] > why_it_drifts(replace(one, usual_error_arcmin=usual_error_arcmin(1.0)), ALONE).chance["axis"]
    )


def test_guided_stars_that_stay_are_held() -> None:
    stays = why_it_drifts(seen(0.02 + 0.03j), GUIDED)
    assert stays.chance["held"] + stays.chance["turns"] > 0.85
    assert stays.chance["bends"] < 0.1


@pytest.mark.parametrize("drift", [0.5 + 0.3j, -0.1 + 0.6j])
def test_guided_stars_that_drift_by_half_an_arcsecond_a_minute_bend(drift: complex) -> None:
    assert likeliest(seen(drift), GUIDED) == "bends"


def test_a_field_that_turns_about_a_guide_star_drifts_as_well() -> None:
    # 2 deg/h about a star 10 arcminutes away: 0.35 arcsec a minute
    about = seen(0.35 + 0j, turning_deg_per_hour=2.0)
    assert why_it_drifts(about, GUIDED).chance["turns"] > why_it_drifts(about, GUIDED).chance["bends"]


@pytest.mark.parametrize(("apart_deg", "reason"), [(0.0, "rate"), (90.0, "axis")])
def test_where_no_header_says_how_the_image_lies_the_gear_shows_right_ascension(apart_deg: float, reason: str) -> None:
    drift = 4.0 * complex(math.cos(1.0), math.sin(1.0))
    gear = (1.0 + math.radians(apart_deg), 0.05)
    turning = 4.0 / 60 * math.tan(math.radians(DEC)) if reason == "rate" else 0.0
    assert likeliest(seen(drift, on_sky=False, gear=gear, turning_deg_per_hour=turning), ALONE) == reason


def test_a_field_that_turns_as_no_axis_and_no_rate_turns_it_is_neither_s_doing() -> None:
    # 2.7 degrees an hour are an axis 15 degrees off, which drifts by hundreds of arcseconds a minute
    turning = seen(1.0 - 2.6j, error=0.3, on_sky=False, turning_deg_per_hour=2.67, dec_deg=46.6)
    chance = why_it_drifts(turning, ALONE).chance
    assert chance["axis"] + chance["rate"] + chance["stopped"] < 0.1


@pytest.mark.parametrize("dec_deg", [None, 20.0, 35.0, 60.0])
def test_a_drift_of_some_arcseconds_a_minute_is_sooner_an_axis_than_a_rate(dec_deg: float | None) -> None:
    true = 35.0 if dec_deg is None else dec_deg
    one = replace(off_axis(25.0, 30.0, true), on_sky=False, dec_deg=dec_deg)
    chance = why_it_drifts(one, ALONE).chance
    assert chance["axis"] > 3 * chance["rate"]


def test_a_fast_drift_speaks_against_a_guider_and_a_slow_one_a_little_for_it() -> None:
    assert why_it_drifts(seen(0.3 + 6.0j), UNKNOWN).guided_log_odds < -3
    assert 0 < why_it_drifts(seen(0.01 + 0.02j), UNKNOWN).guided_log_odds < 2


def test_without_a_drift_all_is_as_likely_as_usual() -> None:
    assert why_it_drifts(None, UNKNOWN).guided_log_odds == pytest.approx(0.0)


@pytest.mark.parametrize("error", [0.05, 0.5, 3.0])
def test_each_reason_is_a_density_over_drifts(error: float) -> None:
    # rings of drifts, all directions on them, over what one reason lets be seen: 1 together
    sizes = np.geomspace(1e-3, 3e3, 160)
    angles = np.pi * (np.arange(8) + 0.5) / 16
    total = dict.fromkeys(BELIEVED, 0.0)
    for size, cell in zip(sizes, np.gradient(sizes), strict=True):
        for angle in angles:
            one = seen(size * complex(math.cos(angle), math.sin(angle)), error=error, turning_deg_per_hour=None)
            for reason, log in log_densities(one).items():
                total[reason] += math.exp(log) * size * cell * 2 * math.pi / len(angles)
    for reason in ("held", "turns", "axis"):
        assert total[reason] == pytest.approx(1.0, abs=0.06), reason


def test_a_drift_far_within_its_error_says_little() -> None:
    assert abs(why_it_drifts(seen(0.2 + 0.3j, error=4.0), UNKNOWN).guided_log_odds) < 1.6


def test_what_the_rig_file_says_of_guiding_is_not_overruled() -> None:
    assert why_it_drifts(seen(6.0j), 4.0, stated=True).guided_log_odds > 3


def test_a_fast_drift_of_unknown_scale_is_no_guided_one() -> None:
    assert why_it_drifts(seen(100.0 + 20j, scale_known=False, on_sky=False), UNKNOWN).guided_log_odds < -3
