"""`framecheck rig` as it is typed, and how a night comes to know its rig."""

import json
from pathlib import Path

import pytest
from astropy.io import fits
from typer.testing import CliRunner

from framecheck.cli import main, rig_in_use
from framecheck.cli.rig_in_use import rig_file_of, rig_of
from framecheck.read import read_exposure, with_saved
from framecheck.read.saved_rig import saved_files


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("platformdirs.user_config_dir", lambda *_, **__: str(tmp_path / "config" / "framecheck"))


@pytest.fixture
def light(tmp_path: Path) -> Path:
    return written(tmp_path / "lights" / "light.fits", INSTRUME="Cam 26", TELESCOP="Refractor 106")


def written(path: Path, **cards: str) -> Path:
    import numpy as np

    path.parent.mkdir(exist_ok=True)
    hdu = fits.PrimaryHDU(np.full((40, 40), 1000, np.uint16))
    hdu.header.update({"IMAGETYP": "Light", "EXPTIME": 60.0, "FOCALLEN": 530.0, "SITELAT": 48.2, "SITELONG": 16.4})
    hdu.header.update(cards)
    hdu.writeto(path)
    return path


def said(*words: object, code: int = 0, answers: str | None = None) -> str:
    result = CliRunner().invoke(main.app, ["rig", *map(str, words)], input=answers, env={"TERM": "dumb"})
    assert (result.exit_code, bool(result.exception)) == (code, code != 0), result.output
    return result.output


def test_facts_are_kept_without_a_question_where_nobody_can_be_asked(light: Path) -> None:
    assert "No rig is saved yet" in said()
    told = said(light, "--save", "--mount", "equatorial", "--unguided", "--worm-period", "479")
    assert "Kept for Cam 26, Refractor 106: mount: equatorial, not guided, worm 479 s." in told
    assert "Cam 26, Refractor 106: mount: equatorial" in said()
    (one,) = json.loads(said("--json"))["rigs"]
    assert one["facts"]["worm_period_s"] == 479
    said(light, "--save", "--guided", "--quiet")  # the rest stays
    (one,) = json.loads(said("--json"))["rigs"]
    assert (one["facts"]["guided"], one["facts"]["worm_period_s"]) == (True, 479)


def test_a_person_is_asked_once_for_what_the_header_leaves_out(light: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []
    answers = iter(["equ", "nonsense", "no", "479,5", ""])

    def prompt(text: str, **_: object) -> str:
        asked.append(text)
        return next(answers)

    monkeypatch.setattr("typer.prompt", prompt)
    monkeypatch.setattr("framecheck.cli.rig_in_use.is_talked_with", lambda: True)
    rig_of(None, [light], asks=True)
    assert [text.split()[0] for text in asked] == [
        "Mount",
        "Does",
        "Does",
        "Seconds",
        "Aperture",
    ]  # length, place known
    rig_of(None, [light], asks=True)
    assert len(asked) == 5
    rig = with_saved(rig_of(None, [light], asks=True), [read_exposure(light)])
    assert (rig.mount_type, rig.guided, rig.worm_period_s, rig.aperture_mm) == ("equatorial", False, 479.5, None)


@pytest.mark.parametrize("asks", [True, False])
def test_nobody_is_asked_in_a_script_nor_where_the_header_names_no_rig(
    light: Path, asks: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    nameless = written(light.with_name("nameless.fits"))
    monkeypatch.setattr("framecheck.cli.rig_in_use.is_talked_with", lambda: asks)
    rig_of(None, [nameless if asks else light], asks=True)
    assert saved_files() == []


def test_a_rig_file_in_the_folder_of_frames_counts_unless_another_is_given(light: Path, tmp_path: Path) -> None:
    folder, given = light.parent, tmp_path / "other.toml"
    assert rig_file_of(folder, None) is None
    own = folder / rig_in_use.RIG_FILE
    own.write_text("[mount]\nguided = true\n")
    given.write_text("[mount]\nguided = false\n")
    assert rig_of(rig_file_of(folder, None)).guided is True
    assert rig_of(rig_file_of(folder, given)).guided is False


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--guided"], "kept with --save"),
        (["--save"], "give a frame of the rig"),
        (["LIGHT", "--save", "--into", "x"], "can't be used together"),
        (["LIGHT", "--save"], "nobody to ask"),
        (["LIGHT", "--save", "--worm-period", "1"], "worm_period_s is 1.0, but must be a number from 5 to 86164"),
    ],
)
def test_what_cannot_be_kept_is_said_in_a_sentence(light: Path, words: list[str], sentence: str) -> None:
    result = CliRunner().invoke(main.app, ["rig", *(str(light) if word == "LIGHT" else word for word in words)])
    assert sentence in str(result.exception)
    assert not saved_files()
