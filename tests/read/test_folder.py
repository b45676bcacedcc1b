"""What counts as a frame in a folder."""

import errno
import os
import socket
from collections.abc import Callable, Iterator
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
        (tmp_path / "sub" / "up", "a link to a folder that was met already, or holds this one"),
    ]


def test_linked_folders_are_followed(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "a.fits").write_text("a")
    (tmp_path / "night").mkdir()
    (tmp_path / "night" / "lights").symlink_to(tmp_path / "elsewhere")
    assert [path.name for path in find_frames(tmp_path / "night")] == ["a.fits"]


def test_pipes_sockets_and_devices_are_named_not_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    os.mkfifo(tmp_path / "pipe.fits")
    (tmp_path / "device.fits").symlink_to("/dev/null")
    monkeypatch.chdir(tmp_path)  # names of sockets are short
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind("socket.fits")
        assert find_frames(tmp_path) == []
        told = {path.name: why for path, why in find_others(tmp_path)}
    assert told == dict.fromkeys(("pipe.fits", "device.fits", "socket.fits"), "a device or pipe, not a file")


def test_two_folders_that_link_to_each_other_end(tmp_path: Path) -> None:
    for one, other in (("a", "b"), ("b", "a")):
        (tmp_path / one).mkdir()
        (tmp_path / one / f"{one}.fits").write_text(one)
        (tmp_path / one / "over").symlink_to(tmp_path / other)
    assert [path.name for path in find_frames(tmp_path)] == ["a.fits", "b.fits"]
    assert {why for _, why in find_others(tmp_path)} == {"a link to a folder that was met already, or holds this one"}


def test_a_folder_that_cannot_be_looked_into_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "gone").mkdir()
    (tmp_path / "a.fits").write_text("a")
    real = Path.iterdir

    def refuse(folder: Path) -> Iterator[Path]:
        if folder.name == "gone":
            raise OSError(errno.EIO, "Input/output error")
        return real(folder)

    monkeypatch.setattr(Path, "iterdir", refuse)
    assert [path.name for path in find_frames(tmp_path)] == ["a.fits"]
    assert find_others(tmp_path) == [(tmp_path / "gone", "a folder that may not be read, or is gone")]


@pytest.mark.parametrize("name", ["nowhere", "file"])
def test_no_folder(tmp_path: Path, name: str) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(UnusableRequest, match=r"no such folder|is a file, not a folder"):
        find_frames(tmp_path / name)


def test_an_empty_folder_has_no_frames(tmp_path: Path) -> None:
    assert find_frames(tmp_path) == []


def test_a_folder_of_which_only_the_names_may_be_read_does_not_end_the_night(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """POSIX: reading a folder takes its r, reaching what is in it its x."""
    (tmp_path / "closed").mkdir()
    for name in ("a.fits", "closed/b.fits"):
        (tmp_path / name).write_text(name)
    for call in ("stat", "lstat"):
        monkeypatch.setattr(os, call, _closed(getattr(os, call), tmp_path / "closed"))
    assert [path.name for path in find_frames(tmp_path)] == ["a.fits"]
    assert [(path.name, why) for path, why in find_others(tmp_path)] == [("b.fits", "cannot be opened")]


def _closed(call: Callable[..., os.stat_result], folder: Path) -> Callable[..., os.stat_result]:
    def state(path: Path, **named: bool) -> os.stat_result:
        if folder in Path(os.fspath(path)).parents:
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
        return call(path, **named)

    return state
