"""Poor seeing, told from defocus, tilt, tracking and coarse pixels."""

from dataclasses import replace

import numpy as np
import pytest
from made_nights import RIG, make_night

from framecheck.causes.optics import explained_optics
from framecheck.causes.result import Answer, CannotTell, Finding, Healthy
from framecheck.causes.seeing import poor_seeing
from framecheck.motion.night import Night

AIRMASS = np.linspace(1.05, 1.25, 12)
TURBULENT = 4.8
"""Moffat exponent of turbulent air. Trujillo et al., MNRAS 328, 977 (2001), from memory."""


def asked(night: Night) -> Answer:
    return poor_seeing(night, night.rig, explained_optics(night, night.rig))


def claims(night: Night) -> bool:
    found = asked(night)
    return isinstance(found, Finding) and found.confidence >= 0.5


@pytest.mark.parametrize("seed", range(2))
def test_a_healthy_night_shows_nothing(seed: int) -> None:
    assert isinstance(asked(make_night(seed=seed, airmass=AIRMASS)), Healthy)


@pytest.mark.parametrize("seeing_arcsec", [5.5, 4.2])
def test_large_round_restless_stars_are_the_air(seeing_arcsec: float) -> None:
    night = make_night(seeing_arcsec=seeing_arcsec, seeing_change=0.08, beta=TURBULENT, airmass=AIRMASS)
    assert claims(night)
    found = asked(night)
    assert isinstance(found, Finding)
    assert found.frames_affected > 0.8 * len(AIRMASS)
    assert found.rivals[0].cause == "defocus"


def test_the_size_is_that_at_the_zenith() -> None:
    # closed form: 2.5 arcsec at air mass 2.5 is 2.5 x 2.5^0.6 = 4.3 arcsec seen, and no poor seeing
    night = make_night(seeing_arcsec=2.5, beta=TURBULENT, airmass=np.full(12, 2.5))
    found = asked(night)
    assert isinstance(found, Healthy)
    # as much blur of the optics as such a night allows is taken out: a tenth
    assert found.evidence[0].value == pytest.approx(2.5, rel=0.12)


def test_the_cost_is_a_share_of_the_squared_width() -> None:
    # closed form: 1 - (3.5 / 5)^2 = 0.51, against the largest size of a common night, less what
    # the aperture makes
    night = make_night(seeing_arcsec=5.0, seeing_change=0.03, beta=TURBULENT, airmass=AIRMASS)
    found = asked(night)
    assert isinstance(found, Finding)
    assert found.cost == pytest.approx(0.51, abs=0.12)


def test_long_stars_are_not_the_air() -> None:
    assert not claims(make_night(seeing_arcsec=5.0, elongation=1.45, airmass=AIRMASS))


def test_a_tilted_sensor_is_not_the_air() -> None:
    assert not claims(make_night(seeing_arcsec=4.5, fwhm_slope=0.6, airmass=AIRMASS))


def test_coarse_pixels_hide_the_air() -> None:
    rig = replace(RIG, focal_length_mm=135.0)
    assert isinstance(asked(make_night(rig=rig, seeing_arcsec=12.0)), CannotTell)


def test_without_a_scale_the_air_is_unknown() -> None:
    rig = replace(RIG, focal_length_mm=None)
    assert isinstance(asked(make_night(rig=rig)), CannotTell)
