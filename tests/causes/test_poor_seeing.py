"""Poor seeing, told from defocus, tilt, tracking and coarse pixels."""

from dataclasses import replace

import numpy as np
import pytest
from made_nights import RIG, N, make_night

from framecheck.causes.air import poor_seeing
from framecheck.causes.result import CannotTell, Finding, Healthy
from framecheck.night.records import Night


def claims(night: Night) -> bool:
    found = poor_seeing(night, night.rig)
    return isinstance(found, Finding) and found.confidence >= 0.5


@pytest.mark.parametrize("seed", range(10))
def test_a_healthy_night_shows_nothing(seed: int) -> None:
    assert isinstance(poor_seeing(make_night(seed=seed), RIG), Healthy)


@pytest.mark.parametrize("seeing_arcsec", [5.5, 4.2])
@pytest.mark.parametrize("change", [0.08, 0.02])
def test_large_round_restless_stars_are_the_air(seeing_arcsec: float, change: float) -> None:
    night = make_night(seeing_arcsec=seeing_arcsec, seeing_change=change)
    assert claims(night)
    found = poor_seeing(night, night.rig)
    assert isinstance(found, Finding)
    assert found.frames_affected > 0.8 * N
    assert found.rivals[0].cause == "defocus"


def test_the_size_is_that_at_the_zenith() -> None:
    # closed form: 2.5 arcsec at air mass 2.5 is 2.5 x 2.5^0.6 = 4.3 arcsec seen, and no poor seeing
    night = make_night(seeing_arcsec=2.5, airmass=np.full(N, 2.5))
    found = poor_seeing(night, night.rig)
    assert isinstance(found, Healthy)
    assert found.evidence[0].value == pytest.approx(2.5, rel=0.1)


def test_the_cost_is_a_share_of_the_squared_width() -> None:
    # closed form: 1 - (3.5 / 5)^2 = 0.51, against the largest size of a common night
    night = make_night(seeing_arcsec=5.0, seeing_change=0.03)
    found = poor_seeing(night, night.rig)
    assert isinstance(found, Finding)
    assert found.cost == pytest.approx(0.51, abs=0.06)


@pytest.mark.parametrize("widening", [2.5, 1.7])
def test_a_defocused_disc_is_not_the_air(widening: float) -> None:
    # the wings of a disc convolved with the air fall off faster than Moffat's with exponent 6
    assert not claims(make_night(widening=widening, beta=8.0, seeing_change=0.01))


def test_long_stars_are_not_the_air() -> None:
    assert not claims(make_night(seeing_arcsec=5.0, elongation=1.45))


def test_a_tilted_sensor_is_not_the_air() -> None:
    assert not claims(make_night(seeing_arcsec=4.5, fwhm_slope=0.6))


def test_coarse_pixels_hide_the_air() -> None:
    rig = replace(RIG, focal_length_mm=135.0)
    assert isinstance(poor_seeing(make_night(rig=rig, seeing_arcsec=12.0), rig), CannotTell)


def test_without_a_scale_the_air_is_unknown() -> None:
    rig = replace(RIG, focal_length_mm=None)
    assert isinstance(poor_seeing(make_night(rig=rig), rig), CannotTell)
