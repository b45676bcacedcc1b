"""Sky level, cloud, dew, moon, twilight, satellites and the air along the night."""

import numpy as np
import pytest

from framecheck.simulate.air import seeing_arcsec
from framecheck.simulate.scenario import Camera, Cloud, Scenario, SceneOptics, ScenePlan, SceneSky
from framecheck.simulate.sky_light import cloud_share, crossing_light, dew_share, sky_light, transparency

CAMERA = Camera(width=300, height=200)


def level(sky: SceneSky, frame: int, optics: SceneOptics | None = None) -> float:
    scenario = Scenario(camera=CAMERA, sky=sky, optics=optics or SceneOptics(), plan=ScenePlan(cadence_s=120.0))
    return float(sky_light(scenario, frame, 1.0).mean())


def test_a_gradient_rises_in_its_direction_by_its_size() -> None:
    light = sky_light(Scenario(camera=CAMERA, sky=SceneSky(gradient_percent=20.0, gradient_deg=0.0)), 0, 1.0)
    assert light[:, -1].mean() - light[:, 0].mean() == pytest.approx(0.2 * light.mean(), rel=1e-3)
    assert np.ptp(light[:, 150]) == pytest.approx(0, abs=1e-5)


def test_the_moon_raises_the_sky_by_the_hour_and_twilight_by_doubling() -> None:
    moonlit = SceneSky(brightness_e_per_s=2.0, moon_rise_frame=10, moon_e_per_s_per_hour=3.0)
    assert [level(moonlit, frame) for frame in (9, 10, 40)] == pytest.approx([2, 2, 5])
    dawn = SceneSky(brightness_e_per_s=2.0, twilight_frame=10, twilight_doubling_min=6.0)
    assert [level(dawn, frame) for frame in (9, 10, 13, 16)] == pytest.approx([2, 2, 4, 8])


def test_a_cloud_takes_starlight_in_its_frames_only_and_brightens_the_sky() -> None:
    sky = SceneSky(extinction_mag=0.0, clouds=(Cloud(first=3, last=4, depth=0.6),))
    scenario = Scenario(sky=sky)
    light = [transparency(scenario, frame, 1.0) for frame in range(6)]
    assert light[:3] == light[5:] * 3 == pytest.approx([1, 1, 1])
    assert all(0.4 <= share <= 0.52 for share in light[3:5])
    assert cloud_share(scenario, 3) == pytest.approx(1 - light[3])
    assert level(sky, 3) > level(sky, 2)


def test_dew_takes_starlight_and_does_not_brighten_the_sky() -> None:
    wet = SceneOptics(dew_from_frame=5, dew_per_hour=0.5)
    scenario = Scenario(optics=wet, plan=ScenePlan(cadence_s=120.0))
    assert [dew_share(scenario, frame) for frame in (4, 5, 20, 35, 90)] == pytest.approx([0, 0, 0.25, 0.5, 0.6])
    assert transparency(scenario, 35, 1.0) == pytest.approx(0.75 * transparency(scenario, 5, 1.0))
    assert level(SceneSky(), 35, wet) < level(SceneSky(), 5, wet)


def test_extinction_dims_by_magnitudes_of_airmass() -> None:
    # 0.2 mag for each airmass, closed form
    ratio = transparency(Scenario(), 0, 2.0) / transparency(Scenario(), 0, 1.0)
    assert -2.5 * np.log10(ratio) == pytest.approx(0.2)


def test_seeing_grows_with_airmass_and_wanders_slowly() -> None:
    scenario = Scenario(sky=SceneSky(seeing_variation=0.1))
    # X^0.6, common practice: 1.51572 at airmass 2
    assert seeing_arcsec(scenario, 600.0, 2.0) / seeing_arcsec(scenario, 600.0, 1.0) == pytest.approx(1.51572, rel=1e-4)
    night = np.array([seeing_arcsec(scenario, time, 1.0) for time in np.arange(0, 100_000, 60.0)])
    assert np.std(np.log(night)) == pytest.approx(0.1, rel=0.1)
    assert np.abs(np.diff(np.log(night))).max() < 0.05


def test_a_satellite_leaves_a_straight_line_in_its_frame() -> None:
    scenario = Scenario(camera=CAMERA, sky=SceneSky(satellite_frames=(2,)))
    assert np.all(crossing_light(scenario, 1) == 0)
    line = crossing_light(scenario, 2)
    rows, columns = np.nonzero(line > 0.5 * line.max())
    spread = np.linalg.svd(np.stack([rows, columns]) - [[rows.mean()], [columns.mean()]], compute_uv=False)
    assert spread[1] < 0.03 * spread[0]
    assert spread[0] > 1000
