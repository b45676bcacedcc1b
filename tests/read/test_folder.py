"""What counts as a frame in a folder."""

import os
from pathlib import Path

import pytest

from framecheck.errors import UnusableRequest
from framecheck.read.folder import find_frames, find_others


def test_frames_in_any_spelling_sorted_and_deep(tmp_path: Path) -> None:
    names = ["b.FITS", "a.fit", "c.fts", "d.fits.fz", "e.Fits.GZ", "lights/f.fits", "lights/deep/g.FIT"]
    for name in [*names, "notes.txt", "h.fits.bak", ".hidden.fits", ".dir/i.fits", "j.xisf", "fits"]:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(name)
    frames = find_frames(tmp_path)
    assert [path.relative_to(tmp_path).as_posix() for path in frames] == [
        "a.fit", "b.FITS", "c.fts", "d.fits.fz", "e.Fits.GZ", "lights/f.fits", "lights/deep/g.FIT",
    ]  # fmt: skip
    others = find_others(tmp_path)
    assert [path.name for path, _ in others] == ["fits", "h.fits.bak", "j.xisf", "notes.txt"]
    assert others[-1][1] == "its name does not end in .fits, .fit or .fts"


def test_links_in_a_circle_end(tmp_path: Path) -> None:
    (tmp_path / "a.fits").write_text("a")
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "up").symlink_to(tmp_path)
    (tmp_path / "self").symlink_to(tmp_path / "self")
    (tmp_path / "twin.fits").symlink_to(tmp_path / "a.fits")
    assert [path.name for path in find_frames(tmp_path)] == ["a.fits"]
    assert find_others(tmp_path) == [
        (tmp_path / "self", "a link in a circle"),
        (tmp_path / "sub" / "up", "a link to a folder that was met already"),
    ]


def test_linked_folders_are_followed(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "a.fits").write_text("a")
    (tmp_path / "night").mkdir()
    (tmp_path / "night" / "lights").symlink_to(tmp_path / "elsewhere")
    assert [path.name for path in find_frames(tmp_path / "night")] == ["a.fits"]


def test_pipes_are_named_not_opened(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.fits")
    assert find_frames(tmp_path) == []
    assert find_others(tmp_path)[0][1] == "a device or pipe, not a file"


@pytest.mark.parametrize("name", ["nowhere", "file"])
def test_no_folder(tmp_path: Path, name: str) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(UnusableRequest, match="no such folder"):
        find_frames(tmp_path / name)


def test_an_empty_folder_has_no_frames(tmp_path: Path) -> None:
    assert find_frames(tmp_path) == []
