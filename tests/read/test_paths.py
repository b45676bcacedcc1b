"""Whatever lies under a path from outside becomes a path, an answer or a sentence; nothing is waited for."""

import os
import socket
import sys
from contextlib import suppress
from pathlib import Path

import pytest

from framecheck.errors import UnusableRequest
from framecheck.read.paths import NoPlainFile, lies_in, open_plain, read_plain, whole_path

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="links and pipes of POSIX")


def test_a_link_to_itself_is_told_in_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "README").symlink_to("README")
    with pytest.raises(UnusableRequest, match="links lead in a circle"):
        whole_path(tmp_path / "README")
    with pytest.raises(UnusableRequest, match="links lead in a circle"):
        whole_path(tmp_path / "README" / "below")


@pytest.mark.parametrize("name", ["a\0b", "x" * 5000, "\ud800", "not there/at all", "."])
def test_no_name_raises_anything_but_a_sentence(tmp_path: Path, name: str) -> None:
    with suppress(UnusableRequest):
        assert whole_path(tmp_path / name).is_absolute()
    lies_in(tmp_path / name, tmp_path)


def test_a_folder_that_is_gone_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    gone = tmp_path / "gone"
    gone.mkdir()
    monkeypatch.chdir(gone)
    gone.rmdir()
    with pytest.raises(UnusableRequest, match="is gone"):
        whole_path(Path("night"))


def test_what_lies_in_a_folder_is_told_by_where_links_lead(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "in" / "out").symlink_to(tmp_path / "elsewhere")
    (tmp_path / "in" / "loop").symlink_to("loop")
    assert lies_in(tmp_path / "in" / "a.fits", tmp_path / "in")
    assert lies_in(tmp_path / "in" / "loop", tmp_path / "in")
    assert not lies_in(tmp_path / "in" / "out" / "a.fits", tmp_path / "in")
    assert not lies_in(tmp_path / "in" / ".." / "a.fits", tmp_path / "in")
    assert not lies_in(tmp_path / "in", tmp_path / "in")


@pytest.mark.parametrize("link", [False, True])
def test_a_pipe_is_never_waited_for(tmp_path: Path, link: bool) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    if link:
        (tmp_path / "link").symlink_to(pipe)
        pipe = tmp_path / "link"
    with pytest.raises(NoPlainFile):
        open_plain(pipe)


def test_only_plain_files_are_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)  # the name of a socket may not be long
    with socket.socket(socket.AF_UNIX) as ear:
        ear.bind("socket")
        with pytest.raises(NoPlainFile):
            open_plain(Path("socket"))
    with pytest.raises(NoPlainFile):
        open_plain(Path("/dev/zero"))
    with pytest.raises(IsADirectoryError):
        open_plain(tmp_path)
    with pytest.raises(OSError, match="NUL"):
        open_plain(tmp_path / "a\0b")


def test_a_file_of_text_may_not_be_endless(tmp_path: Path) -> None:
    (tmp_path / "long.txt").write_bytes(b"x" * 1001)
    assert read_plain(tmp_path / "long.txt", most_bytes=1001) == b"x" * 1001
    with pytest.raises(OSError, match="larger than"):
        read_plain(tmp_path / "long.txt", most_bytes=1000)
