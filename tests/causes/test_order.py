"""Laws that every cause obeys: the order of files and stars does not matter, and nothing fails on odd nights."""

from dataclasses import replace

import numpy as np
import pytest
from made_nights import RIG, N, make_night

from framecheck.causes import camera, cloud, sky
from framecheck.causes.result import CannotTell, Finding, Healthy
from framecheck.motion.night import Night
from framecheck.night.records import NightFrame

CAUSES = [
    camera.undersampled, camera.oversampled, camera.saturation, camera.read_noise_limited,
    cloud.cloud, sky.sky_gradient, sky.low_altitude, sky.trail_crossing,
]  # fmt: skip


def faulty() -> Night:
    late = np.linspace(0, 1, N)
    return make_night(
        airmass=1.2 + late, light=1 - 0.5 * (np.abs(late - 0.5) < 0.1), sky=1 + late, slope=0.2, seeing_arcsec=4.5,
        n_saturated=90, sky_e_per_s=0.03, n_crossing=np.arange(N) == 7,
    )  # fmt: skip


def shuffled(night: Night) -> Night:
    """The same frames in another order of files, each with its stars in another order."""
    rng = np.random.default_rng(3)
    order = rng.permutation(len(night.frames))
    place = {int(old): new for new, old in enumerate(order)}
    group = night.groups[0]
    return replace(
        night,
        frames=tuple(mixed(night.frames[i], rng) for i in order),
        groups=(replace(group, reference=place[group.reference], members=tuple(place[i] for i in group.members)),),
    )


def mixed(frame: NightFrame, rng: np.random.Generator) -> NightFrame:
    stars = frame.result.stars
    return replace(frame, result=replace(frame.result, stars=replace(stars, table=rng.permutation(stars.table))))


@pytest.mark.parametrize("cause", CAUSES)
@pytest.mark.parametrize("night", [make_night(), faulty()], ids=["healthy", "faulty"])
def test_order_does_not_matter(cause, night: Night) -> None:
    first, second = cause(night, RIG), cause(shuffled(night), RIG)
    assert type(first) is type(second)
    if not isinstance(first, CannotTell):
        assert second.log_odds == pytest.approx(first.log_odds, rel=1e-6)


@pytest.mark.parametrize("cause", CAUSES)
def test_a_night_without_stars_is_no_claim(cause) -> None:
    night = make_night()
    bare = tuple(
        replace(
            frame,
            result=replace(
                frame.result,
                shape=None,
                stars=replace(frame.result.stars, table=frame.result.stars.table[:0], n_found=0, n_saturated=0),
            ),
            transparency=None,
            transparency_error=None,
        )
        for frame in night.frames
    )
    assert isinstance(cause(replace(night, frames=bare), RIG), Healthy | CannotTell)


@pytest.mark.parametrize("cause", CAUSES)
@pytest.mark.parametrize("n", [1, 2, 7])
def test_short_nights_are_no_claim(cause, n: int) -> None:
    night = make_night(airmass=np.full(n, 1.1))
    found = cause(night, RIG)
    assert not isinstance(found, Finding) or found.confidence < 0.5


@pytest.mark.parametrize("cause", CAUSES)
def test_nothing_known_of_time_place_and_rig(cause) -> None:
    night = make_night()
    bare = tuple(
        replace(
            frame,
            result=replace(frame.result, exposure=replace(frame.result.exposure, start_utc=None, exposure_s=None)),
            airmass=None,
            altitude_deg=None,
            sky_e_per_s=None,
        )
        for frame in night.frames
    )
    rig = replace(RIG, focal_length_mm=None, gain_e_per_adu=None, read_noise_e=None, pedestal_adu=None)
    found = cause(replace(night, frames=bare, rig=rig), rig)
    assert not isinstance(found, Finding) or found.confidence < 0.5
