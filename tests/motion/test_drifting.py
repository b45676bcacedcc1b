"""Reasons of a drift, against what an axis beside the pole makes of it.

In declination w P cos f, along right ascension w P sin f sin dec, turning w P sin f / cos dec (closed form): 0.2625
arcsec/min and 0.004375 deg/h for each arcminute (row TRK-20).
"""

import math
from dataclasses import replace

import pytest

from framecheck.motion.drifting import DriftSeen, Reason, why_it_drifts

GUIDED, UNKNOWN, ALONE = 3.0, 0.0, -2.0
DEC = 40.0


def seen(drift: complex, **known: object) -> DriftSeen:
    still = DriftSeen(
        drift=drift, error=0.05, on_sky=True, turning_deg_per_hour=0.0, turning_error_deg_per_hour=0.005, dec_deg=DEC
    )
    return replace(still, **known)


def off_axis(arcmin: float, direction_deg: float) -> DriftSeen:
    """What an axis off by so much lets be seen."""
    f, dec = math.radians(direction_deg), math.radians(DEC)
    drift = 0.2625 * arcmin * complex(math.sin(f) * math.sin(dec), math.cos(f))
    return seen(drift, turning_deg_per_hour=0.004375 * arcmin * math.sin(f) / math.cos(dec))


def likeliest(one: DriftSeen | None, still: float) -> Reason:
    chance = why_it_drifts(one, still).chance
    return max(chance, key=lambda reason: chance[reason])


@pytest.mark.parametrize("direction_deg", [0.0, 50.0, 130.0, 200.0])
@pytest.mark.parametrize("arcmin", [8.0, 60.0])
def test_an_axis_beside_the_pole_drifts_and_turns_as_its_direction_says(arcmin: float, direction_deg: float) -> None:
    assert likeliest(off_axis(arcmin, direction_deg), ALONE) == "axis"


def test_a_drift_along_right_ascension_alone_that_turns_nothing_is_a_wrong_rate() -> None:
    # an axis 30 arcminutes off would turn the field by 0.17 deg/h
    assert likeliest(seen(5.0 + 0.2j), UNKNOWN) == "rate"


def test_a_drift_as_fast_as_the_sky_is_a_mount_that_stands_still() -> None:
    full = 15.041 * 60 * math.cos(math.radians(DEC))
    assert likeliest(seen(full + 1.0j, error=0.5), UNKNOWN) == "stopped"


def test_guided_stars_that_stay_are_held() -> None:
    assert likeliest(seen(0.02 + 0.03j), GUIDED) == "held"


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
    assert likeliest(seen(drift, on_sky=False, gear=gear), ALONE) == reason


def test_a_fast_drift_speaks_against_a_guider_and_a_slow_one_a_little_for_it() -> None:
    assert why_it_drifts(seen(0.3 + 6.0j), UNKNOWN).guided_log_odds < -3
    assert 0 < why_it_drifts(seen(0.01 + 0.02j), UNKNOWN).guided_log_odds < 2


def test_without_a_drift_all_is_as_likely_as_usual() -> None:
    assert why_it_drifts(None, UNKNOWN).guided_log_odds == pytest.approx(0.0)
