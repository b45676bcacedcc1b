"""`framecheck night` from a folder of files to a folder of results."""

import hashlib
import json
import re
import shutil
from pathlib import Path

import pyarrow.parquet
import pytest
from small_night import FWHM_PX, draw_dark, framecheck


def state(folder: Path) -> dict[str, tuple[str, int]]:
    """Content and time of every file."""
    return {
        str(path): (hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns)
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def out(night_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("out") / "report"
    before = state(night_folder)
    ended = framecheck("night", night_folder, "--out", folder, "--workers", "1", "--stars")
    assert ended.code == 1, ended.err  # done, but two files could not be measured
    assert ended.err == ""  # no progress in a pipe
    assert f"Open {folder / 'report.html'}" in ended.out
    assert state(night_folder) == before  # a user's frames are never changed
    (folder.parent / "said.txt").write_text(ended.out, encoding="utf-8")
    return folder


def test_the_summary_is_for_a_person(out: Path) -> None:
    said = (out.parent / "said.txt").read_text(encoding="utf-8")
    assert said.startswith("Test field, 1 March 2025\n")
    assert re.search(r"^Stack +5 of 5", said, flags=re.MULTILINE)
    for name in ("lights/cut.fits", "lights/empty.fit"):
        (line,) = [line for line in said.splitlines() if name in line]
        assert line.endswith(".")
    assert "\x1b" not in said


def test_night_json_tells_what_was_drawn(out: Path) -> None:
    document = json.loads((out / "night.json").read_text(encoding="utf-8"))
    assert document["source"] == {
        "folder": document["source"]["folder"], "n_files": 9, "n_measured": 5, "n_failed": 2,
    }  # fmt: skip
    measured = [frame for frame in document["frames"] if frame["status"] == "measured"]
    assert [frame["file"] for frame in measured] == [f"lights/field {i}.fits" for i in range(1, 6)]
    for index, frame in enumerate(measured):
        # drawn without integrating over pixels: the star is what is left when the pixel's variance of 1/12 px2 is
        # taken out of it (closed form for Gaussians)
        assert frame["fwhm_px"] == pytest.approx((FWHM_PX**2 - 2.3548**2 / 12) ** 0.5, rel=0.03)
        assert frame["elongation"] == pytest.approx(1, abs=0.03)
        assert frame["grade"] == "keep"
        reference = measured[0]["shift_x_px"]
        assert frame["shift_x_px"] - reference == pytest.approx(1.5 * index, abs=0.1)
    skipped = {one["file"]: one["kind"] for one in document["skipped"]}
    assert skipped == {"darks/dark.fits": "dark", "notes.txt": "not a frame"}
    assert document["rig"]["pixel_scale_arcsec"] == pytest.approx(206.264806 * 3.76 / 530, rel=1e-4)


def test_the_other_files_are_there(out: Path) -> None:
    assert sorted(path.name for path in out.iterdir()) == ["frames.csv", "night.json", "report.html", "stars.parquet"]
    assert len((out / "frames.csv").read_bytes().split(b"\r\n")) == 1 + 7 + 1
    assert len(set(pyarrow.parquet.read_table(out / "stars.parquet")["file"].to_pylist())) == 5
    assert "Test field, 1 March 2025" in (out / "report.html").read_text(encoding="utf-8")


def test_json_is_what_is_written_and_the_same_the_second_time(out: Path, night_folder: Path, tmp_path: Path) -> None:
    ended = framecheck("night", night_folder, "--out", tmp_path, "--json", "--workers", "2")
    assert ended.code == 1
    assert json.loads(ended.out) == json.loads((out / "night.json").read_text(encoding="utf-8"))
    for name in ("night.json", "frames.csv", "report.html"):
        assert (tmp_path / name).read_bytes() == (out / name).read_bytes(), name


def test_a_report_inside_the_folder_is_not_taken_for_frames(night_folder: Path, tmp_path: Path) -> None:
    folder = tmp_path / "night"
    folder.mkdir()
    for index in (1, 2):
        shutil.copy(night_folder / "lights" / f"field {index}.fits", folder)
    (folder / "report").mkdir()
    for earlier in (folder / "report" / "frames.csv", folder / "frames.csv"):
        earlier.write_text("of an earlier run")
    for inside, n_files in ((folder / "report", 3), (folder, 5)):  # what lies there of the other report is told
        ended = framecheck("night", folder, "--out", inside, "--quiet", "--workers", "1")
        assert (ended.code, ended.out, ended.err) == (0, "", "")
        assert json.loads((inside / "night.json").read_text())["source"]["n_files"] == n_files


def test_folders_without_lights(tmp_path: Path) -> None:
    out = tmp_path / "out"
    missing = framecheck("night", tmp_path / "none", "--out", out)
    assert missing.code == 2
    assert "there is no such folder" in missing.err
    empty = tmp_path / "empty"
    empty.mkdir()
    nothing = framecheck("night", empty, "--out", out)
    assert nothing.code == 3
    assert "holds no FITS file" in nothing.err
    assert not out.exists()
    draw_dark(tmp_path / "darks" / "dark.fits")
    darks = framecheck("night", tmp_path / "darks", "--out", out, "--workers", "1")
    assert darks.code == 3
    assert "no light frames, only dark frames" in darks.err
    junk = tmp_path / "junk"
    junk.mkdir()
    for name in ("a.fits", "b.fits"):
        (junk / name).write_bytes(b"this isn't a FITS file" * 300)
    failed = framecheck("night", junk, "--out", out, "--workers", "1")
    assert failed.code == 3
    assert [line.split()[0] for line in failed.err.splitlines()] == ["a.fits", "b.fits", "framecheck:"]
    for ended in (missing, nothing, darks, failed):
        assert "Traceback" not in ended.err
        assert ended.out == ""


def test_a_wrong_rig_file_stops_before_anything_starts(night_folder: Path, tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text('[optics]\nfocal_length_mm = "long"\n')
    ended = framecheck("night", night_folder, "--out", tmp_path / "out", "--rig", rig)
    assert ended.code == 2
    assert "line 2" in ended.err
    assert "focal_length_mm" in ended.err
    assert not (tmp_path / "out").exists()


def test_an_output_that_cannot_be_stops_before_anything_is_measured(night_folder: Path, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    ended = framecheck("night", night_folder, "--out", tmp_path / "out")
    assert ended.code == 2
    assert "there is a file of that name" in ended.err
