"""Places in the sky against ERFA and published formulas."""

from datetime import UTC, datetime

import erfa
import numpy as np
import pytest

from framecheck.simulate.sky_path import airmass, altitude_deg, direction, refracted, sidereal_angle_deg


@pytest.mark.parametrize("when", [datetime(2026, 3, 1, 20, tzinfo=UTC), datetime(2025, 9, 12, 19, 40, tzinfo=UTC)])
def test_sidereal_time_agrees_with_erfa(when: datetime) -> None:
    jd = erfa.dtf2d("UTC", when.year, when.month, when.day, when.hour, when.minute, 0.0)
    expected = np.degrees(erfa.gmst06(*jd, *jd)) + 16.0
    assert sidereal_angle_deg(when, 16.0) == pytest.approx(expected % 360, abs=1e-3)


@pytest.mark.parametrize("observed_deg", [60.0, 45.0, 30.0, 20.0])
def test_refraction_agrees_with_erfa(observed_deg: float) -> None:
    # A tan z + B tan³ z with ERFA's refco at 1010 hPa, 10 deg C, 50 % humidity, 0.55 um
    first, third = erfa.refco(1010, 10, 0.5, 0.55)
    tangent = np.tan(np.radians(90 - observed_deg))
    lift_deg = np.degrees(first * tangent + third * tangent**3)
    true = direction(0.0, 45.0 - (90 - observed_deg + lift_deg))
    assert altitude_deg(refracted(true, 45.0, 1010.0), 45.0) == pytest.approx(observed_deg, abs=0.1 / 3600)


def test_without_air_nothing_is_lifted() -> None:
    true = direction(np.array([-40.0, 0.0, 70.0]), np.array([10.0, 50.0, -5.0]))
    assert refracted(true, 45.0, 0.0) == pytest.approx(true)


@pytest.mark.parametrize("altitude", [90.0, 60.0, 30.0, 15.0, 10.0])
def test_airmass_agrees_with_an_independent_formula(altitude: float) -> None:
    # F. Kasten & A. T. Young, 1989, Applied Optics 28, 4735; formula from memory. It takes the apparent altitude and
    # ours the true one: a percent of difference at 10 degrees
    expected = 1 / (np.sin(np.radians(altitude)) + 0.50572 * (altitude + 6.07995) ** -1.6364)
    assert airmass(altitude) == pytest.approx(expected, rel=0.012)
