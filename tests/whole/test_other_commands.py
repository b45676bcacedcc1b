"""`frame`, `rig` and `demo` as a user runs them."""

import json
import os
import sys
from pathlib import Path

import pytest
from small_night import draw_light, framecheck


def test_one_frame_for_a_person(night_folder: Path) -> None:
    ended = framecheck("frame", night_folder / "lights" / "field 1.fits")
    assert (ended.code, ended.err) == (0, "")
    for words in ("field 1.fits", "Test field, filter L, 60 s, 480 × 360 px", "FWHM", "arcsec", "Elongation", "ADU"):
        assert words in ended.out


def test_one_frame_as_a_picture(night_folder: Path, tmp_path: Path) -> None:
    frame, picture = night_folder / "lights" / "field 1.fits", tmp_path / "field é.png"
    before = frame.read_bytes()
    ended = framecheck("frame", frame, "--picture", picture, "--json")
    assert (ended.code, ended.err) == (0, "")
    assert json.loads(ended.out)["status"] == "measured"
    assert picture.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")  # PNG signature, W3C PNG, section 5.2
    assert [path.name for path in tmp_path.iterdir()] == [picture.name]
    assert frame.read_bytes() == before
    assert framecheck("frame", frame, "--picture", tmp_path / "none" / "a.png").code == 2


def test_frames_as_json_one_a_line(night_folder: Path) -> None:
    files = [night_folder / "lights" / name for name in ("field 1.fits", "cut.fits", "field 2.fits")]
    ended = framecheck("frame", *files, night_folder / "darks" / "dark.fits", "--json")
    assert ended.code == 1
    first, cut, second, dark = (json.loads(line) for line in ended.out.splitlines())
    assert [one["status"] for one in (first, cut, second, dark)] == ["measured", "failed", "measured", "failed"]
    assert first["file"] == files[0].as_posix()
    assert first["fwhm_px"] is not None
    assert "dark frame" in dark["failure"]
    assert list(first) == list(cut) == list(dark)


def test_nothing_measurable_is_exit_code_3(night_folder: Path, tmp_path: Path) -> None:
    ended = framecheck("frame", night_folder / "lights" / "empty.fit", tmp_path / "none.fits")
    assert ended.code == 3
    assert len(ended.err.splitlines()) == 2
    assert ended.out == ""


def test_a_rig_file_to_start_from_can_be_used_at_once(night_folder: Path, tmp_path: Path) -> None:
    frame, rig = night_folder / "lights" / "field 1.fits", tmp_path / "rig.toml"
    printed = framecheck("rig", frame)
    assert printed.code == 0
    assert "focal_length_mm = 530.0" in printed.out
    wrote = framecheck("rig", frame, "--into", rig)
    assert (wrote.code, wrote.err) == (0, "")
    assert rig.read_text(encoding="utf-8") == printed.out
    again = framecheck("rig", frame, "--into", rig)
    assert again.code == 2
    rig.write_text(rig.read_text().replace("focal_length_mm = 530.0", "focal_length_mm = 265.0"))
    measured = json.loads(framecheck("frame", frame, "--rig", rig, "--json").out)
    scale = measured["fwhm_arcsec"] / measured["fwhm_px"]
    assert scale == pytest.approx(206.264806 * 3.76 / 265, rel=1e-4)  # what the rig file says wins


def test_rig_of_what_is_no_frame(night_folder: Path) -> None:
    ended = framecheck("rig", night_folder / "notes.txt")
    assert ended.code == 3
    assert ended.err.count("\n") == 1


@pytest.mark.skipif(sys.platform != "linux", reason="other systems take only UTF-8 names")
def test_names_that_are_no_text(tmp_path: Path) -> None:
    name = tmp_path / os.fsdecode(b"\x1b[31mcaf\xe9.fits")
    draw_light(tmp_path / "plain.fits", 0)
    (tmp_path / "plain.fits").rename(name)
    ended = framecheck("frame", name)
    assert ended.code == 0, ended.err
    assert ended.out.startswith("\\x1b[31mcaf\\xe9.fits\n")
    document = json.loads(framecheck("frame", name, "--json").out)
    assert document["file"].endswith("caf\\xe9.fits")


def test_an_ascii_terminal_breaks_nothing(night_folder: Path) -> None:
    frame = night_folder / "lights" / "field 1.fits"
    ended = framecheck("frame", frame, PYTHONIOENCODING="ascii", PYTHONUTF8="0", PYTHONCOERCECLOCALE="0")
    assert ended.code == 0, ended.err
    assert "480 ? 360 px" in ended.out


def test_the_demo_overwrites_nothing(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("precious")
    ended = framecheck("demo", "--into", tmp_path)
    assert ended.code == 2
    assert "nothing in it is overwritten" in ended.err
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


@pytest.mark.acceptance
def test_the_demo_night_is_judged(tmp_path: Path) -> None:
    ended = framecheck("demo", cwd=tmp_path)
    assert ended.code == 0, ended.err
    document = json.loads((tmp_path / "demo-night/report/night.json").read_text(encoding="utf-8"))
    assert document["source"]["n_measured"] >= 40
    grades = [frame["grade"] for frame in document["frames"]]
    assert grades.count("keep") > 20
    assert grades.count("reject") >= 2
    assert "Open demo-night/report/report.html" in ended.out.replace(os.sep, "/")
    assert not (tmp_path / "demo-night" / "unfinished").exists()
    truth = json.loads((tmp_path / "demo-night/truth.json").read_text(encoding="utf-8"))
    assert str(tmp_path) not in json.dumps(truth)
