"""Pixels too coarse or too fine, clipped stars, read noise."""

from dataclasses import replace

import numpy as np
import pytest
from made_nights import RIG, make_night

from framecheck.causes.camera import oversampled, read_noise_limited, saturation, undersampled
from framecheck.causes.result import CannotTell, Finding, Healthy


@pytest.mark.parametrize("cause", [undersampled, oversampled, saturation, read_noise_limited])
@pytest.mark.parametrize("seed", range(5))
def test_a_healthy_night_shows_nothing(cause, seed: int) -> None:
    night = make_night(seed=seed)
    assert isinstance(cause(night, night.rig), Healthy)


@pytest.mark.parametrize("focal_mm", [400.0, 500.0])  # 1.3 and 1.6 px span the stars
def test_coarse_pixels_are_named(focal_mm: float) -> None:
    night = make_night(rig=replace(RIG, focal_length_mm=focal_mm))
    found = undersampled(night, night.rig)
    assert isinstance(found, Finding)
    assert found.confidence > 0.9
    assert found.frames_affected == 40


def test_the_cost_of_coarse_pixels_is_that_of_averaging_over_a_square() -> None:
    # closed form: a square of side 1 adds 1/12 to the variance per axis, 0.4621 to a Gaussian's squared FWHM
    night = make_night(rig=replace(RIG, focal_length_mm=400.0), seeing_change=0.0)
    found = undersampled(night, night.rig)
    assert isinstance(found, Finding)
    width = found.evidence[0].value
    assert width is not None
    assert found.cost == pytest.approx(0.46210 / (0.46210 + width**2), rel=1e-4)


@pytest.mark.parametrize("focal_mm", [3000.0, 1800.0])  # 9 and 5.6 px span the stars
def test_fine_pixels_are_named(focal_mm: float) -> None:
    night = make_night(rig=replace(RIG, focal_length_mm=focal_mm))
    found = oversampled(night, night.rig)
    assert isinstance(found, Finding)
    assert found.confidence > 0.9


def test_blurred_stars_are_no_fault_of_the_pixels() -> None:
    night = make_night(widening=2.5)
    assert isinstance(oversampled(night, night.rig), Healthy)


@pytest.mark.parametrize(("widening", "least", "most"), [(2.2, 0.0, 0.5), (3.2, 0.5, 0.98)])  # 5.5 and 8 px
def test_without_a_scale_only_very_fine_pixels_are_named(widening: float, least: float, most: float) -> None:
    night = make_night(widening=widening, rig=replace(RIG, focal_length_mm=None))
    found = oversampled(night, night.rig)
    confidence = found.confidence if isinstance(found, Finding) else 0.0
    assert least <= confidence < most
    assert not isinstance(found, Finding) or found.rivals[0].cause == "defocus"


@pytest.mark.parametrize("n_saturated", [150, 70])
def test_clipped_stars_are_named(n_saturated: int) -> None:
    night = make_night(n_saturated=n_saturated)
    found = saturation(night, night.rig)
    assert isinstance(found, Finding)
    assert found.confidence > 0.85


def test_a_few_stars_tell_nothing_of_saturation() -> None:
    night = make_night(n_found=12, n_saturated=3)
    assert isinstance(saturation(night, night.rig), CannotTell)


@pytest.mark.parametrize("sky_electrons", [2.25, 2 * 2.25])  # once and twice the squared read noise
def test_read_noise_is_named_where_the_sky_does_not_bury_it(sky_electrons: float) -> None:
    night = make_night(sky_e_per_s=sky_electrons / 120)
    found = read_noise_limited(night, night.rig)
    assert isinstance(found, Finding)
    assert found.confidence > 0.9
    assert found.frames_affected == 40


def test_ten_squared_read_noises_of_sky_are_enough() -> None:
    # the "ten read noises squared" rule: 4.9 % more noise, closed form sqrt(1 + 1/10) - 1
    night = make_night(sky_e_per_s=10 * 2.25 / 120)
    found = read_noise_limited(night, night.rig)
    assert isinstance(found, Healthy)
    assert found.evidence[0].value == pytest.approx(4.88, rel=0.1)


def test_the_exposure_that_buries_read_noise() -> None:
    # R^2 / (S (1.05^2 - 1)): 43.9 s for R = 1.5 e and S = 0.5 e/s, common practice
    night = make_night(
        rig=replace(RIG, read_noise_e=1.5), sky_e_per_s=0.5, exposure_s=10.0, airmass=np.ones(40), seed=3
    )
    found = read_noise_limited(night, night.rig)
    assert isinstance(found, Finding)
    assert found.evidence[1].value == pytest.approx(43.9024, rel=0.05)


def test_read_noise_needs_gain_and_read_noise() -> None:
    night = make_night(rig=replace(RIG, gain_e_per_adu=None))
    assert isinstance(read_noise_limited(night, night.rig), CannotTell)


def test_a_noise_below_the_read_noise_is_a_contradiction() -> None:
    night = make_night()
    assert isinstance(read_noise_limited(night, replace(RIG, read_noise_e=60.0)), CannotTell)


def test_coarse_pixels_report_the_width_that_was_seen() -> None:
    night = make_night(rig=replace(RIG, focal_length_mm=135.0), seeing_arcsec=12.0)
    found = oversampled(night, night.rig)
    assert isinstance(found, Healthy)
    assert found.evidence[0].value == pytest.approx(12 / 5.74, rel=0.15)
