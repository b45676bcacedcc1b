"""`framecheck plan` as a user runs it."""

import json
import sys
from pathlib import Path

import pytest
from reference import reference
from typer.testing import CliRunner

from framecheck.cli import main
from framecheck.cli.plan_page import plan_document, plan_lines
from framecheck.plan.asked import ASKED, setup_from
from framecheck.plan.make import make_plan
from framecheck.plan.records import Setup
from framecheck.read.rig import Rig
from framecheck.read.rig_keys import KEYS
from framecheck.report.look import Look

TELESCOPE = (
    "--focal-length 530 --aperture 106 --pixel 3.76 --seeing 2-4 --declination -20 --tracking-rms 0.8 --drift 1.2 "
    "--polar-error 5 --exposure 120 --sky 20.5 --read-noise 1.6 --gain 0.25 --mount equatorial --sensor-diagonal 28.3 "
    "--latitude 48 --periodic-error 20 --worm-period 480"
)


def said(*words: str) -> str:
    result = CliRunner().invoke(main.app, ["plan", *words], env={"TERM": "dumb"})
    assert result.exit_code == 0, result.output
    return result.output


def numbers(**given: float) -> dict[str, float | None]:
    return {field: given.get(field) for field in ASKED if field != "seeing_arcsec"}


def test_a_telescope_in_a_page() -> None:
    text = said(*TELESCOPE.split())
    assert text.startswith("530 mm, aperture 106 mm, pixels of 3.76 µm, mount: equatorial\n")
    for title in ("What the pixels see", "How long without tracking", "How long with this mount", "aligned and guided",
                  "How exactly to focus", "How long each exposure should be"):  # fmt: skip
        assert title in text
    assert "needs" not in text
    assert "support the load" in text


def test_nothing_given_says_what_each_line_needs() -> None:
    text = "\n".join(plan_lines(make_plan(Setup(rig=Rig())), Look()))
    assert text.startswith("A rig of which nothing is known yet")
    assert "– needs --focal-length and --pixel" in text
    assert all(asked.option in text for asked in ASKED.values() if asked.option not in OPTIONAL)


OPTIONAL = {"--obstruction", "--gain", "--passband", "--tracking-rms"}
"""What refines a line, or adds one, and is never asked for."""


def test_without_options_a_person_is_asked_and_a_script_told(monkeypatch: pytest.MonkeyPatch) -> None:
    result = CliRunner().invoke(main.app, ["plan"])
    assert "--focal-length 530" in str(result.exception)
    answers = iter(["530", "much", "106", "3,76", "eq", "4-2", "", ""])
    monkeypatch.setattr("framecheck.cli.plan_command.is_talked_with", lambda: True)
    monkeypatch.setattr("typer.prompt", lambda *_, **__: next(answers))
    assert said().split("\n\n", 1)[1] == said(*["--focal-length", "530", "--aperture", "106", "--pixel", "3.76"],
                                               "--mount", "equatorial", "--seeing", "2-4")  # fmt: skip


def test_json_holds_the_numbers_with_units() -> None:
    document = json.loads(said(*TELESCOPE.split(), "--json"))
    assert document["schema"] == 1
    assert document["given"]["declination_deg"] == -20
    assert document["given"]["seeing_arcsec"] == [2, 4]
    assert document["given"]["mount_type"] == "equatorial"
    lines = {line["key"]: line for section in document["sections"] for line in section["lines"]}
    assert lines["pixel_scale"]["value"] == reference("SAM-01").approx
    assert lines["pixel_scale"]["unit"] == "arcsec/px"
    assert lines["star_fwhm"]["low"] < lines["star_fwhm"]["value"] < lines["star_fwhm"]["high"]


def test_json_of_what_is_unknown_is_null() -> None:
    document = json.loads(said("--json", "--pixel", "3.76"))
    (scale,) = [one for one in document["sections"][0]["lines"] if one["key"] == "pixel_scale"]
    assert (scale["value"], scale["low"], scale["high"]) == (None, None, None)
    assert scale["needs"] == ["focal_length_mm"]
    assert document["given"]["seeing_arcsec"] is None


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--focal-length", "-530"], "--focal-length is -530, but must be a number from 2 to 200000 (millimetres)."),
        (["--declination", "95"], "--declination is 95, but must be a number from -90 to 90 (degrees)."),
        (["--pixel", "0"], "--pixel is 0, but must be a number from 0.5 to 200 (micrometres)."),
        (["--aperture", "nan"], "--aperture is nan, but must be a number from 1 to 50000 (millimetres)."),
        (["--exposure", "inf"], "--exposure is inf, but must be a number from 0.0001 to 86400 (seconds)."),
        (["--seeing", "good"], "--seeing is 'good', but must be a number such as 2.5, or a range such as 2-4."),
        (["--seeing", "1-2-3"], "--seeing is '1-2-3', but must be a number such as 2.5, or a range such as 2-4."),
        (["--seeing", "2-400"], "--seeing is 400, but must be a number from 0.1 to 30 (arcseconds)."),
        (["--focal-length", "100", "--aperture", "500"], "a focal length of 100 with an aperture of 500 makes f/0.20,"),
        (["--rig", "no.toml"], "no.toml: there is no such file."),
    ],
)
def test_nonsense_ends_with_2_and_one_sentence(
    words: list[str], sentence: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["framecheck", "plan", *words])
    with pytest.raises(SystemExit) as end:
        main.run()
    out, err = capsys.readouterr()
    assert (end.value.code, out) == (2, "")
    assert err.startswith(f"framecheck: {sentence}")
    assert err.count("\n") == 1


@pytest.mark.parametrize("words", [["--focal-length", "long"], ["--mount", "tripod"]])
def test_wrong_words_end_with_2(words: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "argv", ["framecheck", "plan", *words])
    with pytest.raises(SystemExit) as end:
        main.run()
    assert end.value.code == 2


def test_the_rig_file_counts_where_no_option_does(tmp_path: Path) -> None:
    rig_file = tmp_path / "rig.toml"
    rig_file.write_text(
        "[optics]\nfocal_length_mm = 530.0\naperture_mm = 106.0\npixel_scale_arcsec = 1.5\n"
        '[camera]\npixel_um = 3.76\n[mount]\nmount_type = "tracker"\n[site]\nsite_latitude_deg = 48.0\n'
    )
    alone = setup_from(numbers(), None, None, rig_file)
    assert (alone.scale_arcsec, alone.rig.mount_type, alone.rig.site_latitude_deg) == (1.5, "tracker", 48)
    other = setup_from(numbers(focal_length_mm=265.0), "2.5", "fixed", rig_file)
    assert other.scale_arcsec == pytest.approx(2 * reference("SAM-01").value, rel=1e-4)  # solved for other optics
    assert (other.rig.aperture_mm, other.rig.mount_type, other.seeing_arcsec) == (106, "fixed", (2.5, 2.5))


def test_bounds_agree_with_those_of_a_rig_file() -> None:
    shared = {key.name: key for key in KEYS if key.name in ASKED}
    assert len(shared) >= 8
    for name, key in shared.items():
        assert (ASKED[name].least, ASKED[name].most) == (key.least, key.most), name


@pytest.mark.parametrize(
    "given",
    [
        {"focal_length_mm": 2, "pixel_um": 200, "declination_deg": 90, "polar_error_arcmin": 1800, "exposure_s": 60},
        {"focal_length_mm": 200_000, "pixel_um": 0.5, "aperture_mm": 50_000, "drift_arcsec_per_min": 1000,
         "tracking_rms_arcsec": 600, "declination_deg": -90, "exposure_s": 86_400},
        {"focal_length_mm": 2, "pixel_um": 200, "aperture_mm": 1, "sky_mag": 24, "read_noise_e": 500,
         "passband_nm": 0.01, "exposure_s": 1e-4, "gain_e_per_adu": 1e4, "central_obstruction": 0.8},
        {"focal_length_mm": 500, "pixel_um": 4, "declination_deg": 48, "site_latitude_deg": 48, "exposure_s": 30,
         "sensor_diagonal_mm": 20, "drift_arcsec_per_min": 0, "polar_error_arcmin": 0, "tracking_rms_arcsec": 0},
    ],
)  # fmt: skip
@pytest.mark.parametrize("mount", ["fixed", "alt-azimuth", "equatorial"])
def test_extremes_have_an_answer(given: dict[str, float], mount: str) -> None:
    made = make_plan(setup_from(numbers(**given), "0.1-30", mount, None))
    text = "\n".join(plan_lines(made, Look()))
    assert "nan" not in text
    assert "inf" not in text.replace("infer", "")
    json.dumps(plan_document(made), allow_nan=False)


@pytest.mark.parametrize("width", [70, 100])
def test_the_page_fits_the_terminal(width: int) -> None:
    made = make_plan(setup_from(numbers(focal_length_mm=530, pixel_um=3.76, declination_deg=20), "2-4", None, None))
    for block in plan_lines(made, Look(width=width)):
        assert all(len(line) <= width for line in block.splitlines())


def test_help_tells_every_option() -> None:
    text = said("--help")
    assert all(asked.option in text for asked in ASKED.values())
    assert "Example: framecheck plan" in " ".join(text.split())
