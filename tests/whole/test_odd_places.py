"""Links to themselves, pipes and sockets, wherever a command meets them: one sentence, and the night goes on."""

import json
import os
import shutil
import sys
from pathlib import Path

import pytest
from small_night import draw_light, framecheck

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="links and pipes of POSIX")


@pytest.fixture(scope="module")
def light(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("odd") / "light.fits"
    draw_light(path, 0)
    return path


@pytest.fixture
def odd(light: Path, tmp_path: Path) -> Path:
    """A folder of all that a folder can hold."""
    folder = tmp_path / "night"
    folder.mkdir()
    shutil.copy(light, folder / "light.fits")
    (folder / "README").symlink_to("README")
    (folder / "loop.fits").symlink_to("loop.fits")
    (folder / "there.fits").symlink_to("back.fits")
    (folder / "back.fits").symlink_to("there.fits")
    (folder / "nowhere.fits").symlink_to("not there")
    (folder / "again").symlink_to(folder)
    os.mkfifo(folder / "pipe.fits")
    (folder / "to a pipe.fits").symlink_to("pipe.fits")
    (folder / "zero.fits").symlink_to("/dev/zero")
    return folder


def test_a_night_with_links_in_a_circle_and_pipes_goes_on(odd: Path, tmp_path: Path) -> None:
    words = ("night", odd, "--out", odd / "report", "--logbook", tmp_path / "book.sqlite", "--workers", "1")
    ended = framecheck(*words)
    assert ended.code == 0, ended.err
    assert ended.err == ""
    document = json.loads((odd / "report" / "night.json").read_text())
    assert document["source"]["n_measured"] == 1
    why = {one["file"]: one["why"] for one in document["skipped"]}
    assert why["README"] == why["loop.fits"] == why["back.fits"] == "a link in a circle"
    assert why["nowhere.fits"] == "a link that leads nowhere"
    assert why["pipe.fits"] == why["zero.fits"] == "a device or pipe, not a file"


def test_a_list_that_names_pipes_and_devices_is_not_waited_for(odd: Path, tmp_path: Path) -> None:
    names = ["light.fits", "pipe.fits", "to a pipe.fits", "zero.fits", "loop.fits", "not there.fits", ".", "/dev/null"]
    (odd / "list.txt").write_text("\n".join(names))
    words = ("night", odd / "list.txt", "--out", tmp_path / "out", "--logbook", tmp_path / "book.sqlite")
    ended = framecheck(*words, "--workers", "1")
    assert ended.code == 1, ended.err
    document = json.loads((tmp_path / "out" / "night.json").read_text())
    failed = {one["file"]: one["failure"] for one in document["frames"] if one["status"] == "failed"}
    assert len(failed) == len(names) - 1
    assert "device or pipe" in failed["pipe.fits"]
    assert "device or pipe" in failed["to a pipe.fits"]
    assert not any("fault of framecheck" in why for why in failed.values())


@pytest.mark.parametrize("place", ["loop", "loop/below", "pipe", "pipe/below", "x" * 300])
def test_output_to_an_odd_place_is_one_sentence(light: Path, tmp_path: Path, place: str) -> None:
    (tmp_path / "loop").symlink_to("loop")
    os.mkfifo(tmp_path / "pipe")
    there = tmp_path / place
    for words in (
        ("night", light.parent, "--out", there, "--no-logbook", "--workers", "1"),
        ("rig", light, "--into", there),
        ("demo", "--into", there),
    ):
        ended = framecheck(*words)
        assert ended.code == 2, (words[0], ended)
        assert ended.err.count("\n") == 1
        assert "fault of framecheck" not in ended.err


@pytest.mark.parametrize("place", ["loop", "pipe", "nowhere", "folder"])
def test_odd_files_to_read_are_one_sentence(light: Path, tmp_path: Path, place: str) -> None:
    (tmp_path / "loop").symlink_to("loop")
    (tmp_path / "nowhere").symlink_to("not there")
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "pipe")
    there, out = tmp_path / place, ("--out", tmp_path / "out", "--no-logbook")
    for words in (
        ("night", light.parent, "--rig", there, *out),
        ("night", light.parent, "--guiding", there, *out),
        *([("night", there, *out)] if place != "folder" else []),
    ):
        ended = framecheck(*words)
        assert ended.code == 2, (words, ended)
        assert ended.err.count("\n") == 1
        assert "fault of framecheck" not in ended.err
