"""Sorting frames into folders and putting them back, whatever happens in between."""

import errno
import io
import json
import os
import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from framecheck.cli import sort_command
from framecheck.cli.sort_command import sort_folder, take_back
from framecheck.errors import CannotFinish, NothingMeasured, UnusableRequest
from framecheck.sort import files
from framecheck.sort.carry_out import carry_out
from framecheck.sort.journal import JOURNAL
from framecheck.sort.plan import counts, plan_sort
from framecheck.sort.records import Way
from framecheck.sort.undo import Undone
from framecheck.sort.undo import undo as undo_sort

NAMES = {
    "light 1.fits": "keep",
    "-dash.fits": "doubtful",
    "été/µ Céphée.fits": "keep",
    "new\nline.fits": "reject",
    "\x1b[31m<b>.fits": "reject",
}
WAYS: tuple[Way, ...] = ("copy", "move", "link")


@pytest.fixture
def lights(tmp_path: Path) -> Path:
    folder = tmp_path / "lights"
    for number, name in enumerate(NAMES):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(bytes([number]) * (1000 + number))
        os.utime(path, (1e9, 1e9))
    judged(folder, NAMES)
    return folder


def judged(folder: Path, grades: dict[str, str | None] | dict[str, str]) -> None:
    frames = [{"file": name, "grade": grade} for name, grade in grades.items()]
    (folder / "night.json").write_text(json.dumps({"frames": frames}), encoding="utf-8")


def contents(folder: Path) -> dict[str, Any]:
    return {
        path.relative_to(folder).as_posix(): path.readlink() if path.is_symlink() else path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_symlink() or path.is_file()
    }


@pytest.mark.parametrize("way", WAYS)
def test_files_of_a_raw_go_with_it_and_come_back(tmp_path: Path, way: Way) -> None:
    folder, into = tmp_path / "lights", tmp_path / "sorted"
    folder.mkdir()
    names = "A 1.dng", "A 1.xmp", "A 1.dng.txt", "A 1.jpg", "A 10.dng", "A 10.xmp", "B.fits", "B.txt", "notes.txt"
    for name in names:
        (folder / name).write_text(name)
        os.utime(folder / name, (1e9, 1e9))
    judged(folder, {"A 1.dng": "keep", "A 10.dng": "reject", "B.fits": "keep"})
    os.utime(folder / "A 1.xmp")  # edited since the night was judged
    before = contents(folder)
    plan = plan_sort(folder, into, None, way)
    assert counts(plan.placings) == {"keep": 2, "reject": 1}
    carry_out(plan)
    placed = [path for path in contents(into) if not path.startswith(".") and path != JOURNAL]
    assert placed == [
        "keep/A 1.dng", "keep/A 1.dng.txt", "keep/A 1.jpg", "keep/A 1.xmp", "keep/B.fits",
        "reject/A 10.dng", "reject/A 10.xmp",
    ]  # fmt: skip
    undo_sort(into, frames=folder)
    assert contents(folder) == before


def no_hard_links(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise OSError(errno.EXDEV, "another file system")

    monkeypatch.setattr(os, "link", refuse)


@pytest.mark.parametrize("one_file_system", [True, False])
@pytest.mark.parametrize("way", WAYS)
def test_there_and_back(
    lights: Path, tmp_path: Path, way: Way, one_file_system: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not one_file_system:
        no_hard_links(monkeypatch)
    before, into = contents(lights), tmp_path / "new" / "sorted"
    assert sort_folder(lights, into, None, way, yes=True) == 0
    placed = {name: into / grade / name for name, grade in NAMES.items()}
    for name, path in placed.items():
        assert path.read_bytes() == before[name]
        assert path.stat().st_mtime == 1e9
        assert (lights / name).exists() == (way != "move")
    assert not list(tmp_path.rglob("*part"))
    assert take_back(into, lights) == 0
    assert contents(lights) == before
    assert not into.parent.exists()


def test_nothing_is_moved_without_a_yes(lights: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sort_folder(lights, tmp_path / "out", None, "move")
    assert not (tmp_path / "out").exists()
    said = capsys.readouterr().out
    assert "2 to be moved, 2 kB" in said
    assert "Nothing was changed. Frames are moved with --yes, or copied without --move." in said


@pytest.mark.parametrize("way", ["copy", "link"])
def test_what_takes_nothing_away_is_done_at_once_and_a_dry_run_only_says_it(
    lights: Path, tmp_path: Path, way: Way, capsys: pytest.CaptureFixture[str]
) -> None:
    into = tmp_path / "out"
    sort_folder(lights, into, None, way, dry_run=True)
    assert not into.exists()
    assert "Nothing was changed." in capsys.readouterr().out
    sort_folder(lights, into, None, way)
    assert len(list(into.rglob("*.fits"))) == 5
    before = contents(into)
    take_back(into, lights, dry_run=True)
    assert contents(into) == before
    noun = "copies" if way == "copy" else "links"
    assert capsys.readouterr().out.count(f"removes 5 {noun}; the frames in {lights} stay") == 1
    take_back(into, lights)
    assert capsys.readouterr().out.endswith(f"  removes 5 {noun}; the frames in {lights} stay\n5 {noun} removed.\n")


@pytest.mark.parametrize(("said", "moves"), [("y\n", True), ("\n", False)])
def test_moving_asks_a_person_at_a_terminal(
    lights: Path, tmp_path: Path, said: str, moves: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sort_command, "is_talked_with", lambda: True)
    monkeypatch.setattr("sys.stdin", io.StringIO(said))
    sort_folder(lights, tmp_path / "out", None, "move")
    assert (tmp_path / "out").exists() == moves


def undo(into: Path, frames: Path) -> Undone:
    return undo_sort(into, frames=frames)


class Killed(BaseException):
    """The process ends here."""


def dying_at(moment: int, monkeypatch: pytest.MonkeyPatch) -> Callable[[], int]:
    """Let every change of the disk from the so-manieth on fail: before it is made for odd moments, after for even."""
    count = 0

    def deadly(change: Callable[..., Any]) -> Callable[..., Any]:
        def wrapped(*args: Any, **kwargs: Any) -> Any:
            nonlocal count
            count += 1
            if count >= moment:
                raise Killed
            result = change(*args, **kwargs)
            count += 1
            if count >= moment:
                raise Killed
            return result

        return wrapped

    for name in ("link", "unlink", "rename", "fsync", "symlink", "mkdir", "rmdir", "utime"):
        monkeypatch.setattr(os, name, deadly(getattr(os, name)))
    return lambda: count


@pytest.mark.parametrize("one_file_system", [True, False])
@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("undoing", [False, True])
def test_a_crash_at_any_step_can_be_undone(
    lights: Path, tmp_path: Path, way: Way, one_file_system: bool, undoing: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    judged(lights, dict(list(NAMES.items())[1:3]))
    before, into = contents(lights), tmp_path / "sorted"
    if not one_file_system:
        no_hard_links(monkeypatch)
    for moment in range(1, 1000):
        plan = plan_sort(lights, into, None, way)
        if undoing:
            carry_out(plan)
        with monkeypatch.context() as dying:
            dying_at(moment, dying)
            try:
                undo(into, lights) if undoing else carry_out(plan)
                died = False
            except Killed:
                died = True
        for name, content in before.items():
            copies = [lights / name, *(into / folder / name for folder in ("keep", "doubtful", "reject"))]
            assert any(copy.exists() for copy in copies), "no frame is ever lost"
            assert all(copy.read_bytes() == content for copy in copies if copy.exists()), "nor half there"
        if (into / JOURNAL).exists():
            undo(into, lights)
        assert contents(lights) == before, moment
        assert not contents(into) if into.exists() else True
        if into.exists():
            into.rmdir()  # nothing but the folder itself may be left
        if not died:
            assert moment > 12
            return
    pytest.fail("it never ended")


def test_a_journal_cut_off_in_its_last_line_is_read(lights: Path, tmp_path: Path) -> None:
    before, into = contents(lights), tmp_path / "out"
    carry_out(plan_sort(lights, into, None, "move"))
    with (into / JOURNAL).open("ab") as journal:
        journal.write(b'{"step": "pla')
    undo(into, lights)
    assert contents(lights) == before


def test_a_sort_stopped_half_way_is_taken_back_first(lights: Path, tmp_path: Path) -> None:
    into = tmp_path / "out"
    carry_out(plan_sort(lights, into, None, "copy"))
    journal = (into / JOURNAL).read_bytes().splitlines(keepends=True)
    (into / JOURNAL).write_bytes(b"".join(journal[:-1]))
    (into / "keep" / "light 1.fits").unlink()
    with pytest.raises(UnusableRequest, match="stopped half way"):
        carry_out(plan_sort(lights, into, None, "copy"))


@pytest.mark.parametrize(
    "name", ["../x.fits", "/etc/hosts", "a/../../x.fits", "./x.fits", "", "a\0b", "out.fits", "dir/x"]
)
def test_names_that_lead_out_of_the_folder_are_refused(lights: Path, tmp_path: Path, name: str) -> None:
    (tmp_path / "x.fits").write_bytes(b"x")
    (tmp_path / "x").write_bytes(b"x")
    (lights / "out.fits").symlink_to(tmp_path / "x.fits")
    (lights / "dir").symlink_to(tmp_path)
    judged(lights, {"light 1.fits": "keep", name: "keep"})
    with pytest.raises(UnusableRequest, match="lies outside"):
        plan_sort(lights, tmp_path / "out", None, "copy")


def test_a_linked_folder_in_the_target_is_refused(lights: Path, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "keep").symlink_to(tmp_path)
    with pytest.raises(UnusableRequest, match="leads elsewhere"):
        plan_sort(lights, tmp_path / "out", None, "copy")


def test_a_taken_name_stops_and_the_same_file_is_left(lights: Path, tmp_path: Path) -> None:
    into = tmp_path / "out"
    carry_out(plan_sort(lights, into, None, "copy"))
    assert plan_sort(lights, into, None, "copy").to_do == ()
    (into / "keep" / "light 1.fits").write_bytes(b"mine")
    with pytest.raises(UnusableRequest, match="taken by another file"):
        plan_sort(lights, into, None, "copy")


def test_undo_leaves_what_was_changed_and_what_would_overwrite(lights: Path, tmp_path: Path) -> None:
    into = tmp_path / "out"
    carry_out(plan_sort(lights, into, None, "copy"))
    (into / "keep" / "light 1.fits").write_bytes(b"worked on")
    (lights / "-dash.fits").unlink()
    undone = undo(into, lights)
    assert sorted(name for name, _ in undone.problems) == ["doubtful/-dash.fits", "keep/light 1.fits"]
    assert (into / "keep" / "light 1.fits").read_bytes() == b"worked on"
    assert (into / JOURNAL).exists()


def test_a_forged_journal_moves_nothing(tmp_path: Path) -> None:
    (tmp_path / "victim").write_bytes(b"x")
    into = tmp_path / "out"
    into.mkdir()
    begin = {"step": "begin", "version": 1, "way": "move", "frames": str(tmp_path)}
    place = {"step": "place", "source": "a", "target": "../victim"}
    (into / JOURNAL).write_text(f"{json.dumps(begin)}\n{json.dumps(place)}\n")
    with pytest.raises(UnusableRequest, match="isn't a journal that framecheck sort wrote"):
        undo(into, tmp_path)
    assert (tmp_path / "victim").exists()


def test_vanished_changed_and_special_files_are_told_and_the_rest_is_sorted(
    lights: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (lights / "light 1.fits").unlink()
    os.utime(lights / "-dash.fits", (4e9, 4e9))
    (lights / "new\nline.fits").unlink()
    os.mkfifo(lights / "new\nline.fits")
    assert sort_folder(lights, tmp_path / "out", None, "copy", yes=True) == 3
    said = capsys.readouterr().err
    assert "no longer there" in said
    assert "changed after it was judged" in said
    assert "new\\x0aline.fits: isn't a regular file" in said
    assert len([path for path in contents(tmp_path / "out") if path != JOURNAL]) == 2


@pytest.mark.parametrize("error", [errno.ENOSPC, errno.EACCES, errno.EROFS])
def test_a_disk_that_refuses_leaves_nothing_half_done(
    lights: Path, tmp_path: Path, error: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, into = contents(lights), tmp_path / "out"
    real = files._copy_bytes

    def fail(source: Path, part: Path) -> str:
        if source.name != "-dash.fits":
            return real(source, part)
        part.write_bytes(b"half")
        raise OSError(error, os.strerror(error))

    monkeypatch.setattr(files, "_copy_bytes", fail)
    with pytest.raises(UnusableRequest, match=r"stopped there, because .*\. Nothing is half done"):
        carry_out(plan_sort(lights, into, None, "copy"))
    assert set(contents(into)) == {JOURNAL, "keep/light 1.fits"}
    undo(into, lights)
    assert contents(lights) == before


def test_too_little_room_is_told_before(lights: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("framecheck.sort.plan.shutil.disk_usage", lambda _: type("U", (), {"free": 1000}))
    with pytest.raises(UnusableRequest, match=r"5\.01 kB are needed and 1 kB are free"):
        plan_sort(lights, tmp_path / "out", None, "copy")


def test_choices_of_the_page_and_plain_lists(lights: Path, tmp_path: Path) -> None:
    choices = tmp_path / "choices.csv"
    choices.write_bytes(
        '\ufefffile,choice\r\nlight 1.fits,leave out\r\n\'-dash.fits,keep\r\n"new\nline.fits",\r\n'.encode()
    )
    plan = plan_sort(lights, tmp_path / "out", choices, "copy")
    assert [(p.source.name, p.folder) for p in plan.placings] == [("light 1.fits", "reject"), ("-dash.fits", "keep")]
    assert plan.n_ungraded == 1
    choices.write_text("light 1.fits\n-dash.fits\n")
    assert {p.folder for p in plan_sort(lights, tmp_path / "out", choices, "copy").placings} == {"keep"}
    choices.write_text('"file","grade","own_choice","decision"\r\n"light 1.fits","keep","leave out","leave out"\r\n')
    assert {p.folder for p in plan_sort(lights, tmp_path / "out", choices, "copy").placings} == {"reject"}
    choices.write_text("file,choice\nlight 1.fits,perhaps\n")
    with pytest.raises(UnusableRequest, match="isn't a choice"):
        plan_sort(lights, tmp_path / "out", choices, "copy")


@pytest.mark.parametrize("text", ["{", "[]", '{"frames": [{"file": 3}]}', "[" * 100_000, '{"frames": 1}',
                                  '{"frames": ' + "9" * 5000 + "}", "[" + "[]," * 3_100_000 + "1]"])  # fmt: skip
def test_a_file_that_is_no_night_is_refused(lights: Path, tmp_path: Path, text: str) -> None:
    (lights / "night.json").write_text(text)
    with pytest.raises(UnusableRequest, match="neither"):
        plan_sort(lights, tmp_path / "out", None, "copy")


def test_no_judgement_says_how_to_get_one(lights: Path, tmp_path: Path) -> None:
    (lights / "night.json").unlink()
    with pytest.raises(UnusableRequest, match="framecheck night"):
        plan_sort(lights, tmp_path / "out", None, "copy")
    judged(lights, {"light 1.fits": None})
    with pytest.raises(NothingMeasured):
        plan_sort(lights, tmp_path / "out", None, "copy")


def test_json_tells_all_and_quiet_nothing(lights: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sort_folder(lights, tmp_path / "out", None, "copy", yes=True, as_json=True)
    told = json.loads(capsys.readouterr().out)
    assert [frame["status"] for frame in told["frames"]] == ["done"] * 5
    take_back(tmp_path / "out", lights, quiet=True)
    assert capsys.readouterr().out == ""


def test_names_that_are_one_on_another_disk_overwrite_nothing(
    lights: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # disks that do not tell capitals from small letters, nor an accent from a letter with one, take these for one name
    names = ("Frame.fits", "frame.fits", "FRAME.FITS", "caf\u00e9.fits", "cafe\u0301.fits")
    for number, name in enumerate(names):
        (lights / name).write_bytes(bytes([number]) * 2000)
        os.utime(lights / name, (1e9, 1e9))
    judged(lights, dict.fromkeys(names, "keep"))
    before, into, real = contents(lights), tmp_path / "out", os.link

    def folding(source: Path, target: Path, **more: object) -> None:
        def folded(path: Path) -> str:
            return unicodedata.normalize("NFC", Path(path).name).casefold()

        if any(folded(there) == folded(target) for there in Path(target).parent.iterdir() if there.name[0] != "."):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target))
        real(source, target, **more)

    monkeypatch.setattr(os, "link", folding)
    for way in ("copy", "move"):
        with pytest.raises(UnusableRequest, match=r"the name was taken meanwhile\. Nothing is half done"):
            carry_out(plan_sort(lights, into, None, way))
        assert set(contents(into)) == {JOURNAL, "keep/Frame.fits"}
        monkeypatch.setattr(os, "link", real)
        undo(into, lights)
        monkeypatch.setattr(os, "link", folding)
        assert contents(lights) == before


@pytest.mark.parametrize(
    "name",
    [
        "\\\\server\\share\\x.fits",
        "C:\\x.fits",
        "CON",
        "nul.fits",
        "x" * 251 + ".fit",
        "\u2024\u2024/x.fits",
        "\uff0e\uff0e",
    ],
)
def test_names_that_lead_away_elsewhere_are_plain_names_here(name: str, lights: Path, tmp_path: Path) -> None:
    (lights / name).parent.mkdir(exist_ok=True)
    (lights / name).write_bytes(b"x")
    os.utime(lights / name, (1e9, 1e9))
    judged(lights, {name: "keep"})
    into = tmp_path / "out"
    carry_out(plan_sort(lights, into, None, "copy"))
    assert set(contents(into)) == {JOURNAL, f"keep/{name}"}
    undo(into, lights)
    assert not into.exists()


@pytest.mark.parametrize("name", ["x" * 256, "y/" * 2100 + "x.fits", "a" * 5000])
def test_names_longer_than_any_file_has_are_told(name: str, lights: Path, tmp_path: Path) -> None:
    judged(lights, {"light 1.fits": "keep", name: "keep"})
    plan = plan_sort(lights, tmp_path / "out", None, "copy")
    assert [placing.name for placing in plan.placings] == ["light 1.fits"]
    assert len(plan.problems) == 1


@pytest.mark.parametrize("frame", ['{"file": "LONG", "grade": "keep"}', '{"file": "light 1.fits", "grade": "LONG"}'])
def test_a_name_that_would_fill_the_screen_is_refused_by_its_length(lights: Path, tmp_path: Path, frame: str) -> None:
    (lights / "night.json").write_text(f'{{"frames": [{frame.replace("LONG", "x" * 20_000)}]}}')
    with pytest.raises(UnusableRequest, match="holds a name of 20000 characters") as failed:
        plan_sort(lights, tmp_path / "out", None, "copy")
    assert len(str(failed.value)) < 600


def test_of_many_files_that_cannot_be_placed_the_first_are_told(
    lights: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    judged(lights, {f"gone {k}.fits": "keep" for k in range(50)})
    assert sort_folder(lights, tmp_path / "out", None, "copy") == 50
    told = capsys.readouterr().err.splitlines()
    assert told[0] == "gone 0.fits: is no longer there. Judge the folder again, or bring the file back."
    assert told[-1] == "30 more files like these; --json lists all."
    assert len(told) == 21


def test_a_folder_is_not_made_where_a_file_lies(lights: Path, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(UnusableRequest, match="it is a file, not a folder") as failed:
        carry_out(plan_sort(lights, tmp_path / "out", None, "copy"))
    assert not isinstance(failed.value, CannotFinish)  # no disk or right is at fault: exit code 2


def test_a_pipe_for_choices_is_not_waited_for(lights: Path, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "choices.csv")
    with pytest.raises(UnusableRequest, match="isn't a regular file"):
        plan_sort(lights, tmp_path / "out", tmp_path / "choices.csv", "copy")
