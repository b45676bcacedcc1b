"""Rhythm: the period found where there is one, with its aliases; none found in noise, wandering or drift."""

from collections.abc import Callable

import numpy as np
import pytest
from astropy.timeseries import LombScargle
from reference import reference

from framecheck.motion.periodogram import FALSE_ALARM
from framecheck.motion.records import Motion
from framecheck.motion.rhythm import (
    Rhythm,
    aliases,
    compare_with_worm,
    find_period,
    find_period_in_motion,
    find_period_in_smear,
)
from framecheck.read.exposure import Orientation

WORM_S = 86164.0905 / 180  # TRK-15d
Noise = Callable[[np.random.Generator, int], np.ndarray]


def white(rng: np.random.Generator, n: int) -> np.ndarray:
    return rng.normal(0, 0.3, n)


def walk(rng: np.random.Generator, n: int) -> np.ndarray:
    return np.cumsum(rng.normal(0, 0.3, n)) + rng.normal(0, 0.1, n)


def wandering(memory: float) -> Noise:
    def noise(rng: np.random.Generator, n: int) -> np.ndarray:
        y = np.zeros(n + 100)
        for i in range(1, n + 100):
            y[i] = memory * y[i - 1] + rng.normal(0, 0.3)
        return y[100:]

    return noise


def drift(rng: np.random.Generator, n: int) -> np.ndarray:
    return 0.2 * np.arange(n) + 0.002 * np.arange(n) ** 2 + rng.normal(0, 0.3, n)


def times(rng: np.random.Generator, n: int) -> np.ndarray:
    """Middles of exposures of 120 s, one every 125 s or so. [s]"""
    return np.arange(n) * 125.0 + rng.uniform(-2, 2, n)


def averaged_sine(t: np.ndarray, amplitude: float, period: float, exposure: float, phase: float) -> np.ndarray:
    """Mean of a sinusoid over each exposure: many instants, so that no closed form is assumed."""
    within = np.linspace(-0.5, 0.5, 201) * exposure
    return amplitude * np.sin(2 * np.pi * (t[:, None] + within) / period + phase).mean(axis=1)


@pytest.mark.parametrize("noise", [white, walk, wandering(0.7), drift])
def test_a_worm_is_found_with_its_size(noise: Noise) -> None:
    # marks to pass: period within 3 %, peak-to-peak within 15 %
    rng = np.random.default_rng(3)
    off_period, off_size = [], []
    for _ in range(25):
        t = times(rng, 48)
        y = noise(rng, 48) + averaged_sine(t, 1.3, WORM_S, 120, rng.uniform(0, 6))
        found = find_period(t / 60, y, 0.1, 120.0)
        assert found is not None
        assert found.amplitude_px is not None
        assert found.amplitude_error_px is not None
        assert compare_with_worm(found, WORM_S) == "same"
        assert found.period_s == pytest.approx(WORM_S, rel=0.03)
        assert found.amplitude_px == pytest.approx(1.3, rel=0.15)
        off_period.append((found.period_s - WORM_S) / found.period_error_s)
        off_size.append((found.amplitude_px - 1.3) / found.amplitude_error_px)
    # the errors are what they say: the scatter of 25 values is known to 14 %
    assert 0.6 < np.sqrt(np.mean(np.square(off_period))) < 1.5
    assert 0.6 < np.sqrt(np.mean(np.square(off_size))) < 1.5


@pytest.mark.parametrize("noise", [white, walk, wandering(0.5), wandering(0.9), drift])
def test_noise_has_no_rhythm(noise: Noise) -> None:
    # chosen: at most 2 %; half a per cent is what the search allows itself
    rng = np.random.default_rng(11)
    claims = sum(find_period(times(rng, 48) / 60, noise(rng, 48), 0.1, 120.0) is not None for _ in range(200))
    assert claims <= 4


def test_stars_that_lie_here_in_one_frame_and_there_in_the_next_show_no_rhythm() -> None:
    # corrections that go to and fro do so as well, and a gear so fast shows under any period
    to_and_fro = np.where(np.arange(24) % 2, 3.0, -3.0) + np.random.default_rng(4).normal(0, 0.1, 24)
    assert find_period(np.arange(24) * 75 / 60, to_and_fro, 0.1, 60.0) is None


def test_against_the_plain_periodogram() -> None:
    # ORA-20, ORA-21: 160 irregular samples in 4 h, 5 arcsec and 1 arcsec of noise; the library's own peak beside ours
    rng = np.random.default_rng(7)
    t = np.sort(rng.uniform(0, 4 * 3600, 160))
    y = 5 * np.sin(2 * np.pi * t / WORM_S) + rng.normal(0, 1, 160)
    found = find_period(t / 60, y, 1.0, 0.0)
    assert found is not None
    assert found.period_s == reference("ORA-20").approx
    assert found.amplitude_px == reference("ORA-21").approx
    frequency = np.linspace(1 / 3000, 1 / 150, 40000)
    peak = frequency[LombScargle(t, y, 1.0).power(frequency).argmax()]
    assert found.period_s == pytest.approx(1 / peak, rel=1e-3)
    # the line that noise seldom passes: the library's own false-alarm level (Baluev 2008), for white noise; its
    # likelihood counts n - 1 points where ours counts those left by level, drift and curvature
    spectrum = found.spectrum
    assert spectrum is not None
    assert spectrum.gain.max() > spectrum.gain_by_chance
    assert spectrum.period_s[spectrum.gain.argmax()] == pytest.approx(1 / peak, rel=0.02)
    band = {"minimum_frequency": 1 / spectrum.period_s.max(), "maximum_frequency": 1 / spectrum.period_s.min()}
    level = LombScargle(t, y, 1.0, normalization="log").false_alarm_level(FALSE_ALARM, "baluev", **band)
    assert spectrum.gain_by_chance == pytest.approx(level * 159 / 2, rel=0.03)


def test_averaging_over_the_exposure_is_undone() -> None:
    rng = np.random.default_rng(1)
    t = times(rng, 100)
    y = averaged_sine(t, 5.0, 480.0, 120, 0.4) + rng.normal(0, 0.02, 100)
    found = find_period(t / 60, y, 0.02, 120.0)
    assert found is not None
    assert found.seen_share == reference("TRK-12").approx
    assert found.amplitude_px == pytest.approx(5.0, rel=0.01)


def test_an_alias_is_owned_up_to() -> None:
    assert max(aliases(480.0, 300.0)) == reference("TRK-14").approx
    rng = np.random.default_rng(2)
    t = np.arange(60) * 300.0
    y = 5 * np.sin(2 * np.pi * t / 480) + rng.normal(0, 0.3, 60)
    found = find_period(t / 60, y, 0.3, 30.0)
    assert found is not None
    assert found.period_s == reference("ORA-22").approx
    assert found.shortest_period_s == pytest.approx(600)
    assert any(period == pytest.approx(480, rel=0.005) for period in found.alias_periods_s)
    assert compare_with_worm(found, 480.0) == "alias"
    assert compare_with_worm(found, 660.0) == "other"


def test_levels_of_dithered_stretches_are_free() -> None:
    rng = np.random.default_rng(4)
    t, stretch = times(rng, 60), np.repeat(np.arange(6), 10)
    y = averaged_sine(t, 1.5, WORM_S, 120, 1.0) + rng.normal(0, 20, 6)[stretch] + rng.normal(0, 0.2, 60)
    found = find_period(t / 60, y, 0.2, 120.0, stretch=list(stretch))
    assert found is not None
    assert found.period_s == pytest.approx(WORM_S, rel=0.02)
    assert found.amplitude_px == pytest.approx(1.5, rel=0.15)


def moving(rng: np.random.Generator, amplitude: float, angle_deg: float) -> Motion:
    """48 frames whose stars swing along one direction and are jittery in all."""
    t = times(rng, 48)
    swing, a = averaged_sine(t, amplitude, WORM_S, 120, rng.uniform(0, 6)), np.radians(angle_deg)
    place = np.outer(swing, [np.cos(a), np.sin(a)]) + rng.normal(0, 0.2, (48, 2))
    return Motion(
        drift_x_px_per_min=0.0, drift_y_px_per_min=0.0, drift_error_px_per_min=0.01, rotation_deg_per_hour=0.0,
        rotation_error_deg_per_hour=0.01, dithered=False, frames=tuple(range(48)), minutes=tuple(t / 60),
        residual_x_px=tuple(place[:, 0]), residual_y_px=tuple(place[:, 1]), stretch=(0,) * 48,
    )  # fmt: skip


@pytest.mark.parametrize(("mirrored", "east_deg"), [(False, 90 - 25 + 90), (True, 90 + 25 - 90)])
def test_motion_is_searched_along_right_ascension(mirrored: bool, east_deg: float) -> None:
    # +y at position angle 25; east a right angle counter-clockwise from north, clockwise in a mirrored image
    sky = Orientation(pixel_scale_arcsec=1.0, north_up_deg=25.0, mirrored=mirrored, ra_deg=0.0, dec_deg=0.0)
    rng = np.random.default_rng(13)
    for orientation in (sky, None):
        found = find_period_in_motion(moving(rng, 1.2, east_deg), 120.0, orientation)
        assert found is not None
        assert found.amplitude_px == pytest.approx(1.2, rel=0.15)
        assert compare_with_worm(found, WORM_S) == "same"
    # a swing in declination is no worm's
    assert find_period_in_motion(moving(rng, 1.2, east_deg + 90), 120.0, sky) is None


def test_jitter_in_all_directions_has_no_rhythm() -> None:
    rng = np.random.default_rng(14)
    claims = sum(find_period_in_motion(moving(rng, 0.0, 0.0), 120.0, None) is not None for _ in range(200))
    assert claims <= 4


@pytest.mark.parametrize(("steady", "times_as_fast"), [(0.0, 2.0), (3.0, 1.0)])
def test_smear_follows_the_speed(steady: float, times_as_fast: float) -> None:
    # position a sin wt: speed a w cos wt; with a drift beside it the slower rhythm is the stronger one
    rng = np.random.default_rng(8)
    period, t = 1300.0, times(rng, 80)
    smear = np.abs(steady + np.cos(2 * np.pi * t / period)) + rng.normal(0, 0.1, 80)
    found = find_period_in_smear(t / 60, smear)
    assert found is not None
    assert found.period_s == pytest.approx(period / times_as_fast, rel=0.03)
    assert any(possible == pytest.approx(period, rel=0.03) for possible in found.possible_periods_s)
    assert compare_with_worm(found, period) == "same"
    assert found.amplitude_px is None


def test_many_frames_are_averaged() -> None:
    rng = np.random.default_rng(9)
    t = np.arange(5000) * 3.5
    y = averaged_sine(t, 1.0, WORM_S, 3, 0.3) + rng.normal(0, 1.0, 5000)
    found = find_period(t / 60, y, 1.0, 3.0)
    assert found is not None
    assert found.period_s == pytest.approx(WORM_S, rel=0.01)
    assert found.amplitude_px == pytest.approx(1.0, rel=0.1)
    assert found.shortest_period_s == pytest.approx(2 * 3.5 * 20)


def test_too_little_to_go_by() -> None:
    t = np.arange(10) * 2.0
    assert find_period(t, np.sin(t), 0.1, 100.0) is None
    assert find_period(np.zeros(40), np.arange(40.0), 0.1, 100.0) is None
    assert find_period(np.arange(40.0), np.ones(40), 0.1, 60.0) is None
    assert find_period(np.arange(40.0), np.full(40, np.nan), 0.1, 60.0) is None


def test_harmonics_of_a_worm() -> None:
    found = Rhythm(
        period_s=240.0, period_error_s=1.0, amplitude_px=1.0, amplitude_error_px=0.1, seen_share=0.9,
        false_alarm_probability=1e-6, shortest_period_s=120.0, alias_periods_s=(), possible_periods_s=(240.0,),
    )  # fmt: skip
    assert compare_with_worm(found, 480.0) == "harmonic"
    assert compare_with_worm(found, 390.0) == "other"


@pytest.mark.parametrize("days", [1, 365, 20_000])
def test_nights_apart_are_searched_one_by_one(days: int) -> None:
    # a clock that a dead battery sent back to its first day; once, periods were sought over all the years between
    rng = np.random.default_rng(8)
    t = np.arange(90) * 2.1
    place = averaged_sine(t, 3.0, 8.0, 2.0, 0.3) + 0.3 * rng.standard_normal(len(t))
    few = np.arange(20) * 2.1 + days * 1440
    both = find_period(np.r_[t, few], np.r_[place, rng.standard_normal(20)], 1.0, 120.0)
    alone = find_period(t, place, 1.0, 120.0)
    assert both is not None
    assert alone is not None
    assert both.period_s == alone.period_s == pytest.approx(480, rel=0.02)
    assert both.spectrum is not None
    assert len(both.spectrum.period_s) < 2000
