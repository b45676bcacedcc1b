"""Pedestal and read noise as pixels without light show them, against what headers and rig files claim."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from framecheck.night.records import Skipped
from framecheck.night.sky_rate import sky_e_per_s
from framecheck.night.unlit import with_unlit
from framecheck.read import Exposure, Frame, Rig, measure_unlit, merge_rig

SIZE = (3000, 2000)


@pytest.fixture
def light(sky_field, draw, frame_of):
    table = draw(sky_field(np.random.default_rng(0), 60))
    return lambda **facts: frame_of(table, **({"level_adu": 5400.0, "noise_adu": 50.0, "size": SIZE} | facts))


def dark(level: float, seed: int = 0, kind: str = "bias", noise: float = 6.0, **facts) -> Skipped:
    rng = np.random.default_rng(seed)
    pixels = np.rint(rng.normal(level, noise, (SIZE[1] // 4, SIZE[0] // 4))).astype(np.uint16)
    exposure = Exposure(file=Path(f"{kind}{seed}.fits"), kind=kind, width_px=SIZE[0], height_px=SIZE[1], **facts)
    unlit = measure_unlit(Frame(exposure=exposure, pixels=pixels))
    return Skipped(file=exposure.file, kind=kind, why="the header says so", exposure=exposure, unlit=unlit)


BIAS = [dark(1013, seed) for seed in range(3)]


def settled(result, skipped, rig: Rig | None = None):
    (only,) = with_unlit([result], skipped, rig or Rig())
    return only


def test_bias_frames_tell_the_pedestal_that_a_card_claims_wrongly(light) -> None:
    claimed = light(pedestal_adu=100.0, provenance={"pedestal_adu": "PEDESTAL"}, gain_e_per_adu=2.0)
    result = settled(claimed, BIAS)
    assert result.exposure.pedestal_adu == pytest.approx(1013, abs=0.5)
    assert result.exposure.provenance["pedestal_adu"] == "bias frames"
    assert "PEDESTAL gives a pedestal of 100 ADU, the bias frames show 1010 ADU" in result.exposure.conflicts[0]
    # closed form: electrons in a pixel over the exposure of 60 s
    assert sky_e_per_s(result, Rig()) == pytest.approx((5400 - 1013) * 2.0 / 60, rel=1e-3)


def test_the_read_noise_comes_from_pairs_of_bias_frames(light) -> None:
    result = settled(light(gain_e_per_adu=2.0), BIAS)
    assert result.exposure.read_noise_e == pytest.approx(12.0, rel=0.04)
    rig = merge_rig(Rig(), [result.exposure])
    assert rig.provenance["read_noise_e"] == "calibration frames"
    assert rig.provenance["gain_e_per_adu"] == "header"


def test_a_read_noise_that_is_stated_wrongly_is_told(light) -> None:
    stated = light(gain_e_per_adu=2.0, read_noise_e=5.0, provenance={"read_noise_e": "RDNOISE"})
    result = settled(stated, BIAS)
    assert result.exposure.read_noise_e == pytest.approx(12.0, rel=0.04)
    assert "RDNOISE gives a read noise of 5 e" in result.exposure.conflicts[0]


def test_a_claim_that_agrees_is_no_conflict(light) -> None:
    claimed = light(pedestal_adu=1000.0, provenance={"pedestal_adu": "PEDESTAL"})
    result = settled(claimed, BIAS)
    assert not result.exposure.conflicts
    assert result.exposure.pedestal_adu == pytest.approx(1013, abs=0.5)


def test_the_rig_file_wins_and_the_difference_is_told(light) -> None:
    result = settled(light(gain_e_per_adu=2.0), BIAS, Rig(pedestal_adu=500.0, read_noise_e=9.0, gain_e_per_adu=1.5))
    exposure = result.exposure
    assert (exposure.pedestal_adu, exposure.read_noise_e, exposure.gain_e_per_adu) == (500.0, 9.0, 1.5)
    assert "we used the rig file" in exposure.conflicts[0]


@pytest.mark.parametrize(
    "facts", [{"camera": "B"}, {"binning": 2}, {"camera_gain_setting": 200.0}, {"gain_e_per_adu": 0.5}]
)
def test_frames_of_another_setting_tell_nothing(light, facts) -> None:
    own = {"camera": "A", "binning": 1, "camera_gain_setting": 100.0, "gain_e_per_adu": 2.0}
    result = settled(light(**own), [dark(1013, **(own | facts))])
    assert result.exposure.pedestal_adu is None


def test_frames_of_another_size_tell_nothing(light) -> None:
    assert settled(light(size=(1500, 1000)), BIAS).exposure.pedestal_adu is None


def test_the_dark_of_the_nearest_exposure_stands_in_for_bias(light) -> None:
    darks = [dark(level, kind="dark", exposure_s=seconds) for level, seconds in ((1010, 1.0), (1040, 60.0))]
    result = settled(light(gain_e_per_adu=2.0), darks)
    assert result.exposure.pedestal_adu == pytest.approx(1040, abs=0.5)
    assert result.exposure.read_noise_e is None  # dark current has noise of its own


def test_a_frames_own_overscan_comes_first(light) -> None:
    result = settled(light(gain_e_per_adu=2.0, overscan_adu=1020.0, overscan_noise_adu=6.0), BIAS)
    assert result.exposure.pedestal_adu == 1020.0
    alone = settled(light(gain_e_per_adu=2.0, overscan_adu=1020.0, overscan_noise_adu=6.0), [])
    assert alone.exposure.read_noise_e == pytest.approx(12.0)


def test_bias_frames_above_the_sky_do_not_belong_to_it(light) -> None:
    result = settled(light(level_adu=200.0, noise_adu=20.0), BIAS)
    assert result.exposure.pedestal_adu is None
    assert "does not belong" in result.exposure.conflicts[0]


def test_calibrated_frames_have_no_bias_left(light) -> None:
    assert settled(light(processed=True), BIAS).exposure.pedestal_adu is None


def test_a_gradient_is_told_against_the_light_of_the_sky(light) -> None:
    result = light()
    slope = np.linspace(-187.5, 187.5, 16, dtype=np.float32)  # means over sixteenths of a rise by 400
    sky = replace(result.sky, level_mesh_adu=np.tile(5400 + slope, (12, 1)))
    result = replace(result, sky=sky)
    known = settled(result, BIAS).sky.gradient_percent
    # closed form: nine tenths of 400 ADU over 4387
    assert known == pytest.approx(100 * 0.9 * 400 / (5400 - 1013), rel=0.05)
    assert np.isnan(settled(result, []).sky.gradient_percent)


def test_a_sky_hardly_above_the_pedestal_has_no_gradient(light) -> None:
    result = settled(light(level_adu=1016.0, noise_adu=11.0), BIAS)
    assert np.isnan(result.sky.gradient_percent)


def test_overscans_of_a_night_tell_one_read_noise(light) -> None:
    noises = (5.7, 6.0, 6.3)
    frames = [light(gain_e_per_adu=2.0, overscan_adu=1020.0, overscan_noise_adu=noise) for noise in noises]
    assert {one.exposure.read_noise_e for one in with_unlit(frames, [], Rig())} == {12.0}
