"""The light of one frame: trails, fluxes, dithers, focus."""

from dataclasses import replace

import numpy as np
import pytest

from framecheck.simulate.frame import dither_arcsec, expose, frame_conditions
from framecheck.simulate.night import stars_of_night
from framecheck.simulate.scenario import (
    Camera,
    Mount,
    Scenario,
    SceneOptics,
    ScenePlan,
    SceneSky,
    Site,
    Target,
)

SMALL = Scenario(
    target=Target(stars=12, faintest_e_per_s=500.0),
    camera=Camera(width=320, height=240),
    sky=SceneSky(brightness_e_per_s=0.0),
    plan=ScenePlan(frames=1),
)


def test_all_the_light_of_the_stars_arrives() -> None:
    light, conditions = expose(SMALL, stars_of_night(SMALL), 0)
    stars = stars_of_night(SMALL)
    clear = 10 ** (-0.4 * 0.2 * conditions.airmass)  # extinction, closed form
    share = (np.abs(stars.ra_deg - conditions.ra_deg) * np.cos(np.radians(40)) < 0.05) & (
        np.abs(stars.dec_deg - conditions.dec_deg) < 0.035
    )
    well_within = stars.flux_e_per_s[share].sum() * 120 * clear
    everywhere = stars.flux_e_per_s.sum() * 120 * clear
    assert conditions.transparency == pytest.approx(clear)
    assert 0.98 * well_within < light.sum() < everywhere


def test_one_star_keeps_its_flux() -> None:
    alone = replace(SMALL, target=replace(SMALL.target, stars=1))
    stars = stars_of_night(alone)
    middle = replace(
        stars,
        ra_deg=np.array([SMALL.target.ra_deg]),
        dec_deg=np.array([SMALL.target.dec_deg]),
        flux_e_per_s=np.array([1e4]),
    )
    light, conditions = expose(alone, middle, 0)
    assert light.sum() == pytest.approx(1e4 * 120 * conditions.transparency, rel=0.02)
    assert np.unravel_index(light.argmax(), light.shape) == pytest.approx((119.5, 159.5), abs=1)


@pytest.mark.parametrize("seconds", [3.0, 12.0])
def test_a_star_without_tracking_is_an_even_line_of_the_sidereal_length(seconds: float) -> None:
    # omega cos(dec) t, closed form; 12 s are 121 px long, which takes two strokes
    tripod = Scenario(
        site=Site(pressure_hpa=0),
        target=Target(dec_deg=10.0, stars=1),
        camera=Camera(width=600, height=100),
        mount=Mount(kind="fixed"),
        sky=SceneSky(brightness_e_per_s=0.0),
        plan=ScenePlan(exposure_s=seconds, cadence_s=60.0, frames=1),
    )
    stars = stars_of_night(tripod)
    one = replace(
        stars,
        ra_deg=np.array([tripod.target.ra_deg + 15.041 * seconds / 7200]),
        dec_deg=np.array([10.0]),
        flux_e_per_s=np.array([1e4]),
    )
    light, _ = expose(tripod, one, 0)
    profile = light.sum(axis=0)
    expected = 15.041067 * np.cos(np.radians(10)) * seconds / tripod.scale_arcsec
    assert np.count_nonzero(profile > profile.max() / 2) == pytest.approx(expected, abs=1.5)
    inner = profile[int(300 - expected / 2 + 5) : int(300 + expected / 2 - 5)]
    assert np.ptp(inner) < 0.03 * inner.mean()
    widths = (light[:, 300 - int(expected / 4)], light[:, 300 + int(expected / 4)])
    assert widths[0] == pytest.approx(widths[1], rel=0.1, abs=0.02 * float(light.max()))


def test_dithers_have_their_size_and_spare_the_first_frame() -> None:
    scenario = replace(SMALL, plan=replace(SMALL.plan, dither_px=8.0))
    steps = np.array([dither_arcsec(scenario, frame) for frame in range(400)]) / scenario.scale_arcsec
    assert steps[0] == pytest.approx((0, 0))
    assert steps.std(axis=0) == pytest.approx([8.0, 8.0], rel=4 / np.sqrt(2 * 400))


def test_the_focus_follows_the_cooling_tube() -> None:
    night = replace(
        SMALL,
        optics=SceneOptics(focus_um_per_k=20.0),
        plan=ScenePlan(frames=60, cooling_k_per_hour=3.0, cooling_from_frame=20, cadence_s=120.0),
    )
    conditions = [frame_conditions(night, frame) for frame in (10, 20, 50)]
    assert [c.focus_shift_um for c in conditions] == pytest.approx([0, 0, 60])  # 30 frames make an hour: 3 K
    assert [c.tube_temp_c for c in conditions] == pytest.approx([12, 12, 9])


def test_a_gust_doubles_a_star() -> None:
    gusty = replace(SMALL, mount=Mount(gust_frames=(0,), gust_arcsec=14.0))
    calm, windy = frame_conditions(SMALL, 0), frame_conditions(gusty, 0)
    smear = [np.hypot(c.smear_x_px, c.smear_y_px) * SMALL.scale_arcsec for c in (calm, windy)]
    assert smear[0] < 1
    assert 4 < smear[1] < 8  # two places 14" apart: 7" at most
