"""Facts of the rig that physics forbids are left out and told; what is merely unusual stays."""

from dataclasses import replace

import numpy as np
import pytest

from framecheck.night.doubted import with_facts_that_can_be
from framecheck.read.exposure import Orientation
from framecheck.read.rig import Rig


@pytest.fixture
def frames(sky_field, draw, frame_of):
    table = draw(sky_field(np.random.default_rng(0), 60))
    return lambda fwhm_px=3.0, **facts: [frame_of(table, fwhm_px=fwhm_px, **facts) for _ in range(3)]


def judged(rig: Rig, results):
    return with_facts_that_can_be(rig, results)


def lying(scale: float) -> Orientation:
    return Orientation(pixel_scale_arcsec=scale, north_up_deg=0.0, mirrored=False, ra_deg=80, dec_deg=20)


def test_a_sharp_night_of_a_good_telescope_is_believed(frames) -> None:
    # 0.6 arcsec through 0.6 m, and 2.5 arcsec through 130 mm: met at good and at usual sites
    for rig, width in (
        (Rig(focal_length_mm=4800, aperture_mm=600, pixel_um=4.65), 3.0),
        (Rig(focal_length_mm=775, aperture_mm=130, pixel_um=3.76), 2.5),
    ):
        kept, results = judged(rig, frames(width))
        assert kept.pixel_scale_arcsec == pytest.approx(rig.pixel_scale_arcsec)
        assert not results[0].exposure.conflicts


def test_stars_are_no_sharper_than_air_and_aperture_allow(frames) -> None:
    # Airy pattern of 0.6 m at 550 nm: 1.029 x 550e-9 / 0.6 rad = 0.195 arcsec; with 0.4 of air 0.445. f/40 is no lie by
    # itself; 0.14 arcsec a pixel makes stars of 3 px 0.42 arcsec wide
    rig = Rig(focal_length_mm=24_000, aperture_mm=600, pixel_um=16.29)
    kept, results = judged(rig, frames(3.0))
    assert kept.pixel_scale_arcsec is None
    assert "pixel_scale_arcsec" not in kept.provenance
    told = results[0].exposure.conflicts[0]
    assert "0.42 arcsec wide" in told
    assert "0.44" in told
    assert "focal_length_mm" in told


@pytest.mark.parametrize(("focal_mm", "left_out"), [(48_000.0, "focal length"), (300.0, "focal length")])
def test_no_telescope_is_so_slow_or_so_fast(frames, focal_mm: float, left_out: str) -> None:
    rig = Rig(focal_length_mm=focal_mm, aperture_mm=600, pixel_um=9.0)
    kept, results = judged(rig, frames(3.0))
    assert kept.pixel_scale_arcsec is None
    assert left_out in results[0].exposure.conflicts[0]


def test_where_the_stars_suit_the_scale_the_aperture_is_wrong(frames) -> None:
    # 106 mm written in centimetres: f/50 and more, though stars of 2.5 px at 1.46 arcsec are what they should be
    kept, results = judged(Rig(focal_length_mm=540, aperture_mm=10.6, pixel_um=3.76), frames(2.5))
    assert kept.aperture_mm is None
    assert kept.pixel_scale_arcsec == pytest.approx(1.436, abs=0.001)
    assert "the aperture was ignored" in results[0].exposure.conflicts[0]


def test_a_scale_that_is_stated_stands_in(frames) -> None:
    results = frames(3.0, focal_length_mm=48_000.0, aperture_mm=600.0, pixel_um=9.0, stated_scale_arcsec=0.39)
    kept, _ = judged(Rig(), results)
    assert kept.pixel_scale_arcsec == 0.39
    assert kept.provenance["pixel_scale_arcsec"] == "header"


def test_a_plate_solution_wins_over_a_focal_length(frames) -> None:
    results = frames(3.0, orientation=lying(0.39), focal_length_mm=48_000.0, aperture_mm=600.0, pixel_um=9.0)
    kept, _ = judged(Rig(), results)
    assert (kept.pixel_scale_arcsec, kept.provenance["pixel_scale_arcsec"]) == (0.39, "plate solution")


def test_a_coordinate_system_made_of_a_wrong_focal_length_is_no_solution(frames) -> None:
    # capture programs write one from the focal length that was typed in; 3 px would be 0.12 arcsec
    results = frames(3.0, orientation=lying(0.039), focal_length_mm=48_000.0, pixel_um=9.0)
    kept, results = judged(Rig(), results)
    assert kept.pixel_scale_arcsec is None
    assert results[0].exposure.orientation is None


def test_neither_short_exposures_nor_narrow_stars_tell(frames) -> None:
    rig = Rig(pixel_um=9.0, focal_length_mm=12_000, aperture_mm=600)
    for results in (frames(2.0, exposure_s=0.02), frames(0.8), frames(2.0)[:0]):
        assert judged(rig, results)[0].pixel_scale_arcsec is not None


def test_frames_without_shape_tell_nothing(frames) -> None:
    results = [replace(result, shape=None) for result in frames()]
    rig = Rig(pixel_um=9.0, focal_length_mm=20_000)
    assert judged(rig, results)[0].pixel_scale_arcsec == pytest.approx(0.0928, abs=0.0001)


def test_each_telescope_of_a_folder_is_doubted_by_itself(frames) -> None:
    right = frames(2.5, telescope="one", focal_length_mm=775.0, aperture_mm=130.0, pixel_um=3.76)
    wrong = frames(3.0, telescope="two", focal_length_mm=48_000.0, aperture_mm=600.0, pixel_um=9.0)
    _, results = judged(Rig(), [*right, *wrong])
    assert [result.exposure.focal_length_mm for result in results] == [775.0] * 3 + [None] * 3
    assert [bool(result.exposure.conflicts) for result in results] == [False] * 3 + [True] * 3
