"""Taking a sort back where frames were lost, and where the journal is somebody else's."""

import json
import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from test_sort import NAMES, contents, judged, lights  # noqa: F401 - the fixture

from framecheck.cli.sort_command import sort_folder, take_back
from framecheck.errors import UnusableRequest
from framecheck.logbook import Logbook
from framecheck.sort.carry_out import carry_out
from framecheck.sort.journal import JOURNAL
from framecheck.sort.plan import plan_sort
from framecheck.sort.records import Way
from framecheck.sort.undo import undo


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    with Logbook(tmp_path / "book.sqlite") as book:
        yield book


@pytest.fixture
def moved(lights: Path, tmp_path: Path, book: Logbook) -> Path:  # noqa: F811
    carry_out(plan_sort(lights, tmp_path / "out", None, "move"), logbook=book)
    return tmp_path / "out"


def test_a_lost_frame_is_told_and_the_journal_stays_until_it_is_back(
    lights: Path,  # noqa: F811
    moved: Path,
    book: Logbook,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    (moved / "keep" / "light 1.fits").rename(tmp_path / "away.fits")
    assert take_back(moved, None, book) == 1
    told = capsys.readouterr()
    assert "\n4 files moved back.\n" not in told.out  # one could not be: the sentence goes on
    assert "4 files moved back. 1 file could not be put back" in told.out
    assert "is neither there nor where it came from" in told.err
    assert (moved / JOURNAL).exists()
    assert take_back(moved, None, book) == 1
    assert "4 already undone. 1 file could not be put back" in capsys.readouterr().out
    (tmp_path / "away.fits").rename(lights / "light 1.fits")
    assert take_back(moved, None, book) == 0
    assert not moved.exists()
    assert {name for name in contents(lights) if name != "night.json"} == set(NAMES)


def test_another_file_in_the_place_of_a_lost_frame_is_not_taken_for_it(
    lights: Path,  # noqa: F811
    moved: Path,
    book: Logbook,
) -> None:
    (moved / "keep" / "light 1.fits").unlink()
    (lights / "light 1.fits").write_bytes(bytes(1000))  # of the same size, but of today
    undone = undo(moved, logbook=book)
    assert undone.n_moved_back == 4
    assert [name for name, _ in undone.problems] == ["keep/light 1.fits"]
    assert "another file of its name" in undone.problems[0][1]


def test_copies_that_are_removed_are_counted_as_copies(lights: Path, tmp_path: Path, book: Logbook) -> None:  # noqa: F811
    into = tmp_path / "out"
    carry_out(plan_sort(lights, into, None, "copy"), logbook=book)
    judged(lights, dict.fromkeys(NAMES, "doubtful"))
    carry_out(plan_sort(lights, into, None, "copy"), logbook=book)
    undone = undo(into, logbook=book)
    assert (undone.n_moved_back, undone.n_copies_removed, undone.n_in_place) == (0, 9, 0)  # one was doubtful before
    assert undone.problems == ()
    assert not into.exists()


def test_a_place_that_takes_no_journal_is_left_as_it_was(lights: Path, tmp_path: Path) -> None:  # noqa: F811
    (tmp_path / "out").write_text("a file")
    with pytest.raises(
        UnusableRequest, match=r"Nothing was done; put that right, or choose another folder, then sort"
    ) as why:
        carry_out(plan_sort(lights, tmp_path / "out" / "deep", None, "copy"))
    assert "--undo" not in str(why.value)
    (tmp_path / "out").unlink()
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / JOURNAL).symlink_to(tmp_path / "theirs")
    with pytest.raises(UnusableRequest):
        carry_out(plan_sort(lights, tmp_path / "out", None, "copy"))
    assert not (tmp_path / "theirs").exists()


def test_a_half_line_of_an_earlier_sort_does_not_spoil_the_journal(
    lights: Path,  # noqa: F811
    tmp_path: Path,
) -> None:
    before, into = contents(lights), tmp_path / "out"
    carry_out(plan_sort(lights, into, None, "copy"))
    with (into / JOURNAL).open("ab") as journal:
        journal.write(b'{"step": "beg')
    judged(lights, dict.fromkeys(NAMES, "doubtful"))
    carry_out(plan_sort(lights, into, None, "copy"))
    assert undo(into, frames=lights).n_copies_removed == 9
    judged(lights, NAMES)
    assert contents(lights) == before


@pytest.mark.parametrize("way", ["copy", "move", "link"])
def test_the_journal_tells_no_whole_path(lights: Path, tmp_path: Path, book: Logbook, way: Way) -> None:  # noqa: F811
    into = tmp_path / "new" / "sorted"
    carry_out(plan_sort(lights, into, None, way), logbook=book)
    assert str(tmp_path) not in (into / JOURNAL).read_text()
    assert undo(into, logbook=book).problems == ()
    assert not into.parent.exists()


def forged(into: Path, root: Path, number: str | None = None) -> Path:
    """A folder as somebody else might send it: a frame in it belongs, so its journal says, under any root."""
    (into / "keep").mkdir(parents=True)
    (into / "keep" / "planted").write_text("do evil")
    lines = [
        {"step": "begin", "version": 2, "id": number, "way": "move", "frames": str(root), "made": 9},
        {"step": "place", "source": "planted", "target": "keep/planted", "n_bytes": 7},
        {"step": "end"},
    ]
    (into / JOURNAL).write_text("".join(json.dumps(line) + "\n" for line in lines))
    return into


@pytest.mark.parametrize("root", ["/", "victim", "../victim", "."])
@pytest.mark.parametrize("number", [None, "0" * 32])
def test_a_foreign_journal_plants_no_file(tmp_path: Path, book: Logbook, root: str, number: str | None) -> None:
    (tmp_path / "victim").mkdir()
    into = forged(tmp_path / "out", tmp_path / "victim" if root == "victim" else Path(root), number)
    before = contents(tmp_path / "out")
    for logbook in (None, book):
        with pytest.raises(UnusableRequest, match=r"your logbook does not know .* --frames ") as why:
            undo(into, logbook=logbook)
        assert os.path.normpath(into / root) in str(why.value) or root == "victim"  # where it would go is shown
    assert contents(tmp_path / "out") == before
    assert not any((tmp_path / "victim").iterdir())


def test_a_journal_that_was_given_away_and_came_back_forged_stays_below_its_own_frames(
    lights: Path,  # noqa: F811
    moved: Path,
    book: Logbook,
    tmp_path: Path,
) -> None:
    begun = json.loads((moved / JOURNAL).read_text().split("\n")[0])
    for name in NAMES:
        (lights / name).parent.mkdir(exist_ok=True)
    shutil.rmtree(moved)
    forged(moved, tmp_path / "victim", begun["id"])
    assert undo(moved, logbook=book).n_moved_back == 1
    assert (lights / "planted").exists()
    assert not (tmp_path / "victim").exists()
    elsewhere = forged(tmp_path / "elsewhere", tmp_path / "victim", begun["id"])
    with pytest.raises(UnusableRequest, match="your logbook does not know"):
        undo(elsewhere, logbook=book)


def test_the_folder_of_the_frames_vouches_where_the_logbook_does_not(
    lights: Path,  # noqa: F811
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    before, into = contents(lights), tmp_path / "out"
    sort_folder(lights, into, None, "move", None, yes=True)
    assert f"--undo {into} --frames {lights}" in capsys.readouterr().out
    with pytest.raises(UnusableRequest, match=r"--frames"):
        take_back(into)
    assert take_back(into, lights) == 0
    assert contents(lights) == before


def test_an_old_journal_with_a_whole_path_is_taken_back_if_the_user_says_where_to(tmp_path: Path) -> None:
    into, root = tmp_path / "out", tmp_path / "lights"
    root.mkdir()
    (into / "keep").mkdir(parents=True)
    (into / "keep" / "a.fits").write_bytes(b"frame")
    lines = [
        {"step": "begin", "version": 1, "way": "move", "frames": str(root), "made": [str(into)]},
        {"step": "folder", "target": "keep"},
        {"step": "place", "source": "a.fits", "target": "keep/a.fits", "n_bytes": 5},
        {"step": "end"},
    ]
    (into / JOURNAL).write_text("".join(json.dumps(line) + "\n" for line in lines))
    with pytest.raises(UnusableRequest, match="your logbook does not know"):
        undo(into)
    assert undo(into, frames=root).n_moved_back == 1
    assert (root / "a.fits").read_bytes() == b"frame"
    assert not into.exists()


def test_a_journal_that_was_emptied_is_not_taken_for_one_that_is_done(moved: Path, book: Logbook) -> None:
    before = contents(moved)
    (moved / JOURNAL).write_bytes(b"")
    with pytest.raises(UnusableRequest, match="does not tell of any sort"):
        undo(moved, logbook=book)
    assert {name for name in contents(moved) if name != JOURNAL} == {name for name in before if name != JOURNAL}


@pytest.mark.skipif(os.name == "nt" or sys.platform == "darwin", reason="names are Unicode there")
def test_folders_whose_names_are_no_unicode_are_sorted_into_and_taken_back(
    lights: Path,  # noqa: F811
    tmp_path: Path,
    book: Logbook,
) -> None:
    before, into = contents(lights), tmp_path / os.fsdecode(b"caf\xe9")
    assert not carry_out(plan_sort(lights, into, None, "move"), logbook=book)  # SQLite holds UTF-8 only
    assert undo(into, frames=lights, logbook=book).problems == ()
    assert contents(lights) == before


def test_a_sort_of_a_number_that_is_no_text_is_nobodys(moved: Path, book: Logbook) -> None:
    journal = (moved / JOURNAL).read_text()
    begin, rest = journal.split("\n", 1)
    (moved / JOURNAL).write_text(json.dumps(json.loads(begin) | {"id": "\udcff"}) + "\n" + rest)
    with pytest.raises(UnusableRequest, match="isn't a journal that framecheck sort wrote"):
        undo(moved, logbook=book)
