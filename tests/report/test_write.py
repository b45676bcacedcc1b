"""Files whole or not at all, and a sentence where they cannot be."""

import errno
import os
import stat
from pathlib import Path
from typing import BinaryIO

import by_hand
import pytest

from framecheck.errors import UnusableRequest
from framecheck.report import publish, write


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

    def fill_the_disk(file: BinaryIO) -> None:
        file.write(b"half of i")
        raise OSError(errno.ENOSPC, "No space left on device")

    with pytest.raises(UnusableRequest, match=r"night\.json: cannot be written: the disk is full\. Make room"):
        publish.replace_file(path, fill_the_disk)
    assert [found.name for found in tmp_path.iterdir()] == ["night.json"]
    assert path.read_text() == "earlier"


def test_an_interrupt_leaves_no_scraps(tmp_path: Path) -> None:
    def stop(file: BinaryIO) -> None:
        file.write(b"half")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        publish.replace_file(tmp_path / "a", stop)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.EROFS, "may only be read"),
        (errno.EACCES, "no permission"),
        (errno.ENAMETOOLONG, "too long"),
        (errno.EIO, "the disk failed"),
        (errno.EUCLEAN, "Choose another place"),
    ],
)
def test_each_refusal_of_the_system_is_a_sentence(
    number: int, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*args: object, **kwargs: object) -> None:
        raise OSError(number, "refused")

    monkeypatch.setattr(Path, "mkdir", refuse)
    with pytest.raises(UnusableRequest, match=words):
        publish.prepare_folder(tmp_path / "report")


def test_a_file_where_the_folder_should_be(tmp_path: Path) -> None:
    (tmp_path / "report").write_text("a file")
    with pytest.raises(UnusableRequest, match="there is a file of that name"):
        publish.prepare_folder(tmp_path / "report")
    with pytest.raises(UnusableRequest, match="a part of the path is a file"):
        publish.prepare_folder(tmp_path / "report" / "inner")


def test_names_beside_cannot_be_foreseen_and_nobody_else_may_enter(tmp_path: Path) -> None:
    # what stands there under the names of the files is not written through: links of another user
    victim = tmp_path / "victim"
    victim.write_text("not yours")
    names, modes = [], []

    def look(file: BinaryIO) -> None:
        (beside,) = (path for path in (tmp_path / "out").iterdir() if path.name.startswith("."))
        names.append(beside.name)
        modes.append(stat.S_IMODE(beside.stat().st_mode))
        with pytest.raises(FileExistsError), publish._created(beside / "a"):
            pass
        (beside / "b").symlink_to(victim)
        file.write(b"new")

    (tmp_path / "out").mkdir()
    for _ in range(2):
        publish.replace_file(tmp_path / "out" / "a", look)
    assert len(set(names)) == 2
    assert modes == [0o700, 0o700]
    with pytest.raises(UnusableRequest, match="there is a file of that name"):
        publish.publish(tmp_path / "out", {"a": look, "b": look})
    assert victim.read_text() == "not yours"


def test_a_link_in_the_place_of_a_report_is_replaced_not_followed(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_text("not yours")
    out = tmp_path / "out"
    out.mkdir()
    for name in write.FILES:
        (out / name).symlink_to(victim)
    write.write_night(by_hand.judgement(1), out)
    assert victim.read_text() == "not yours"
    assert not (out / "report.html").is_symlink()


SET = ("night.json", "frames.csv", "report.html")


def filled(with_what: bytes) -> dict[str, publish.Fill]:
    return {name: lambda file: file.write(with_what) for name in SET}


@pytest.mark.parametrize("failing", range(7))
def test_a_set_is_put_into_place_together_or_not_at_all(
    failing: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    publish.publish(tmp_path, filled(b"old"))
    real, moves = Path.replace, []

    def replace(self: Path, target: Path) -> Path:
        moves.append(self)
        if len(moves) == failing + 1:
            raise OSError(errno.EIO, "failed")
        return real(self, target)

    monkeypatch.setattr(Path, "replace", replace)
    with pytest.raises(UnusableRequest, match="the disk failed"):
        publish.publish(tmp_path, filled(b"new"))
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == dict.fromkeys(SET, b"old")


def test_a_folder_in_the_way_is_not_moved(tmp_path: Path) -> None:
    (tmp_path / "report.html").mkdir()
    (tmp_path / "report.html" / "a").write_text("yours")
    with pytest.raises(UnusableRequest, match="there is a folder of that name"):
        publish.publish(tmp_path, filled(b"new"))
    assert [path.name for path in tmp_path.iterdir()] == ["report.html"]
    assert (tmp_path / "report.html" / "a").read_text() == "yours"


@pytest.mark.skipif(os.name == "nt", reason="fork")
def test_a_process_that_is_killed_leaves_files_of_one_set_and_the_next_tidies_up(tmp_path: Path) -> None:
    for after in range(12):
        place = tmp_path / str(after)
        place.mkdir()
        publish.publish(place, filled(b"old"))
        child = os.fork()
        if child == 0:
            killed_at_the_move(after)
            publish.publish(place, filled(b"new"))
            os._exit(0)
        ended = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        found = {path.name: path.read_bytes() for path in place.iterdir() if not path.name.startswith(".")}
        assert len(set(found.values())) <= 1, (after, found)
        if "report.html" in found:
            assert set(found) == set(SET)
        publish.publish(place, filled(b"third"))
        left = {path.name for path in place.iterdir()} - set(SET)
        assert not {name for name in left if name.endswith(".part")}
    assert ended == 0


def killed_at_the_move(number: int) -> None:
    """End this process at one of the next moves of files."""
    real, moves = Path.replace, []

    def replace(self: Path, target: Path) -> Path:
        if len(moves) == number:
            os._exit(9)
        moves.append(self)
        return real(self, target)

    Path.replace = replace  # type: ignore[method-assign]


def test_a_report_does_not_tell_where_on_this_machine_it_was_made(tmp_path: Path) -> None:
    from dataclasses import replace

    made = by_hand.judgement(3)
    night = replace(made.night, folder=tmp_path / "nights" / "2024-03-12")
    made = replace(made, night=night)
    write.write_night(made, tmp_path / "shared")
    for name in (write.NIGHT, write.FRAMES, write.PAGE):
        assert tmp_path.name not in (tmp_path / "shared" / name).read_text(), name
    write.write_night(made, tmp_path / "mine", absolute_paths=True)
    assert str(tmp_path / "nights" / "2024-03-12") in (tmp_path / "mine" / write.NIGHT).read_text()
