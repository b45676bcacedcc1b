"""Uneven or rising sky, low altitude, crossing lines."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from made_nights import RIG, N, make_night

from framecheck.causes.result import CannotTell, Finding, Healthy
from framecheck.causes.sky import low_altitude, sky_gradient, trail_crossing
from framecheck.motion.night import Night

LATE = np.linspace(0, 1, N)


def without(night: Night, **unknown: None) -> Night:
    return replace(night, frames=tuple(replace(frame, **unknown) for frame in night.frames))


@pytest.mark.parametrize("cause", [sky_gradient, low_altitude, trail_crossing])
@pytest.mark.parametrize("seed", range(5))
def test_a_healthy_night_shows_nothing(cause, seed: int) -> None:
    night = make_night(seed=seed)
    assert isinstance(cause(night, night.rig), Healthy)


@pytest.mark.parametrize("slope", [0.4, 0.2])
def test_an_uneven_sky_is_named(slope: float) -> None:
    night = make_night(slope=slope)
    found = sky_gradient(night, night.rig)
    assert isinstance(found, Finding)
    assert found.confidence > 0.9
    assert found.evidence[0].value == pytest.approx(100 * slope, rel=0.05)
    assert found.frames_affected == N


def test_vignetting_is_no_uneven_sky() -> None:
    assert isinstance(sky_gradient(make_night(vignetting=0.4), RIG), Healthy)


@pytest.mark.parametrize("times", [3.0, 1.7])
def test_a_rising_moon_is_named(times: float) -> None:
    night = make_night(sky=1 + (times - 1) * np.clip(2 * LATE - 1, 0, 1))
    found = sky_gradient(night, night.rig)
    assert isinstance(found, Finding)
    assert found.confidence > 0.9
    # closed form: sky-limited SNR^2 goes as 1 / sky, so the last frame loses 1 - 1 / times
    assert 0.05 < (found.cost or 0) < 1 - 1 / times


def test_large_stars_that_roughen_the_sky_but_leave_its_level_are_no_rising_moon() -> None:
    # light of the sky adds to the level as to the variance (Poisson); here the variance alone doubles late in the night
    night = make_night()
    rough = 1 + np.clip(2 * LATE - 1, 0, 1)
    frames = []
    for frame, more in zip(night.frames, rough, strict=True):
        sky = replace(frame.result.sky, noise_adu=float(frame.result.sky.noise_adu * np.sqrt(more)))
        rate = None if frame.sky_e_per_s is None else frame.sky_e_per_s * float(more)
        frames.append(replace(frame, sky_e_per_s=rate, result=replace(frame.result, sky=sky)))
    assert not claims(sky_gradient(replace(night, frames=tuple(frames)), replace(night.rig, pedestal_adu=None)))


def test_a_rising_sky_shows_in_its_noise_where_gain_is_unknown() -> None:
    night = make_night(sky=1 + np.clip(2 * LATE - 1, 0, 1))
    night = without(night, sky_e_per_s=None)
    found = sky_gradient(night, replace(RIG, gain_e_per_adu=None))
    assert isinstance(found, Finding)
    assert found.confidence > 0.9


def test_a_cloud_that_glows_is_no_rising_sky() -> None:
    thick = np.exp(-(((np.arange(N) - 20) / 4) ** 2))
    night = make_night(light=1 - 0.7 * thick, sky=1 + 0.4 * thick)
    assert not claims(sky_gradient(night, night.rig))


@pytest.mark.parametrize("highest_airmass", [3.0, 2.1])
def test_a_setting_target_is_named(highest_airmass: float) -> None:
    night = make_night(airmass=1.2 + (highest_airmass - 1.2) * LATE)
    found = low_altitude(night, night.rig)
    assert isinstance(found, Finding)
    assert found.confidence > 0.8


def test_a_target_that_never_rises_is_named() -> None:
    night = make_night(airmass=np.full(N, 2.2))
    found = low_altitude(night, night.rig)
    assert isinstance(found, Finding)
    assert found.frames_affected == N
    # closed form: (1.2 / 2.2)^1.2 x 10^(-0.8 x 0.2 x 1.0) = 0.334 is left
    assert found.cost == pytest.approx(1 - 0.334, abs=0.002)


def test_without_site_altitude_is_unknown() -> None:
    assert isinstance(low_altitude(without(make_night(), airmass=None), RIG), CannotTell)


@pytest.mark.parametrize("crossed", [(7,), (3, 9, 30)])
def test_crossing_lines_are_named(crossed: tuple[int, ...]) -> None:
    night = make_night(n_crossing=np.isin(np.arange(N), crossed).astype(int))
    found = trail_crossing(night, night.rig)
    assert isinstance(found, Finding)
    assert found.confidence > 0.8
    assert found.frames_affected == len(crossed)


@pytest.mark.parametrize("cause", [sky_gradient, low_altitude, trail_crossing])
def test_an_empty_night_has_no_answer(cause) -> None:
    night = make_night()
    empty = replace(night, frames=(), groups=())
    assert isinstance(cause(empty, RIG), CannotTell)


@pytest.mark.parametrize("cause", [sky_gradient, low_altitude, trail_crossing])
def test_one_frame_is_enough_not_to_fail(cause) -> None:
    night = make_night(airmass=np.array([1.1]))
    assert not claims(cause(night, RIG))


def claims(found: Finding | Healthy | CannotTell) -> bool:
    return isinstance(found, Finding) and found.confidence >= 0.5


def floated(night: Night, level: float, noise: float) -> Night:
    """The same night with bias taken off, and hardly any sky left."""
    frames = []
    for frame in night.frames:
        result = frame.result
        mesh = result.sky.level_mesh_adu - np.median(result.sky.level_mesh_adu) + level
        sky = replace(result.sky, level_adu=level, noise_adu=noise, level_mesh_adu=mesh.astype(np.float32))
        exposure = replace(result.exposure, processed=True)
        frames.append(replace(frame, sky_e_per_s=None, result=replace(result, sky=sky, exposure=exposure)))
    return replace(night, frames=tuple(frames))


@pytest.mark.parametrize("level", [2.0, 40.0, -3.0])
def test_a_sky_whose_zero_is_unknown_shows_no_gradient(level: float) -> None:
    bare = replace(RIG, pedestal_adu=None, gain_e_per_adu=None)
    night = floated(make_night(slope=0.02), level, 11.0)
    assert not isinstance(sky_gradient(night, bare), Finding)


@pytest.mark.parametrize(("slope", "decided"), [(0.07, False), (0.01, True)])
def test_a_slope_over_an_unknown_pedestal_is_excluded_only_where_it_is_small(slope: float, decided: bool) -> None:
    bare = replace(RIG, pedestal_adu=None, gain_e_per_adu=None, read_noise_e=None)
    night = make_night(slope=slope)
    frames = tuple(replace(frame, sky_e_per_s=None) for frame in night.frames)
    found = sky_gradient(replace(night, frames=frames, rig=bare), bare)
    assert isinstance(found, Healthy if decided else CannotTell)


def test_a_sky_within_the_noise_of_a_known_pedestal_shows_no_gradient() -> None:
    night = floated(make_night(slope=0.02), 503.0, 11.0)
    assert not isinstance(sky_gradient(night, RIG), Finding)


def test_frames_without_stars_are_not_clear() -> None:
    # thick cloud that a town lights up: no star is left to tell how much light comes through
    night = make_night(sky=1 + 2.0 * (LATE > 0.7))
    frames = tuple(
        replace(frame, transparency=None, transparency_error=None) if late > 0.7 else frame
        for frame, late in zip(night.frames, LATE, strict=True)
    )
    assert isinstance(sky_gradient(replace(night, frames=frames), RIG), Healthy)


def lit_by(night: Night, shines: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> Night:
    """The night with something in every frame: light over that of the sky, a function of place from -1/2 to 1/2."""
    frames = []
    for frame in night.frames:
        mesh = frame.result.sky.level_mesh_adu
        y, x = np.meshgrid(*((np.arange(n) + 0.5) / n - 0.5 for n in mesh.shape), indexing="ij")
        lit = (mesh * (1 + shines(x, y))).astype(np.float32)
        sky = replace(frame.result.sky, level_mesh_adu=lit)
        frames.append(replace(frame, result=replace(frame.result, sky=sky)))
    return replace(night, frames=tuple(frames))


@pytest.mark.parametrize(
    "shines",
    [
        pytest.param(
            lambda x, y: 0.5 * np.exp(-((x + 0.3) ** 2 + (y - 0.2) ** 2) / 0.05),
            id="a nebula over a third of the frame",
        ),
        pytest.param(lambda x, y: 2.0 * np.exp((x - 0.5 + y - 0.5) * 12), id="an amplifier's glow in a corner"),
        pytest.param(lambda x, y: -0.9 * ((x - 0.04) ** 2 + (y + 0.03) ** 2), id="a lens a little off the middle"),
    ],
)
def test_what_shines_or_shades_is_no_slope_of_the_sky(shines) -> None:
    night = lit_by(make_night(), shines)
    assert not claims(sky_gradient(night, night.rig))


def test_a_slope_is_seen_beside_a_nebula() -> None:
    night = lit_by(make_night(), lambda x, y: 0.3 * x + 0.5 * np.exp(-((x + 0.2) ** 2 + y**2) / 0.02))
    assert claims(sky_gradient(night, night.rig))
