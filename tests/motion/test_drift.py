"""Motion between exposures: drift and turning come out, dithers and flips do not disguise them."""

import numpy as np
import pytest

from framecheck.motion.drift import drift_on_sky, motion_between
from framecheck.motion.guided import wander_px
from framecheck.motion.records import Motion
from framecheck.night.records import Registration
from framecheck.read.exposure import Orientation

MINUTES = np.arange(60) * 1.5


def registrations(place: np.ndarray, rotation_deg=0.0, error_px: float = 0.05) -> list[Registration]:
    """Of frames whose stars were moved by `place` (n, 2) along the reference's axes, then turned."""
    angle = np.broadcast_to(np.asarray(rotation_deg, dtype=float), len(place))
    shift = (place[:, 0] + 1j * place[:, 1]) * np.exp(1j * np.radians(angle))
    return [
        Registration(
            shift_x_px=z.real, shift_y_px=z.imag, rotation_deg=float((a + 180) % 360 - 180), scale=1.0, n_common=100,
            rms_px=0.5, shift_error_px=error_px, rotation_error_deg=0.001, flipped=False,
        )
        for z, a in zip(shift, angle, strict=True)
    ]  # fmt: skip


def motion(place, rotation_deg=0.0, minutes=MINUTES, **kw) -> Motion:
    found = registrations(np.asarray(place), rotation_deg, **kw)
    return motion_between(found, list(minutes), range(len(found)))


def drifting(x: float, y: float, minutes=MINUTES) -> np.ndarray:
    return np.column_stack([x * minutes, y * minutes])


def is_drift(found: Motion, x: float, y: float, sigma: float = 4.0) -> bool:
    return (
        np.hypot(found.drift_x_px_per_min - x, found.drift_y_px_per_min - y) < sigma * found.drift_error_px_per_min
        and found.drift_error_px_per_min < 0.05
    )


def test_a_steady_drift_is_its_slope() -> None:
    rng = np.random.default_rng(0)
    found = motion(drifting(0.12, -0.05) + rng.normal(0, 0.05, (60, 2)))
    assert is_drift(found, 0.12, -0.05)
    assert not found.dithered
    assert found.jumps == ()
    assert np.std(found.residual_x_px) == pytest.approx(0.05, rel=0.35)


@pytest.mark.parametrize("every", [3, 5, 10])
def test_dithers_are_told_from_drift(every: int) -> None:
    rng = np.random.default_rng(1)
    step = rng.uniform(-30, 30, (60, 2))[np.arange(60) // every]
    found = motion(drifting(0.12, -0.05) + step + rng.normal(0, 0.05, (60, 2)))
    assert is_drift(found, 0.12, -0.05)
    assert found.dithered
    assert len(found.jumps) == 60 // every - 1
    assert found.jumps[0] == every


@pytest.mark.parametrize("every", [2, 3])
def test_dithers_are_told_from_a_drift_that_bends(every: int) -> None:
    # a tube that bends: 1.5 px a minute whose direction turns by 30 degrees an hour, so that no step rests
    rng = np.random.default_rng(4)
    n, minutes = 18, np.arange(18) * 5.1
    path = np.exp(1j * np.radians(30 / 60) * minutes) * 1.5 / (1j * np.radians(30 / 60))
    step = rng.uniform(-12, 12, (n, 2))[np.arange(n) // every]
    place = np.column_stack([path.real, path.imag]) + step + rng.normal(0, 0.03, (n, 2))
    found = motion(place, minutes=minutes)
    assert found.dithered
    assert set(found.jumps) >= set(range(every, n, every))
    assert wander_px(found) < 0.5
    middle = 1.5 * np.exp(1j * np.radians(30 / 60) * minutes.mean())
    assert abs(found.drift_px_per_min - middle) < 0.1


def test_a_swing_of_two_frames_is_no_dither() -> None:
    place = np.column_stack([6.0 * np.cos(np.pi * np.arange(24) * 0.97), np.zeros(24)])
    assert not motion(place, minutes=np.arange(24) * 4.0).dithered


def test_a_dither_before_every_frame_leaves_an_honest_error() -> None:
    rng = np.random.default_rng(2)
    pulls = []
    for _ in range(200):
        found = motion(drifting(0.12, -0.05) + rng.normal(0, 10, (60, 2)))
        assert found.dithered
        pulls += [
            (found.drift_x_px_per_min - 0.12) / found.drift_error_px_per_min,
            (found.drift_y_px_per_min + 0.05) / found.drift_error_px_per_min,
        ]
    assert 0.8 < np.std(pulls) < 1.15


def test_errors_of_drift_and_turning_are_honest() -> None:
    rng = np.random.default_rng(3)
    pulls, turns = [], []
    for _ in range(200):
        turn = 0.02 * MINUTES + rng.normal(0, 0.003, 60)
        found = motion(drifting(0.1, 0.0) + rng.normal(0, 0.2, (60, 2)), turn)
        pulls.append((found.drift_x_px_per_min - 0.1) / found.drift_error_px_per_min)
        turns.append((found.rotation_deg_per_hour - 1.2) / found.rotation_error_deg_per_hour)
    for values in (pulls, turns):
        assert abs(np.mean(values)) < 3 / np.sqrt(200)
        assert 0.8 < np.std(values) < 1.15


def test_a_periodic_error_is_no_dither_and_stays_in_the_residuals() -> None:
    # amplitude 4 px, period 8 min, along x only
    rng = np.random.default_rng(4)
    wave = np.column_stack([4 * np.sin(2 * np.pi * MINUTES / 8), np.zeros(60)])
    found = motion(drifting(0.1, 0.02) + wave + rng.normal(0, 0.05, (60, 2)))
    assert not found.dithered
    assert found.jumps == ()
    assert abs(found.drift_x_px_per_min - 0.1) < 3 * found.drift_error_px_per_min
    assert np.ptp(found.residual_x_px) == pytest.approx(8, rel=0.15)


def test_a_pier_flip_is_a_jump_and_not_a_turning() -> None:
    rng = np.random.default_rng(5)
    place = drifting(0.12, -0.05) + rng.normal(0, 0.05, (60, 2))
    place[30:] += [150, -90]
    angle = 0.01 * MINUTES + np.where(np.arange(60) >= 30, 180.4, 0) + rng.normal(0, 0.002, 60)
    found = motion(place, angle)
    assert is_drift(found, 0.12, -0.05)
    assert found.rotation_deg_per_hour == pytest.approx(0.6, abs=4 * found.rotation_error_deg_per_hour)
    assert found.jumps == (30,)
    assert not found.dithered


def test_a_field_that_turns_through_half_a_circle_is_followed() -> None:
    # an alt-azimuth mount near the zenith: 2 degrees a minute
    rng = np.random.default_rng(6)
    found = motion(rng.normal(0, 0.1, (60, 2)), 2.0 * MINUTES + rng.normal(0, 0.01, 60))
    assert found.rotation_deg_per_hour == pytest.approx(120, abs=0.1)
    assert found.jumps == ()


def test_a_field_that_turns_ever_faster_is_followed_as_closely_as_frames_tell() -> None:
    # as before the zenith: an angle that runs away from a straight line, known to a thousandth of a degree a frame
    turned = 40 / (1.2 - MINUTES / MINUTES[-1])
    noise = np.random.default_rng(8).normal(0, 0.001, 60)
    found = motion(drifting(0.0, 0.0) + noise[:, None], turned - turned[0] + noise)
    assert found.rotation_deg_per_hour == pytest.approx((turned[-1] - turned[0]) / (MINUTES[-1] / 60), rel=0.02)
    assert found.rotation_error_deg_per_hour < 0.03 * found.rotation_deg_per_hour


def test_a_pause_may_begin_anew() -> None:
    rng = np.random.default_rng(7)
    minutes = MINUTES + np.where(np.arange(60) >= 25, 40, 0)
    place = drifting(0.1, 0.0, minutes) + rng.normal(0, 0.05, (60, 2))
    place[25:] += 3.0
    found = motion(place, minutes=minutes)
    assert is_drift(found, 0.1, 0.0)
    assert found.jumps == (25,)
    assert not found.dithered


def test_a_knock_in_one_frame_does_not_bend_the_drift() -> None:
    rng = np.random.default_rng(8)
    place = drifting(0.1, 0.0) + rng.normal(0, 0.05, (60, 2))
    place[20] += [40, 10]
    assert is_drift(motion(place), 0.1, 0.0)


def test_unregistered_frames_and_unknown_times_are_left_out() -> None:
    found = registrations(drifting(0.1, 0.0)[:6])
    gaps = [found[0], None, found[2], found[3], found[4], found[5]]
    times = [0.0, 1.5, 3.0, None, 6.0, 7.5]
    seen = motion_between(gaps, times, [10, 11, 12, 13, 14, 15])
    assert seen.frames == (10, 12, 14, 15)
    assert seen.minutes == (0.0, 3.0, 6.0, 7.5)
    assert seen.drift_x_px_per_min == pytest.approx(0.1, abs=1e-6)


@pytest.mark.parametrize("n", [0, 1, 2])
def test_two_frames_tell_no_drift(n: int) -> None:
    seen = motion(drifting(0.1, 0.0)[:n], minutes=MINUTES[:n])
    assert (seen.drift_x_px_per_min, seen.rotation_deg_per_hour, seen.dithered) == (None, None, False)


def test_frames_of_one_instant_tell_no_drift() -> None:
    assert motion(drifting(0.1, 0.0)[:5], minutes=np.zeros(5)).drift_x_px_per_min is None


def oriented(north_up_deg: float, *, mirrored: bool = False) -> Orientation:
    return Orientation(pixel_scale_arcsec=2.0, north_up_deg=north_up_deg, mirrored=mirrored, ra_deg=10.0, dec_deg=40.0)


@pytest.mark.parametrize(
    ("north_up_deg", "mirrored", "star_drift", "east", "north"),
    [
        # north up, east left, as the sky is seen: stars moving up mean that the pointing moves south
        (0.0, False, (0.0, 1.0), 0.0, -2.0),
        (0.0, False, (1.0, 0.0), 2.0, 0.0),  # stars move right, to the west: the pointing moves east
        (0.0, True, (1.0, 0.0), -2.0, 0.0),
        (90.0, False, (0.0, 1.0), -2.0, 0.0),  # +y points east
        (90.0, False, (1.0, 0.0), 0.0, -2.0),  # then +x points north, east being counter-clockwise of it
        (180.0, False, (0.0, 1.0), 0.0, 2.0),
    ],
)
def test_the_pointing_drifts_against_the_stars(north_up_deg, mirrored, star_drift, east, north) -> None:
    found = motion(drifting(*star_drift))
    drift = drift_on_sky(found, oriented(north_up_deg, mirrored=mirrored))
    assert drift.ra_arcsec_per_min == pytest.approx(east, abs=1e-6)
    assert drift.dec_arcsec_per_min == pytest.approx(north, abs=1e-6)


def test_drift_on_sky_agrees_with_a_world_coordinate_system() -> None:
    # independent route: astropy's WCS of a sensor turned by 35 degrees; where its centre points after the stars moved
    from astropy.wcs import WCS

    scale, angle = 2.0 / 3600, np.radians(35)
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval, wcs.wcs.crpix = [10.0, 40.0], [1, 1]
    wcs.wcs.cd = scale * np.array([[-np.cos(angle), np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    dx, dy = 0.7, -0.3
    here = wcs.pixel_to_world(0, 0)
    there = wcs.pixel_to_world(-dx, -dy)  # what comes to the centre when stars move by (dx, dy)
    east, north = (part.arcsec for part in here.spherical_offsets_to(there))
    drift = drift_on_sky(motion(drifting(dx, dy)), oriented(35.0))
    assert drift.ra_arcsec_per_min == pytest.approx(east, abs=1e-3)
    assert drift.dec_arcsec_per_min == pytest.approx(north, abs=1e-3)


def test_no_drift_on_sky_without_a_drift() -> None:
    assert drift_on_sky(motion(drifting(1, 1)[:1], minutes=MINUTES[:1]), oriented(0.0)) is None


def test_small_dithers_count_where_the_pointing_is_moved_in_turn() -> None:
    rng = np.random.default_rng(5)
    size = rng.uniform(5, 30, 20)
    size[[4, 11]] = 0.3
    step = np.cumsum(size * np.where(rng.random(20) > 0.5, 1, -1))[np.arange(60) // 3]
    found = motion(np.column_stack([step, -step]) + rng.normal(0, 0.1, (60, 2)))
    assert found.jumps == tuple(range(3, 60, 3))
