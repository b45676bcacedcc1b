"""The documentation: each cause has a page; its formulas can be set, its numbers are right, its picture shows it."""

import re
from pathlib import Path

import numpy as np
import pytest
from generate import cause_pages, commands, rooms, words
from generate.numbers import numbers
from generate.pictures import picture_of
from generate.scenes import SCENES, scenario_of
from small_night import draw_light

from framecheck.causes.catalogue import CAUSES
from framecheck.simulate.impossible import refuse_impossible

DOCS = Path(__file__).parents[2] / "docs"
SECTIONS = ["What you see", "Physics", "What framecheck looks at", "Sources"]


def written(cause: str) -> str:
    return (DOCS / "causes" / f"{cause}.rst").read_text(encoding="utf-8")


def formulas(text: str) -> list[str]:
    blocks = re.findall(r"^\.\. math::(.*?)(?=\n\n\S|\n\S|\Z)", text, re.S | re.M)
    return [" ".join(one.split()) for one in blocks + re.findall(r":math:`(.*?)`", text, re.S)]


@pytest.mark.parametrize("cause", CAUSES)
def test_each_cause_is_written_of(cause: str) -> None:
    text = written(cause)
    assert re.findall(r"^(.+)\n-{5,}$", text, re.M) == SECTIONS
    assert ".. math::" in text


@pytest.mark.parametrize("cause", CAUSES)
def test_each_formula_can_be_set_in_mathml(cause: str) -> None:
    from docutils.utils.math.latex2mathml import tex2mathml

    for formula in formulas(written(cause)):
        assert "<math" in str(tex2mathml(formula)), formula


@pytest.mark.parametrize("cause", CAUSES)
def test_each_number_of_a_page_comes_from_the_code(cause: str) -> None:
    text = re.sub(r":math:`.*?`|\.\. math::.*?(?=\n\S|\Z)", "", written(cause), flags=re.S)
    assert set(re.findall(r"\|(\w+)\|", text)) <= set(numbers())


@pytest.mark.parametrize(
    ("name", "value"),
    [
        # values published or computed with general-purpose libraries, each with its place there
        ("polar_drift_1", "0.26"),  # 3.81 arcmin of axis for 1 arcsec/min of drift, common practice
        ("worm_180_s", "479"),  # sidereal day over 180 teeth
        ("worm_60s_arcsec", "3.8"),  # 2 A sin(pi t / P) with 5 arcsec, 480 s, 60 s: 3.827
        ("sidereal", "15.04"),  # arcsec/s, IAU 2000 rotation
        ("altaz_corner_px", "5.5"),  # Meeus, eq. 14.1, differentiated: 5.469 px
        ("backlash_s", "1.3"),  # 10 arcsec at half the sidereal rate, closed form
        ("rms_tenth", "0.19"),  # sqrt(1.1² - 1) / 2.355, closed form
        ("trail_moment_ratio", "1.21"),  # sqrt(1 + 2.355² / 12), closed form
        ("quarter_wave_f5_um", "28"),  # 2 lambda N² = 27.5 µm
        ("tube_10k_um", "115"),  # aluminium, 23e-6 / K, 500 mm
        ("tilt_um", "41"),  # 23.5 mm tan 0.1°
        ("sag_um", "497"),  # r² / 2R
        ("coma_um", "117"),  # 3 h / 16 N², textbook
        ("rule_500_um", "36"),  # the 500 rule's trail on the sensor
        ("untracked_50mm_s", "1"),  # 13.713 p / f with 3.76 µm and 50 mm: 1.03 s
        ("dew_point_c", "6.7"),  # Magnus formula, 10 °C and 80 %
        ("aliased_1", "5.9 %"),  # erfc(pi sigma), 1 px FWHM
        ("aliased_15", "0.47 %"),
        ("nyquist_f10_um", "2.75"),  # lambda N / 2
        ("peak_3px", "9 %"),  # erf², FWHM of 3 px: 0.0932
        ("five_percent_s", "44"),  # 9.756 R² / S
        ("cloud_03", "76 %"),  # 10^(-0.12)
        ("r0_10cm", "1.0"),  # 0.976 lambda / r0 at 500 nm: 1.006 arcsec
        ("airmass_30", "1.99"),  # Kasten and Young (1989)
        ("collimation_mm", "1.3"),  # off-axis distance of 2 arcsec of coma at f/5, 1 m: 1.293 mm
    ],
)
def test_numbers_are_those_of_handbooks(name: str, value: str) -> None:
    assert numbers()[name] == value


@pytest.mark.parametrize("cause", CAUSES)
def test_each_cause_has_a_scene_that_can_be(cause: str) -> None:
    scene = SCENES[cause]
    for changes in (scene.both, scene.fault):
        refuse_impossible(scenario_of(changes, scenario_of(scene.both)), cause)
    assert scene.seen


@pytest.mark.parametrize("cause", ["shock", "coma", "trail-crossing"])
def test_a_picture_shows_a_healthy_rig_beside_the_fault(cause: str) -> None:
    panels = [axes.images[0].get_array() for axes in picture_of(SCENES[cause]).axes]
    healthy, faulty = panels[: len(panels) // 2], panels[len(panels) // 2 :]
    differ = [float(np.abs(np.asarray(a) - np.asarray(b)).max()) for a, b in zip(healthy, faulty, strict=True)]
    if cause == "shock":  # one frame of the night, and only that one
        assert [i for i, one in enumerate(differ) if one > 0.5] == [6]
    elif cause == "coma":  # none in the middle of the field, most in its corners
        assert differ[7] < 0.1 < min(differ[0], differ[4], differ[10], differ[14])
    else:
        assert differ[0] > 0.5


@pytest.mark.parametrize("cause", CAUSES)
def test_a_page_tells_cures_in_their_order_and_links_to_real_causes(cause: str) -> None:
    page = cause_pages.cause_page(CAUSES[cause])
    places = [page.index(cure) for cure in CAUSES[cause].cures]
    assert places == sorted(places)
    assert set(re.findall(r":doc:`([\w-]+)`", page)) <= set(CAUSES)
    assert f"{cause}.png" in page


def test_what_a_cause_says_of_rivals_is_on_its_page() -> None:
    page = cause_pages.cause_page(CAUSES["coma"])
    assert "* :doc:`miscollimation`: its tails are the same in the centre; these grow outward." in page


def test_the_command_reference_holds_all_commands_and_options() -> None:
    page = commands.command_page()
    for name in ("night", "frame", "rig", "advise", "plan", "sort", "logbook", "demo"):
        assert f"framecheck {name}\n" in page
    for option in ("--guiding FILE", "--seeing ARCSEC", "--undo", "--quiet", "--json"):
        assert f"``{option}``" in page


def test_the_library_has_a_page_for_each_room(tmp_path: Path) -> None:
    rooms.write_room_pages(tmp_path)
    package = Path(rooms.PACKAGE)
    folders = {path.parent.name for path in package.glob("*/__init__.py")} - {"cli"}
    assert folders <= {path.stem for path in tmp_path.glob("*.rst")}
    for path in package.glob("night/*.py"):
        if path.stem != "__init__":
            assert f"framecheck.night.{path.stem}" in (tmp_path / "night.rst").read_text()


def test_the_glossary_is_that_of_the_report(tmp_path: Path) -> None:
    from framecheck.pipeline import Measurements, judge_night, measure_file
    from framecheck.read import Rig
    from framecheck.report.page import night_page

    files = [tmp_path / f"{index}.fits" for index in range(2)]
    for index, file in enumerate(files):
        draw_light(file, index)
    results = tuple(measure_file(file, Rig()) for file in files)
    judgement = judge_night(tmp_path, Measurements(results=results, failures=(), skipped=()))  # type: ignore[arg-type]
    (tmp_path / "report.html").write_text(night_page(judgement), encoding="utf-8")
    page = words.words_page(tmp_path / "report.html")
    assert "   FWHM\n      Full width at half maximum" in page
    (tmp_path / "none.html").write_text("<dl class='words'></dl>")
    with pytest.raises(ValueError, match="its glossary has moved"):
        words.words_page(tmp_path / "none.html")
