"""Tracking error: how far the mount points from where it was told to, as a time series."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from framecheck.constants import SIDEREAL_DAY_S
from framecheck.simulate.chance import generator
from framecheck.simulate.scenario import Mount, Scenario
from framecheck.simulate.sky_path import Floats

_CREEP_S: Final = 75.0
"""[s] Chosen: declination drifts so long through the backlash before the gears meet and it is fetched back."""
_SAMPLES_A_MEMORY: Final = 16
"""[dimensionless] Chosen: samples of random error within its correlation time."""
_MOST_SAMPLES: Final = 20_000


@dataclass(frozen=True, kw_only=True, slots=True)
class TrackingError:
    """Error of the pointing at some moments, each of shape (n_times,). [arcsec]"""

    axis_arcsec: Floats
    """About the main axis, positive to the east; on the sky it shrinks with the cosine of the declination."""
    ra_arcsec: Floats
    """On the sky, along right ascension (azimuth of an alt-azimuth mount), positive to the east."""
    dec_arcsec: Floats
    """On the sky, along declination (altitude), positive to the north."""


def tracking_error(scenario: Scenario, times_s: Floats, frame: int) -> TrackingError:
    """Errors that the drives, gears, guider, tube and wind make at some times since the start of the first frame.

    What follows from polar error and refraction is not in here but in the mount's geometry. Random errors differ from
    one frame to the next; all is zero for a perfect mount.
    """
    mount, times = scenario.mount, np.asarray(times_s, dtype=float)
    start = frame * scenario.plan.cadence_s
    minutes = times / 60
    bend_east, bend_north = _flexure(mount, times)
    gust_east, gust_north = _gust(scenario, times - start, frame)
    noise = [_noise(scenario, times - start, frame, axis) for axis in (0, 1)]
    return TrackingError(
        axis_arcsec=periodic_error(scenario, times),
        ra_arcsec=minutes * mount.drift_ra_arcsec_per_min + bend_east + gust_east + noise[0],
        dec_arcsec=minutes * mount.drift_dec_arcsec_per_min
        + bend_north
        + gust_north
        + noise[1]
        + _backlash(mount, times, frame),
    )


def periodic_error(scenario: Scenario, times_s: Floats) -> Floats:
    """Error of the worm and its second harmonic about the polar axis. [arcsec]"""
    mount = scenario.mount
    first, second = generator(scenario, "worm").uniform(0, 2 * np.pi, 2)
    turn = 2 * np.pi * times_s / mount.period_s
    return mount.periodic_arcsec * (np.sin(turn + first) + mount.second_harmonic * np.sin(2 * turn + second))


def _flexure(mount: Mount, times: Floats) -> tuple[Floats, Floats]:
    """A sag of steady speed whose direction turns as fast as the sky does."""
    speed = mount.flexure_arcsec_per_min / 60
    turn = np.radians(360 / SIDEREAL_DAY_S)
    angle = np.radians(mount.flexure_pa_deg)
    # the integral of a unit vector that turns
    east = speed * (np.cos(angle) - np.cos(angle + turn * times)) / turn
    north = speed * (np.sin(angle + turn * times) - np.sin(angle)) / turn
    return east, north


def _backlash(mount: Mount, times: Floats, frame: int) -> Floats:
    first, last = mount.backlash_frames
    if not first <= frame <= last:
        return np.zeros_like(times)
    return mount.backlash_arcsec * ((times / _CREEP_S) % 1 - 0.5)


def _gust(scenario: Scenario, since: Floats, frame: int) -> tuple[Floats, Floats]:
    """The tube is pushed aside for a while, then swings back."""
    if frame not in scenario.mount.gust_frames:
        return np.zeros_like(since), np.zeros_like(since)
    chance = generator(scenario, "gust", frame)
    exposure = scenario.plan.exposure_s
    begin, length = exposure * chance.uniform(0.2, 0.4), exposure * chance.uniform(0.3, 0.45)
    angle = chance.uniform(0, 2 * np.pi)
    after = np.maximum(since - begin - length, 0)
    swing = np.exp(-after / 3) * np.cos(after * 1.3) * (since >= begin + length)
    push = np.where((since >= begin) & (since < begin + length), 1.0, 0.5 * swing) * scenario.mount.gust_arcsec
    return push * np.sin(angle), push * np.cos(angle)


def _noise(scenario: Scenario, since: Floats, frame: int, axis: int) -> Floats:
    """Gaussian noise whose correlation falls off exponentially, made from its power spectrum."""
    mount = scenario.mount
    rms = (mount.rms_ra_arcsec, mount.rms_dec_arcsec)[axis]
    if rms == 0:
        return np.zeros_like(since)
    span = scenario.plan.exposure_s + 20 * mount.correlation_s  # the spectrum's series repeats itself after the span
    n = int(min(np.ceil(span / mount.correlation_s * _SAMPLES_A_MEMORY), _MOST_SAMPLES))
    frequency = np.fft.rfftfreq(n, span / n)
    amplitude = 1 / np.sqrt(1 + (2 * np.pi * frequency * mount.correlation_s) ** 2)
    chance = generator(scenario, "mount", frame, axis)
    spectrum = amplitude * (chance.standard_normal(len(frequency)) + 1j * chance.standard_normal(len(frequency)))
    spectrum[0] = spectrum[0].real * np.sqrt(2)  # the mean has one part, a wave has two
    series = np.fft.irfft(spectrum, n)
    expected = np.sqrt(4 * np.sum(amplitude[1:] ** 2) + 2 * amplitude[0] ** 2) / n
    return rms / expected * np.interp(since, np.linspace(0, span, n, endpoint=False), series)
