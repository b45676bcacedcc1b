"""`framecheck logbook`, and the logbook as `night` and `advise` use it."""

import csv
import json
import sqlite3
import sys
from pathlib import Path

import pyarrow.parquet
import pytest
from typer.testing import CliRunner

from framecheck.cli import main
from framecheck.logbook import VARIABLE, Logbook
from framecheck.read import Rig

sys.path += [str(Path(__file__).parent.parent / room) for room in ("logbook", "whole")]

from kept_frames import result_of, write_file
from small_night import draw_dark, draw_light, framecheck


def said(*words: str | Path) -> str:
    result = CliRunner().invoke(main.app, ["logbook", *map(str, words)], env={"TERM": "dumb", "COLUMNS": "200"})
    assert result.exit_code == 0, result.output
    return result.output


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """A logbook of two folders with three frames."""
    place = tmp_path / "book.sqlite"
    with Logbook(place) as book:
        for number, name in enumerate(("one/a.fits", "one/=b.fits", "two/c.fits")):
            path = write_file(tmp_path / name, number)
            book.recall(path, Rig())
            book.record(path, Rig(), result_of(path, number))
    return place


def test_the_list(file: Path) -> None:
    lines = said("--logbook", file).splitlines()
    assert [line.split()[-1] for line in lines[2:-1]] == [str(file.parent / name) for name in ("one", "two")]
    assert lines[-1].startswith("3 frames of 2 folders, ")
    listed = json.loads(said("--logbook", file, "--json"))
    assert [folder["n_measured"] for folder in listed["folders"]] == [2, 1]


def test_both_exports_hold_the_same_frames(file: Path, tmp_path: Path) -> None:
    said("--logbook", file, "--export", tmp_path / "out.csv")
    said("--logbook", file, "--export", tmp_path / "out.parquet")
    with (tmp_path / "out.csv").open(encoding="utf-8", newline="") as text:
        rows = list(csv.DictReader(text))
    table = pyarrow.parquet.read_table(tmp_path / "out.parquet")
    assert list(rows[0]) == table.column_names
    assert [row["file"] for row in rows] == table["file"].to_pylist()
    assert [float(row["fwhm_px"]) for row in rows] == table["fwhm_px"].to_pylist() == [2.7] * 3
    assert {row["fwhm_px_error"] for row in rows} == {""}  # NaN is unknown
    assert table["fwhm_px_error"].null_count == 3
    assert table["start_utc"][0].as_py().isoformat() == "2026-02-03T21:10:00.123457+00:00"


def test_text_that_a_spreadsheet_would_run_is_inert(tmp_path: Path) -> None:
    from dataclasses import replace

    path, place = write_file(tmp_path / "a.fits"), tmp_path / "book.sqlite"
    result = result_of(path)
    with Logbook(place) as book:
        book.recall(path, Rig())
        book.record(path, Rig(), replace(result, exposure=replace(result.exposure, target="=cmd()", dec_deg=-5.0)))
    said("--logbook", place, "--export", tmp_path / "out.csv")
    with (tmp_path / "out.csv").open(encoding="utf-8", newline="") as text:
        (row,) = csv.DictReader(text)
    assert (row["target"], row["dec_deg"]) == ("'=cmd()", "-5.0")


def test_forgetting(file: Path) -> None:
    assert said("--logbook", file, "--forget-outdated", "--forget-older", "1").strip() == "Forgot 0 frames."
    assert said("--logbook", file, "--forget-folder", file.parent / "one").strip() == "Forgot 2 frames."
    assert said("--logbook", file, "--forget-folder", file.parent).strip() == "Forgot 1 frame."
    assert "No frames are in it." in said("--logbook", file)


def test_wrong_usage_is_one_sentence(file: Path, tmp_path: Path) -> None:
    ending = framecheck("logbook", "--logbook", file, "--export", tmp_path / "out.xls")
    none = framecheck("logbook", "--logbook", tmp_path / "none.sqlite")
    for ended, words in ((ending, ".parquet or .csv"), (none, "there is no logbook yet")):
        assert (ended.code, ended.err.count("\n")) == (2, 1)
        assert words in ended.err
    assert not (tmp_path / "none.sqlite").exists()


@pytest.fixture(scope="module")
def lights(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("lights")
    for index in range(3):
        draw_light(folder / f"{index}.fits", index)
    draw_dark(folder / "dark.fits")
    return folder


def test_a_night_run_again_is_the_same_night(lights: Path, tmp_path: Path) -> None:
    book = tmp_path / "book.sqlite"
    for out in ("first", "second"):
        ended = framecheck("night", lights, "--out", tmp_path / out, "--logbook", book, "--workers", "1")
        assert (ended.code, ended.err) == (0, "")
    nights = [(tmp_path / out / "night.json").read_bytes() for out in ("first", "second")]
    assert nights[0] == nights[1]
    assert "4 frames of 1 folder" in framecheck("logbook", "--logbook", book).out
    database = sqlite3.connect(book)
    database.execute("DELETE FROM frames WHERE name = '2.fits'")
    database.commit()
    database.close()
    advised = framecheck("advise", lights, "--json", **{VARIABLE: str(book)})  # by the environment as well
    assert (advised.code, advised.err) == (0, "")
    assert "4 frames of 1 folder" in framecheck("logbook", **{VARIABLE: str(book)}).out


def test_the_usual_place_and_none(lights: Path, tmp_path: Path) -> None:
    home = {VARIABLE: "", "HOME": str(tmp_path), "XDG_DATA_HOME": str(tmp_path / "data"), "APPDATA": str(tmp_path)}
    words = ("night", lights, "--out", tmp_path / "out", "--quiet", "--workers", "1")
    assert framecheck(*words, "--no-logbook", **home).code == 0
    assert not list(tmp_path.rglob("*.sqlite"))
    both = framecheck(*words, "--no-logbook", "--logbook", tmp_path / "book", **home)
    assert both.code == 2
    assert "can't be used together" in both.err
    if sys.platform == "linux":
        (tmp_path / "data").write_text("a file where a folder should be")
        ended = framecheck(*words, **home)
        assert ended.code == 0
        assert ended.err.endswith("framecheck goes on without it.\n")
        (tmp_path / "data").unlink()
        assert framecheck(*words, **home).err == ""
        assert (tmp_path / "data" / "framecheck" / "logbook.sqlite").is_file()


def test_a_named_logbook_that_cannot_be_used_ends_it(lights: Path, tmp_path: Path) -> None:
    ended = framecheck("night", lights, "--out", tmp_path / "out", "--logbook", lights / "0.fits")
    assert ended.code == 2
    assert "the file is no logbook" in ended.err
    assert not (tmp_path / "out" / "night.json").exists()


def test_the_demo_leaves_the_logbook_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from framecheck.cli import demo_command

    asked: list[dict[str, object]] = []
    monkeypatch.setattr(demo_command, "_render", lambda *args, **kwargs: None)
    monkeypatch.setattr(demo_command, "judge_folder", lambda *args, **kwargs: asked.append(kwargs))
    demo_command.run_demo(tmp_path)
    assert asked
    assert asked[0].get("logbook") is None
