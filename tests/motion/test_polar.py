"""Polar error against exact vectors, refraction against the ERFA library, intervals against repeated nights."""

import erfa
import numpy as np
import pytest
from reference import reference

from framecheck.motion import polar
from framecheck.motion.drift import motion_between
from framecheck.motion.polar import (
    DecDrift,
    FieldTurning,
    declination_drifts,
    polar_error,
    polar_error_from_rotation,
    refraction_drift,
    refraction_turning,
)  # fmt: skip
from framecheck.night.records import Registration
from framecheck.read.exposure import Orientation


def turn(about: np.ndarray, deg: float) -> np.ndarray:
    """Rotation matrix (Rodrigues, closed form)."""
    a = about / np.linalg.norm(about)
    k = np.array([[0, -a[2], a[1]], [a[2], 0, -a[0]], [-a[1], a[0], 0]])
    t = np.radians(deg)
    return np.eye(3) + np.sin(t) * k + (1 - np.cos(t)) * k @ k


def star_on_sky(h_deg: float, dec_deg: float, lat_deg: float) -> np.ndarray:
    """North, east, up."""
    h, d, p = np.radians([h_deg, dec_deg, lat_deg])
    return np.array([
        np.cos(p) * np.sin(d) - np.sin(p) * np.cos(d) * np.cos(h),
        -np.cos(d) * np.sin(h),
        np.sin(p) * np.sin(d) + np.cos(p) * np.cos(d) * np.cos(h),
    ])  # fmt: skip


def wrong_axis(az_arcmin: float, alt_arcmin: float, lat_deg: float) -> np.ndarray:
    """The north end of an axis whose end at the visible pole lies at these errors; clockwise and up."""
    south = lat_deg < 0
    alt = np.radians(abs(lat_deg) + alt_arcmin / 60)
    az = np.radians((180 if south else 0) + az_arcmin / 60)
    axis = np.array([np.cos(alt) * np.cos(az), np.cos(alt) * np.sin(az), np.sin(alt)])
    return -axis if south else axis


def exact_drift(az: float, alt: float, lat: float, dec: float, h: float) -> float:
    """Drift of a star in the declination of a mount with a wrong axis. [arcsec/min]"""
    axis = wrong_axis(az, alt, lat)
    before, after = (np.arcsin(star_on_sky(h + s * 0.125, dec, lat) @ axis) for s in (-1, 1))
    return float(np.degrees(after - before) * 3600)


def exact_turning(az: float, alt: float, lat: float, dec: float, h: float) -> float:
    """Turning of the direction to true north against that to the mount's north. [deg/h], north to east."""
    pole, axis = wrong_axis(0, 0, lat), wrong_axis(az, alt, lat)

    def angle(hour: float) -> float:
        s = star_on_sky(hour, dec, lat)
        to_pole, to_axis = pole - (pole @ s) * s, axis - (axis @ s) * s
        # a right-handed turn about the line of sight, outwards, is from north to west: seen from within
        return float(np.arctan2(np.cross(to_axis, to_pole) @ s, to_axis @ to_pole))

    return -float(np.degrees(angle(h + 0.5) - angle(h - 0.5))) / (1 / 15.0411)


@pytest.mark.parametrize(("letter", "lat", "dec", "h"), [("a", 45, 0, 45), ("b", 45, 20, 60), ("c", 45, 60, 0)])
def test_refraction_drift(letter: str, lat: float, dec: float, h: float) -> None:
    ra, to_north = refraction_drift(lat, dec, h)
    assert to_north == reference(f"TRK-36{letter}").approx
    assert -ra == reference(f"TRK-37{letter}").approx  # the table counts westward


@pytest.mark.parametrize(("letter", "altitude"), [("a", 60), ("b", 45), ("c", 30), ("d", 20)])
def test_refraction_constants(letter: str, altitude: float) -> None:
    t = np.tan(np.radians(90 - altitude))
    lift = polar.REFRACTION_TAN_ARCSEC * t + polar.REFRACTION_TAN3_ARCSEC * t**3
    assert lift == reference(f"TRK-35{letter}").approx
    a, b = np.degrees(erfa.refco(1010, 10, 0.5, 0.55)) * 3600
    ours = [polar.REFRACTION_TAN_ARCSEC, polar.REFRACTION_TAN3_ARCSEC]
    assert ours == pytest.approx([a, b], rel=1e-3)


@pytest.mark.parametrize(("lat", "dec", "h"), [(45, 20, 50), (52, 60, -40), (-33, -20, 70), (40, 75, 100)])
def test_refraction_turns_a_guided_field(lat: float, dec: float, h: float) -> None:
    # another way: eight stars about the guide star, lifted as vectors; the best rigid turn between two instants
    def lifted(s: np.ndarray) -> np.ndarray:
        apparent = np.arccos(s[2]) - np.radians(0.015)
        lift = 58.02 * np.tan(apparent) - 0.065 * np.tan(apparent) ** 3
        up = np.array([0, 0, 1.0]) - s[2] * s
        s = s + up / np.linalg.norm(up) * np.radians(lift / 3600)
        return s / np.linalg.norm(s)

    def offsets(hour: float) -> np.ndarray:
        """East and north of the guide star, along the true mount's axes, which guiding keeps on it."""
        guide, pole = lifted(star_on_sky(hour, dec, lat)), wrong_axis(0, 0, lat)
        east = np.cross(pole, guide)
        east = east / np.linalg.norm(east)
        east = east * np.sign(east @ (star_on_sky(hour - 0.1, dec, lat) - star_on_sky(hour, dec, lat)))
        north = pole - (pole @ guide) * guide
        north = north / np.linalg.norm(north)
        phi = np.radians(np.arange(0, 360, 45))
        stars = [
            lifted(star_on_sky(hour - 0.2 * np.sin(f) / np.cos(np.radians(dec)), dec + 0.2 * np.cos(f), lat))
            for f in phi
        ]
        return np.array([[s @ east, s @ north] for s in stars]).T

    before, after = offsets(h - 1), offsets(h + 1)
    before, after = (o - o.mean(axis=1, keepdims=True) for o in (before, after))
    angle = np.arctan2((before[1] * after[0] - before[0] * after[1]).sum(), (before * after).sum())
    assert refraction_turning(lat, dec, h) == pytest.approx(np.degrees(angle) / (2 / 15.0411), rel=0.03, abs=2e-5)


@pytest.mark.parametrize(
    ("letter", "az", "alt", "lat", "dec", "h"),
    [("a", 10, 0, 45, 0, 0), ("b", 0, 10, 45, 0, -90), ("c", 7, -4, 52, 30, 40)],
)
def test_exact_vectors_agree_with_the_table(
    letter: str, az: float, alt: float, lat: float, dec: float, h: float
) -> None:
    assert exact_drift(az, alt, lat, dec, h) == reference(f"TRK-26{letter}").approx


def drifts(az: float, alt: float, lat: float, dec: float, hours: list[float], error: float, rng=None) -> list[DecDrift]:
    out = []
    for h in hours:
        star = exact_drift(az, alt, lat, dec, h) + refraction_drift(lat, dec, h)[1]
        noise = rng.normal(0, error) if rng is not None else 0.0
        out.append(
            DecDrift(hour_angle_deg=h, dec_deg=dec, dec_arcsec_per_min=-star + noise, error_arcsec_per_min=error)
        )
    return out


@pytest.mark.parametrize("dec", [-20.0, 0.0, 45.0, 75.0])
@pytest.mark.parametrize(("az", "alt", "lat"), [(7, -4, 52), (-12, 3, 35), (5, 8, -33), (-2, -30, -45)])
def test_both_parts_from_a_range_of_hour_angles(az: float, alt: float, lat: float, dec: float) -> None:
    dec = float(np.copysign(dec, lat) if dec > 0 else -np.copysign(dec, lat))
    found = polar_error(drifts(az, alt, lat, dec, list(np.arange(-45, 50, 15.0)), 0.02), lat)
    assert found is not None
    assert found.azimuth_arcmin == pytest.approx(az, rel=0.04, abs=0.3)
    assert found.altitude_arcmin == pytest.approx(alt, rel=0.04, abs=0.3)
    assert found.value_arcmin == pytest.approx(np.hypot(az * np.cos(np.radians(lat)), alt), rel=0.05)
    assert found.low_arcmin < found.value_arcmin < found.high_arcmin


def test_the_declination_makes_no_difference() -> None:
    # TRK-22: no cosine of declination; TRK-23: the folk formula is twice too large at 60 degrees
    for dec in (0.0, 60.0):
        found = polar_error(drifts(0, 5, 45, dec, [-60.0, -30.0, 0.0, 30.0], 0.02), 45)
        assert found is not None
        assert found.value_arcmin == pytest.approx(5, rel=0.05)


def test_refraction_alone_is_no_polar_error() -> None:
    # TRK-36d: taken for a polar error it would be 1.35 arcmin
    refracted = drifts(0, 0, 45, 0, [15.0, 30.0, 45.0], 0.02)
    assert -refracted[2].dec_arcsec_per_min / 0.262516 == reference("TRK-36d").approx
    found = polar_error(refracted, 45)
    assert found is not None
    assert found.low_arcmin < 0.5


def test_one_hour_angle_gives_a_lower_bound_and_says_so() -> None:
    found = polar_error(drifts(0, 20, 45, 10, [-45.0], 0.05), 45)
    assert found is not None
    assert not found.both_parts_seen
    assert found.azimuth_arcmin is None
    assert 20 * np.sin(np.pi / 4) * 0.9 < found.low_arcmin < 20 < found.high_arcmin


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    rng = np.random.default_rng(5)
    inside, total = 0, 300
    for _ in range(total):
        size, angle, lat = abs(rng.standard_cauchy()) * 5, rng.random() * 2 * np.pi, rng.uniform(25, 60)
        az, alt = min(size, 600) * np.cos(angle) / np.cos(np.radians(lat)), min(size, 600) * np.sin(angle)
        start = rng.uniform(-50, 40)
        hours = list(start + np.arange(rng.integers(1, 6)) * 7.5)
        found = polar_error(drifts(az, alt, lat, rng.uniform(-10, 60), hours, 0.1, rng), lat)
        assert found is not None
        inside += found.low_arcmin <= min(size, 600) <= found.high_arcmin
    assert 0.85 <= inside / total <= 0.97  # 90 % said; the refraction here is exactly the one assumed


@pytest.mark.parametrize(("letter", "size", "dec", "off", "s"), [("a", 5, 60, 0, 300), ("c", 10, 80, 30, 600)])
def test_turning_of_a_guided_field_agrees_with_the_table(
    letter: str, size: float, dec: float, off: float, s: float
) -> None:
    # an axis too high is displaced towards the meridian above the pole: H0 = 0
    turning = exact_turning(0, size, 45, dec, off)
    assert turning * 3600 * s / 3600 == reference(f"TRK-28{letter}").approx


@pytest.mark.parametrize("lat", [52.0, -33.0])
def test_polar_error_from_turning(lat: float) -> None:
    az, alt, dec = 30.0, 20.0, float(np.copysign(50.0, lat))
    turnings = [
        FieldTurning(
            hour_angle_deg=h, dec_deg=dec, error_deg_per_hour=0.002,
            deg_per_hour=exact_turning(az, alt, lat, dec, h) + refraction_turning(lat, dec, h),
        )
        for h in (-40.0, -20.0, 0.0, 20.0, 40.0)
    ]  # fmt: skip
    found = polar_error_from_rotation(turnings, lat)
    assert found is not None
    assert found.azimuth_arcmin == pytest.approx(az, rel=0.05)
    assert found.altitude_arcmin == pytest.approx(alt, rel=0.05)
    alone = polar_error_from_rotation(turnings[2:3], lat)
    assert alone is not None
    assert not alone.both_parts_seen
    assert alone.low_arcmin < np.hypot(az * np.cos(np.radians(lat)), alt) < alone.high_arcmin


def test_nothing_to_go_by() -> None:
    low = DecDrift(hour_angle_deg=100, dec_deg=-10, dec_arcsec_per_min=1.0, error_arcsec_per_min=0.1)
    near = DecDrift(hour_angle_deg=0, dec_deg=89, dec_arcsec_per_min=1.0, error_arcsec_per_min=0.1)
    assert polar_error([], 45) is None
    assert polar_error([low, near], 45) is None


@pytest.mark.parametrize(("mirrored", "north_up"), [(False, 0.0), (False, 70.0), (True, 200.0)])
def test_polar_error_from_a_night_of_frames(mirrored: bool, north_up: float) -> None:
    # the pointing of a mount with a wrong axis, put on the sensor by the plane's own geometry
    rng = np.random.default_rng(12)
    lat, dec, az, alt, scale, n = 48.0, 20.0, 14.0, -9.0, 1.5, 160
    minutes = np.arange(n) * 2.0
    hours = -40 + minutes / 4 * 1.0027
    rate = [exact_drift(az, alt, lat, dec, h) + refraction_drift(lat, dec, h)[1] for h in hours]
    star_north = np.cumsum(rate) * 2.0 / scale + rng.normal(0, 0.1, n)
    star_east = rng.normal(0, 0.1, n) + 3 * np.sin(2 * np.pi * minutes / 8)
    turn_north = np.radians(90 + north_up * (1 if mirrored else -1))  # direction of north in the image, from +x
    turn_east = turn_north + np.pi / 2 * (-1 if mirrored else 1)
    x = star_north * np.cos(turn_north) + star_east * np.cos(turn_east)
    y = star_north * np.sin(turn_north) + star_east * np.sin(turn_east)
    registrations = [
        Registration(
            shift_x_px=float(a), shift_y_px=float(b), rotation_deg=0.0, scale=1.0, n_common=100, rms_px=0.1,
            shift_error_px=0.1, rotation_error_deg=0.01, flipped=False,
        )
        for a, b in zip(x, y, strict=True)
    ]  # fmt: skip
    motion = motion_between(registrations, list(minutes), range(n))
    sky = Orientation(pixel_scale_arcsec=scale, north_up_deg=north_up, mirrored=mirrored, ra_deg=0.0, dec_deg=dec)
    found = polar_error(declination_drifts(motion, sky, list(hours)), lat)
    assert found is not None
    assert found.azimuth_arcmin == pytest.approx(az, abs=1.5)
    assert found.altitude_arcmin == pytest.approx(alt, abs=1.5)
    assert declination_drifts(motion, sky, [None] * n) == []
