"""Files whole or not at all, and a sentence where they cannot be."""

import errno
from pathlib import Path

import by_hand
import pytest

from framecheck.errors import UnusableRequest
from framecheck.report import write


def test_a_night_becomes_its_files_and_nothing_else(tmp_path: Path) -> None:
    written = write.write_night(by_hand.judgement(3), tmp_path / "new" / "report", stars=True)
    assert sorted(path.name for path in (tmp_path / "new" / "report").iterdir()) == sorted(write.FILES)
    assert written.stars is not None
    assert written.page.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert b"\r\n" in written.frames.read_bytes()


def test_stars_are_written_only_when_asked_for(tmp_path: Path) -> None:
    assert write.write_night(by_hand.judgement(1), tmp_path).stars is None
    assert not (tmp_path / "stars.parquet").exists()


def test_writing_twice_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        write.write_night(by_hand.with_causes(by_hand.judgement(4)), tmp_path / name, stars=True)
    for name in write.FILES:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes(), name


def test_a_failure_leaves_the_earlier_file_and_no_scraps(tmp_path: Path) -> None:
    path = tmp_path / "night.json"
    path.write_text("earlier")

    def fill_the_disk(beside: Path) -> None:
        beside.write_text("half of i")
        raise OSError(errno.ENOSPC, "No space left on device")

    with pytest.raises(UnusableRequest, match=r"night\.json: cannot be written: the disk is full\. Make room"):
        write.replace_file(path, fill_the_disk)
    assert [found.name for found in tmp_path.iterdir()] == ["night.json"]
    assert path.read_text() == "earlier"


def test_an_interrupt_leaves_no_scraps(tmp_path: Path) -> None:
    def stop(beside: Path) -> None:
        beside.write_text("half")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write.replace_file(tmp_path / "a", stop)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.EROFS, "may only be read"),
        (errno.EACCES, "no permission"),
        (errno.ENAMETOOLONG, "too long"),
        (errno.EIO, "Choose another place"),
    ],
)
def test_each_refusal_of_the_system_is_a_sentence(
    number: int, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*args: object, **kwargs: object) -> None:
        raise OSError(number, "refused")

    monkeypatch.setattr(Path, "mkdir", refuse)
    with pytest.raises(UnusableRequest, match=words):
        write.prepare_folder(tmp_path / "report")


def test_a_file_where_the_folder_should_be(tmp_path: Path) -> None:
    (tmp_path / "report").write_text("a file")
    with pytest.raises(UnusableRequest, match="there is a file of that name"):
        write.prepare_folder(tmp_path / "report")
    with pytest.raises(UnusableRequest, match="a part of the path is a file"):
        write.prepare_folder(tmp_path / "report" / "inner")
