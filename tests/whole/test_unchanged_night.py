"""A night that was judged and has not changed is not judged again; any change is noticed. All by closed form."""

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from small_night import Ended, draw_light, framecheck

UNCHANGED = "Nothing has changed since it was judged."


@pytest.fixture
def folder(night_folder: Path, tmp_path: Path) -> Path:
    """Three lights and a broken file."""
    night = tmp_path / "night"
    night.mkdir()
    for name in ("field 1.fits", "field 2.fits", "field 3.fits", "cut.fits"):
        shutil.copy2(night_folder / "lights" / name, night)
    return night


def judged(folder: Path, *words: str) -> Ended:
    place = folder.parent
    (place / "rig.toml").touch()
    ended = framecheck("night", folder, "--out", place / "report", "--rig", place / "rig.toml", "--workers", "1", *words,
                       FRAMECHECK_LOGBOOK=str(place / "book.sqlite"))  # fmt: skip
    assert ended.err == ""
    return ended


def test_an_unchanged_night_is_told_in_the_same_words(folder: Path) -> None:
    first = judged(folder)
    written = {path: path.stat().st_mtime_ns for path in (folder.parent / "report").iterdir()}
    second = judged(folder)
    assert (first.code, second.code) == (1, 1)  # one file could not be measured, then as now
    assert UNCHANGED not in first.out
    assert UNCHANGED in second.out
    told = first.out[: first.out.index("\nOpen ")]
    assert second.out.startswith(told)
    assert {path: path.stat().st_mtime_ns for path in (folder.parent / "report").iterdir()} == written
    document = judged(folder, "--json").out
    assert judged(folder, "--json").out == document


def rewrite(folder: Path) -> None:
    frame = folder / "field 2.fits"
    content = bytearray(frame.read_bytes())
    content[-3000] ^= 1
    frame.write_bytes(content)


def mend(folder: Path) -> None:
    (folder / "cut.fits").unlink()
    draw_light(folder / "cut.fits", 4)


@pytest.mark.parametrize(
    "change",
    [
        rewrite,
        mend,
        lambda folder: draw_light(folder / "another.fits", 5),
        lambda folder: (folder / "field 3.fits").unlink(),
        lambda folder: (folder / "field 3.fits").rename(folder / "field 9.fits"),
        lambda folder: os.utime(folder / "field 1.fits", (1, 1)),
        lambda folder: (folder / "note.txt").write_text("clouds"),
        lambda folder: (folder.parent / "rig.toml").write_text("focal_length_mm = 531.0\n"),
        lambda folder: (folder.parent / "report" / "report.html").unlink(),
        lambda folder: (folder.parent / "report" / "night.json").write_text("{}"),
        lambda folder: framecheck("logbook", "--logbook", folder.parent / "book.sqlite", "--forget-folder", folder),
    ],
)
def test_any_change_judges_again(change: Callable[[Path], object], folder: Path) -> None:
    judged(folder)
    change(folder)
    assert UNCHANGED not in judged(folder).out
    assert (folder.parent / "report" / "report.html").is_file()
    assert UNCHANGED in judged(folder).out


def test_another_aim_judges_again(folder: Path) -> None:
    judged(folder)
    assert UNCHANGED not in judged(folder, "--aim", "detail").out
