"""A whole small night: files, headers, truth."""

import hashlib
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS, FITSFixedWarning

from framecheck.errors import UnusableFrame, UnusableRequest
from framecheck.read import read_exposure, read_frame
from framecheck.simulate import Scenario, demo_scenario, load_scenario, render_night
from framecheck.simulate.frame import frame_conditions
from framecheck.simulate.header import light_cards
from framecheck.simulate.night import stars_of_night
from framecheck.simulate.scenario import Camera, Mount, ScenePlan, SceneSky, Target

SCENARIOS = Path(__file__).parents[2] / "fixtures" / "scenarios"
SMALL = Scenario(
    target=Target(stars=60, faintest_e_per_s=100.0),
    camera=Camera(width=320, height=240, angle_deg=25.0),
    mount=Mount(guided=True, gust_frames=(1,)),
    sky=SceneSky(satellite_frames=(1,)),
    plan=ScenePlan(frames=2, darks=1, broken=1, flip_frame=1),
)


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return render_night(SMALL, tmp_path_factory.mktemp("small") / "night")


def test_the_same_scenario_makes_the_same_bytes(night: list[Path], tmp_path: Path) -> None:
    told: list[tuple[int, int]] = []
    again = render_night(SMALL, tmp_path / "night", lambda done, total: told.append((done, total)))
    assert [path.name for path in again] == [path.name for path in night]
    for first, second in zip(night, again, strict=True):
        assert hashlib.sha256(first.read_bytes()).digest() == hashlib.sha256(second.read_bytes()).digest()
    assert told == [(1, 4), (2, 4), (3, 4), (4, 4)]
    other = render_night(replace(SMALL, seed=2), tmp_path / "other")
    assert other[0].read_bytes() != night[0].read_bytes()


def test_headers_say_what_the_scenario_says(night: list[Path]) -> None:
    first, second = (read_exposure(path) for path in night[:2])
    assert first.kind == "light"
    assert (first.width_px, first.height_px) == (320, 240)
    assert first.start_utc == SMALL.plan.start_utc
    assert first.exposure_s == 120
    assert (first.target, first.filter) == ("Invented Field", "L")
    assert (first.focal_length_mm, first.aperture_mm, first.pixel_um) == (530, 106, 3.76)
    assert (first.gain_e_per_adu, first.read_noise_e, first.pedestal_adu) == (0.8, 1.6, 500)
    assert first.saturation_adu == 63_000
    assert (first.sensor_temp_c, first.tube_temp_c) == (-10, 12)
    assert first.site_latitude_deg == pytest.approx(48)
    assert first.conflicts == second.conflicts == ()
    assert (first.pier_side, second.pier_side) == ("west", "east")
    assert first.orientation is not None
    assert second.orientation is not None
    assert not first.orientation.mirrored
    assert first.orientation.pixel_scale_arcsec == pytest.approx(SMALL.scale_arcsec, rel=1e-6)
    assert (first.orientation.north_up_deg - 25 + 180) % 360 - 180 == pytest.approx(0, abs=0.05)  # and refraction
    assert (second.orientation.north_up_deg - first.orientation.north_up_deg) % 360 == pytest.approx(180, abs=0.05)


@pytest.mark.filterwarnings(f"ignore::{FITSFixedWarning.__module__}.{FITSFixedWarning.__name__}")
def test_stars_lie_where_the_solution_says(night: list[Path]) -> None:
    # astropy's world coordinates, not ours, from the header to the pixels
    stars = stars_of_night(SMALL)
    image = read_frame(night[0]).pixels.astype(float)
    image -= np.median(image)
    x, y = WCS(fits.getheader(night[0])).all_world2pix(stars.ra_deg, stars.dec_deg, 0)
    inside = (x > 12) & (x < 307) & (y > 12) & (y < 227)
    brightest = np.flatnonzero(inside)[np.argsort(stars.flux_e_per_s[inside])[::-1][:5]]
    for star in brightest:
        rows, columns = np.mgrid[-4:5, -4:5] + np.round([[[y[star]]], [[x[star]]]]).astype(int)
        light = np.where(image[rows, columns] > 150, image[rows, columns], 0)
        assert light.sum() > 0
        assert np.sum(light * columns) / light.sum() == pytest.approx(x[star], abs=0.2)
        assert np.sum(light * rows) / light.sum() == pytest.approx(y[star], abs=0.2)


def test_darks_and_broken_files_are_what_they_seem(night: list[Path]) -> None:
    assert read_exposure(night[2]).kind == "dark"
    assert np.median(read_frame(night[2]).pixels) == pytest.approx(500, abs=2)
    with pytest.raises(UnusableFrame):
        read_frame(night[3])


def test_plate_solutions_are_where_the_plan_wants_them() -> None:
    for solved, expected in (("every frame", [True, True]), ("first frame", [True, False]), ("no frame", [False] * 2)):
        scenario = replace(SMALL, plan=replace(SMALL.plan, solved=solved))
        headers = [light_cards(scenario, frame_conditions(scenario, frame)) for frame in range(2)]
        assert [any(card.keyword == "CTYPE1" for card in cards) for cards in headers] == expected


def test_files_are_dated_as_if_saved_that_night(night: list[Path]) -> None:
    saved = [path.stat().st_mtime - SMALL.plan.start_utc.timestamp() for path in night]
    assert saved == pytest.approx([120, 245, 370, 495])


def test_truth_lies_beside_the_folder(night: list[Path]) -> None:
    truth = json.loads((night[0].parent.parent / "truth.json").read_text(encoding="utf-8"))
    assert [frame["file"] for frame in truth["frames"]] == [path.name for path in night[:2]]
    assert [frame["gust"] for frame in truth["frames"]] == [False, True]
    assert truth["frames"][0]["seeing_arcsec"] == pytest.approx(2.5, rel=0.2)
    assert np.hypot(truth["frames"][1]["smear_x_px"], truth["frames"][1]["smear_y_px"]) > 2


@pytest.mark.parametrize("path", [demo_scenario(), *sorted(SCENARIOS.glob("*.toml"))], ids=lambda path: path.stem)
def test_shipped_scenarios_can_be_loaded(path: Path) -> None:
    scenario = load_scenario(path)
    assert scenario.name == path.stem
    assert scenario.plan.frames >= 16


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("[mount]\nperiod = 480", "did you mean `period_s`"),
        ('[mount]\nkind = "rocket"', "must be one of"),
        ("[optics]\naperture_mm = -3", "a number from 1 to 5000"),
        ("[plan]\nframes = true", "a whole number from 1 to 5000"),
        ("[plan]\nframes = 2.5", "a whole number"),
        ("[optics]\ntilt_um = 3", "two numbers"),
        ("[plan]\nexposure_s = 300.0", "overlap"),
        ("site = 4", "write [site]"),
        ("[sky]\nclouds = 4", "[[sky.clouds]]"),
        ('[mount]\nkind = "fixed"\nguided = true', "cannot be guided"),
        ("[optics", "no valid TOML"),
        ("[mount]\ngust_frames = [48]", "counted from 0 to 47"),
        ("[[sky.clouds]]\nfirst = 5\nlast = 4", "swap them"),
        ("[target]\ndec_deg = -70", "above the horizon"),
        ("[optics]\ndefocus_um = 3000.0", "lessen defocus"),
        ('causes = ["gremlins"]', "no cause that framecheck knows"),
        ('[plan]\nsolved = "maybe"', "must be one of"),
    ],
)
def test_a_wrong_scenario_is_explained(tmp_path: Path, text: str, sentence: str) -> None:
    path = tmp_path / "wrong.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UnusableRequest) as fault:
        load_scenario(path)
    assert sentence in str(fault.value)
    assert "wrong.toml" in str(fault.value)


def test_a_folder_that_cannot_be_is_refused(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file", encoding="utf-8")
    with pytest.raises(UnusableRequest):
        render_night(SMALL, tmp_path / "taken")
