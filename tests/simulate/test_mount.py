"""The mount's geometry against handbook rows of drift, refraction and rotation."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from framecheck.simulate.mount import Attitude, apparent_target, attitude, start_hour_angle_deg
from framecheck.simulate.scenario import Mount, Scenario, Site, Target
from framecheck.simulate.tracking_error import periodic_error, tracking_error

ARCSEC = 180 * 3600 / np.pi
TURN_DEG_PER_S = 360 / 86164.0905


def at_hour_angle(scenario: Scenario, hour_angle_deg: float) -> Scenario:
    """The same night, begun when the target stands at an hour angle."""
    wait_s = (hour_angle_deg - start_hour_angle_deg(scenario)) / TURN_DEG_PER_S
    start = scenario.plan.start_utc + timedelta(seconds=wait_s)
    return replace(scenario, plan=replace(scenario.plan, start_utc=start))


def star_drift(
    *, latitude: float, dec: float, hour_angle: float, azimuth: float = 0.0, altitude: float = 0.0, air: float = 0.0
) -> tuple[float, float]:
    """Drift of a star through the image of an unguided mount, eastwards and northwards. [arcsec/min]"""
    scenario = Scenario(
        site=Site(latitude_deg=latitude, pressure_hpa=air),
        target=Target(dec_deg=dec),
        mount=Mount(polar_error_arcmin=(azimuth, altitude)),
    )
    scenario = at_hour_angle(scenario, hour_angle - 30 * TURN_DEG_PER_S)  # the minute's middle
    times = np.array([0.0, 60.0])
    stance = attitude(scenario, times, frame=0, dither_arcsec=(0.0, 0.0))
    star = apparent_target(scenario, times)
    # north is up and east to the left at camera angle 0
    east, north = -np.sum(star * stance.x_axis, axis=1), np.sum(star * stance.y_axis, axis=1)
    return float(np.diff(east)[0] * ARCSEC), float(np.diff(north)[0] * ARCSEC)


@pytest.mark.parametrize(
    ("azimuth", "altitude", "latitude", "dec", "hour_angle", "expected"),
    [  # -omega (dAz cos(lat) cos H + dAlt sin H), computed with ERFA and astropy's rotations
        (10, 0, 45, 0, 0, -1.85627),
        (0, 10, 45, 0, -90, 2.62516),
        (7, -4, 52, 30, 40, -0.191694),
    ],
)
def test_declination_drift_from_a_polar_error(
    azimuth: float, altitude: float, latitude: float, dec: float, hour_angle: float, expected: float
) -> None:
    _, north = star_drift(latitude=latitude, dec=dec, hour_angle=hour_angle, azimuth=azimuth, altitude=altitude)
    assert north == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("dec", [0, 45, 75])
def test_declination_drift_knows_no_cosine_of_declination(dec: float) -> None:
    # omega theta sin(H - H0), closed form: 1.31258"/min for 5' a quarter turn from the error's plane
    _, north = star_drift(latitude=45, dec=dec, hour_angle=90, altitude=5)
    assert abs(north) == pytest.approx(1.31258, rel=2e-3)


@pytest.mark.parametrize(("dec", "expected"), [(60, 1.13673), (30, 0.65629)])
def test_right_ascension_drift_from_a_polar_error(dec: float, expected: float) -> None:
    # omega theta sin(dec) cos(H - H0), positive to the west, closed form
    east, _ = star_drift(latitude=45, dec=dec, hour_angle=0, altitude=5)
    assert -east == pytest.approx(expected, rel=5e-3)


@pytest.mark.parametrize(
    ("dec", "hour_angle", "expected_dec", "expected_ra_west"),
    [(0, 45, 0.353404, -0.502613), (20, 60, 0.330411, -0.424174), (60, 0, 0.0, -0.185761)],
)
def test_refraction_moves_stars_of_a_perfect_mount(
    dec: float, hour_angle: float, expected_dec: float, expected_ra_west: float
) -> None:
    # numeric, with ERFA's refraction at 1010 hPa, 10 deg C; right ascension positive to the west: the star lags
    east, north = star_drift(latitude=45, dec=dec, hour_angle=hour_angle, air=1010)
    assert north == pytest.approx(expected_dec, abs=0.02)
    assert -east == pytest.approx(expected_ra_west, abs=0.02)


def axes_of(stance: Attitude) -> tuple[np.ndarray, np.ndarray]:
    return stance.x_axis, stance.y_axis


def field_turn_arcsec(scenario: Scenario, seconds: float) -> float:
    """How far celestial north turns in the image, counter-clockwise. [arcsec]"""
    times = np.array([0.0, seconds])
    stance = attitude(scenario, times, frame=0, dither_arcsec=(0.0, 0.0))
    north = np.array([0.0, 0.0, 1.0])
    angles = np.arctan2(stance.y_axis @ north, stance.x_axis @ north)
    return float(np.diff(np.unwrap(angles))[0] * ARCSEC)


@pytest.mark.parametrize(
    ("polar_arcmin", "dec", "hour_angle", "seconds", "expected"),
    [(5, 60, 0, 300, 13.1258), (5, 0, 0, 300, 6.5629), (10, 80, 30, 600, 130.923)],
)
def test_the_field_turns_while_guiding(
    polar_arcmin: float, dec: float, hour_angle: float, seconds: float, expected: float
) -> None:
    # omega theta t cos(H - H0) / cos(dec), closed form
    scenario = Scenario(
        site=Site(latitude_deg=45, pressure_hpa=0),
        target=Target(dec_deg=dec),
        mount=Mount(guided=True, polar_error_arcmin=(0.0, polar_arcmin)),
    )
    scenario = at_hour_angle(scenario, hour_angle - seconds / 2 * TURN_DEG_PER_S)
    assert abs(field_turn_arcsec(scenario, seconds)) == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize(
    ("latitude", "dec", "hour_angle", "expected"),
    [(45, 0, 0, 15.0411), (45, 20, -40, 6.51381), (43.7915, 27.96, -7.1, 34.7359)],
)
def test_the_field_of_an_alt_azimuth_mount_turns(
    latitude: float, dec: float, hour_angle: float, expected: float
) -> None:
    # omega cos(lat) cos(Az) / cos(alt), closed form
    scenario = Scenario(
        site=Site(latitude_deg=latitude, pressure_hpa=0),
        target=Target(dec_deg=dec),
        mount=Mount(kind="alt-azimuth"),
    )
    scenario = at_hour_angle(scenario, hour_angle - 5 * TURN_DEG_PER_S)
    assert abs(field_turn_arcsec(scenario, 10.0)) / 10 == pytest.approx(expected, rel=1e-3)


def test_the_guide_star_stays_and_the_field_turns_about_it() -> None:
    # rotation (omega theta t / cos(dec), closed form: 13.1258") times the distance of 1 degree: 0.229089"
    scenario = Scenario(
        site=Site(latitude_deg=45, pressure_hpa=0),
        target=Target(dec_deg=60),
        mount=Mount(guided=True, polar_error_arcmin=(0.0, 5.0), guide_star_arcmin=(0.0, 60.0)),
    )
    scenario = at_hour_angle(scenario, -150 * TURN_DEG_PER_S)
    times = np.array([0.0, 300.0])
    stance = attitude(scenario, times, frame=0, dither_arcsec=(0.0, 0.0))
    centre = apparent_target(scenario, times)
    guide_star = apparent_target(replace(scenario, target=replace(scenario.target, dec_deg=61.0)), times)
    for star, expected in ((guide_star, 0.0), (centre, 0.229089)):
        places = [np.sum(star * axis, axis=1) / np.sum(star * stance.towards, axis=1) for axis in axes_of(stance)]
        assert np.hypot(*np.diff(places, axis=1))[0] * ARCSEC == pytest.approx(expected, abs=0.02)


def test_an_untracked_star_moves_at_the_sidereal_rate() -> None:
    # omega cos(dec) t, closed form: 75.2053" in 10 s at 60 degrees
    scenario = Scenario(site=Site(pressure_hpa=0), target=Target(dec_deg=60), mount=Mount(kind="fixed"))
    times = np.array([0.0, 10.0])
    stance = attitude(scenario, times, frame=0, dither_arcsec=(0.0, 0.0))
    star = apparent_target(scenario, times)
    assert np.linalg.norm(np.diff(star, axis=0)) * ARCSEC == pytest.approx(75.2053, rel=1e-4)
    assert np.allclose(np.diff(stance.towards, axis=0), 0)


def test_a_flip_turns_the_camera_by_half_a_turn() -> None:
    scenario = Scenario()
    flipped = replace(scenario, plan=replace(scenario.plan, flip_frame=3))
    times = np.array([400.0])
    before = attitude(scenario, times, frame=3, dither_arcsec=(0.0, 0.0))
    after = attitude(flipped, times, frame=3, dither_arcsec=(0.0, 0.0))
    assert after.x_axis == pytest.approx(-before.x_axis)
    assert after.towards == pytest.approx(before.towards)


def test_periodic_error_has_its_amplitude_and_period() -> None:
    scenario = Scenario(mount=Mount(periodic_arcsec=5.0, period_s=480.0))
    times = np.arange(0, 4800, 1.0)
    error = periodic_error(scenario, times)
    assert error.std() == pytest.approx(5 / np.sqrt(2), rel=1e-3)  # A² / 2, closed form
    assert np.argmax(np.abs(np.fft.rfft(error))) == 10
    assert np.abs(np.diff(error)).max() == pytest.approx(2 * np.pi * 5 / 480, rel=1e-3)  # 2 pi A / P, closed form


def test_random_error_has_its_rms_and_its_memory() -> None:
    scenario = Scenario(mount=Mount(rms_ra_arcsec=0.8, rms_dec_arcsec=0.5, correlation_s=4.0))
    times = np.arange(0, 120, 1.0)
    errors = [tracking_error(scenario, frame * 125 + times, frame) for frame in range(300)]
    ra, dec = np.array([e.ra_arcsec for e in errors]), np.array([e.dec_arcsec for e in errors])
    assert ra.std() == pytest.approx(0.8, rel=0.04)
    assert dec.std() == pytest.approx(0.5, rel=0.04)
    lagged = np.mean(ra[:, 4:] * ra[:, :-4]) / ra.var()
    assert lagged == pytest.approx(np.exp(-1), abs=0.04)
    assert abs(np.mean(ra * dec)) < 0.02


def test_a_gust_is_in_its_frame_only_and_flexure_keeps_its_speed() -> None:
    scenario = Scenario(mount=Mount(gust_frames=(2,), gust_arcsec=10.0))
    times = np.arange(0, 120, 1.0)
    pushes = [tracking_error(scenario, frame * 125 + times, frame) for frame in range(4)]
    sizes = [float(np.hypot(push.ra_arcsec, push.dec_arcsec).max()) for push in pushes]
    assert sizes == pytest.approx([0, 0, 10, 0])
    sagging = tracking_error(Scenario(mount=Mount(flexure_arcsec_per_min=0.6)), times, 0)
    speed = np.hypot(np.diff(sagging.ra_arcsec), np.diff(sagging.dec_arcsec)) * 60
    assert speed == pytest.approx(0.6, rel=1e-3)


def test_backlash_is_in_declination_and_in_its_frames_only() -> None:
    scenario = Scenario(mount=Mount(guided=True, backlash_arcsec=8.0, backlash_frames=(2, 3)))
    times = np.arange(0, 120, 1.0)
    errors = [tracking_error(scenario, frame * 125 + times, frame) for frame in range(5)]
    assert [float(np.ptp(error.dec_arcsec)) > 7 for error in errors] == [False, False, True, True, False]
    assert all(not error.ra_arcsec.any() and not error.axis_arcsec.any() for error in errors)


def test_a_wrong_rate_trails_by_its_share() -> None:
    # solar instead of sidereal rate: 2.46412"/min at the equator, closed form
    scenario = Scenario(site=Site(pressure_hpa=0), target=Target(dec_deg=0), mount=Mount(tracking_rate=15 / 15.041067))
    times = np.array([0.0, 60.0])
    stance = attitude(scenario, times, frame=0, dither_arcsec=(0.0, 0.0))
    star = apparent_target(scenario, times)
    assert abs(np.diff(np.sum(star * stance.x_axis, axis=1))[0]) * ARCSEC == pytest.approx(2.46412, rel=1e-3)
