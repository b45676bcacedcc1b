"""Disks that fill up, rights that are lost, folders that vanish, hands that press Ctrl-C twice: outputs whole or not at
all, frames never touched, one sentence each."""

import contextlib
import errno
import json
import os
import shlex
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from small_night import HEARD, RUN, Ended, draw_light, framecheck

from framecheck.cli.main import SAME_PRESS_S
from framecheck.errors import UnusableFrame
from framecheck.logbook import Logbook
from framecheck.pipeline import judge_night, measure_night
from framecheck.read import Rig, read_frame
from framecheck.read import fits as reader
from framecheck.report.write import FILES, write_night

pytestmark = pytest.mark.skipif(os.name == "nt", reason="limits, users and signals of POSIX systems")

PATIENCE_S = 300.0
"""Tests wait for what happens; so long on the busiest machine."""
N_MANY = 150


@pytest.fixture(scope="module")
def lights(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("faults") / "lights"
    for index in range(3):
        draw_light(folder / f"{index}.fits", index)
        os.utime(folder / f"{index}.fits", (1_740_000_000, 1_740_000_000))
    return folder


def run(script: str, *words: object, before: Sequence[str] = ()) -> Ended:
    done = subprocess.run(
        [*before, sys.executable, "-c", script, *map(str, words)],
        capture_output=True, text=True, check=False, timeout=PATIENCE_S,
    )  # fmt: skip
    return Ended(code=done.returncode, out=done.stdout, err=done.stderr)


def one_sentence(ended: Ended, code: int = 4) -> str:
    assert ended.code == code, ended.err
    assert ended.err.startswith("framecheck: ")
    assert ended.err.count("\n") == 1
    assert "fault of framecheck" not in ended.err
    return ended.err


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


# --- a disk that fills up ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("room", [1_000, 60_000])
def test_a_night_on_a_full_disk_leaves_whole_files_or_none(room: int, lights: Path, tmp_path: Path) -> None:
    out = tmp_path / "report"
    out.mkdir()
    for name in FILES:
        (out / name).write_text("of an earlier night")
    words = ("night", lights, "--out", out, "--stars", "--workers", "1")
    said = one_sentence(framecheck(*words, most_bytes=room))
    assert "cannot be written" in said
    found = {path.name: path.read_bytes() for path in out.iterdir()}
    assert set(found) == set(FILES)  # no half-written file beside them
    assert found["report.html"] == b"of an earlier night"
    if found["night.json"] != b"of an earlier night":
        json.loads(found["night.json"])


def test_a_logbook_on_a_full_disk_does_not_cost_the_night(lights: Path, tmp_path: Path) -> None:
    room = 90_000  # enough to open it, with its empty tables and what SQLite keeps beside it, and for a frame or two
    words = ("frame", lights / "0.fits")
    assert framecheck(*words, most_bytes=room).code == 0  # a single frame writes nothing at all
    ended = framecheck(
        "night", lights, "--out", tmp_path / "out", "--workers", "1", "--logbook", tmp_path / "book.sqlite",
        most_bytes=room,
    )  # fmt: skip
    assert "framecheck goes on without it." in ended.err
    database = sqlite3.connect(tmp_path / "book.sqlite")
    assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    database.close()


def test_other_commands_on_a_full_disk(lights: Path, tmp_path: Path) -> None:
    into = tmp_path / "files"
    into.mkdir()
    one_sentence(framecheck("rig", lights / "0.fits", "--into", into / "rig.toml", most_bytes=100))
    book = tmp_path / "book.sqlite"
    with Logbook(book) as logbook:
        measure_night(sorted(lights.glob("*.fits")), Rig(), ThreadPoolExecutor(1), logbook=logbook)
    for ending in ("csv", "parquet"):
        one_sentence(framecheck("logbook", "--logbook", book, "--export", into / f"all.{ending}", most_bytes=500))
    assert not list(into.iterdir())
    demo = tmp_path / "demo"
    assert "cannot be written" in one_sentence(framecheck("demo", "--into", demo, "--quiet", most_bytes=50_000))
    assert not (demo / "frames").exists()
    assert not (demo / "truth.json").exists()
    assert not (demo / "report").exists()


def test_sorting_to_a_full_disk_can_be_taken_back(lights: Path, tmp_path: Path) -> None:
    before = contents(lights)
    choices = tmp_path / "choices.csv"
    choices.write_text("file,choice\n0.fits,keep\n1.fits,keep\n")
    into = tmp_path / "sorted"
    said = one_sentence(framecheck("sort", lights, "--into", into, "--by", choices, "--yes", most_bytes=100_000))
    assert "Nothing is half done" in said
    assert set(contents(into)) == {"sort-journal.jsonl"}
    words = shlex.split(said.partition("take everything back: framecheck ")[2])  # its advice can be followed
    assert framecheck(*words).code == 0
    assert contents(lights) == before
    assert not into.exists()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device of Linux that takes nothing: full(4)")
def test_output_that_nothing_takes_is_one_sentence(lights: Path) -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-c", RUN, "frame", str(lights / "0.fits"), "--json"],
            stdout=full, stderr=subprocess.PIPE, text=True, check=False, timeout=PATIENCE_S,
        )  # fmt: skip
    one_sentence(Ended(code=done.returncode, out="", err=done.stderr))


# --- rights that are lost ---------------------------------------------------------------------------------------


@pytest.fixture
def bound() -> list[str]:
    """What goes before a command so that rights bind it: nothing, but for the one user whom none binds."""
    if os.geteuid() != 0:
        return []
    setpriv = shutil.which("setpriv")
    if setpriv is None:
        pytest.skip("root may read and write everything")
    return [setpriv, "--bounding-set=-dac_override,-dac_read_search", "--inh-caps=-all"]


def test_what_may_not_be_read_is_named_and_the_rest_is_measured(lights: Path, bound: list[str], tmp_path: Path) -> None:
    folder, out = tmp_path / "lights", tmp_path / "out"
    shutil.copytree(lights, folder)
    shutil.copytree(lights, folder / "closed")
    (folder / "1.fits").chmod(0)
    (folder / "closed").chmod(0)
    ended = run(RUN, "night", folder, "--out", out, "--workers", "1", before=bound)
    (folder / "closed").chmod(0o755)
    assert ended.code == 1, ended.err
    document = json.loads((out / "night.json").read_text())
    failed = {frame["file"]: frame["failure"] for frame in document["frames"] if frame["status"] == "failed"}
    assert set(failed) == {"1.fits"}
    assert "no permission" in failed["1.fits"]
    assert [skipped["file"] for skipped in document["skipped"]] == ["closed"]
    assert "may not be read" in document["skipped"][0]["why"]


def test_an_output_folder_that_takes_nothing_stops_before_anything_is_measured(
    lights: Path, bound: list[str], tmp_path: Path
) -> None:
    closed = tmp_path / "closed"
    closed.mkdir()
    closed.chmod(0o555)
    choices = tmp_path / "choices.csv"
    choices.write_text("file,choice\n0.fits,keep\n")
    for words in (
        ("night", lights, "--out", closed),
        ("night", lights, "--out", closed / "deeper"),
        ("rig", lights / "0.fits", "--into", closed / "rig.toml"),
        ("sort", lights, "--into", closed, "--by", choices, "--yes"),
        ("demo", "--into", closed / "demo"),
    ):
        assert "no permission" in one_sentence(run(RUN, *words, before=bound))
    assert not list(closed.iterdir())


# --- files that change or vanish meanwhile ----------------------------------------------------------------------


def test_a_folder_deleted_while_it_is_measured(lights: Path, tmp_path: Path) -> None:
    folder, out = tmp_path / "lights", tmp_path / "out"
    shutil.copytree(lights, folder)

    def meanwhile(done: int, total: int, path: Path) -> None:
        if done == 1:
            shutil.rmtree(folder)
            shutil.rmtree(out, ignore_errors=True)

    with ThreadPoolExecutor(1) as thread:
        under_way = sorted(folder.glob("*.fits"))
        measured = measure_night([*under_way, *(folder / f"later {k}.fits" for k in range(9))], None, thread, meanwhile)
    assert measured.results
    assert measured.failures
    assert all("is not there" in failure.fault for failure in measured.failures)
    write_night(judge_night(folder, measured), out)
    assert json.loads((out / "night.json").read_text())["source"]["n_measured"] == len(measured.results)


CHANGES = {
    "rewritten in place": lambda path, other: path.write_bytes(other),
    "cut off": lambda path, other: os.truncate(path, 100_000),
    "growing": lambda path, other: os.truncate(path, path.stat().st_size + 2880),
    "touched": lambda path, other: os.utime(path),
}


@pytest.mark.parametrize("name", CHANGES)
def test_a_frame_changed_while_it_is_read_is_refused(
    name: str, lights: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "frame.fits"
    shutil.copy(lights / "0.fits", path)
    real = reader.read_plane

    def meanwhile(*read: object) -> np.ndarray:
        CHANGES[name](path, (lights / "1.fits").read_bytes())
        return real(*read)  # type: ignore[arg-type]

    monkeypatch.setattr(reader, "read_plane", meanwhile)
    with pytest.raises(UnusableFrame, match=r"changed while it was read|ends before its last pixel"):
        read_frame(path)


def test_a_frame_replaced_or_deleted_while_it_is_read_is_read_whole(
    lights: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # POSIX, rename() and unlink(): an open file stays as it is until it is closed
    path = tmp_path / "frame.fits"
    real, whole = reader.read_plane, read_frame(lights / "0.fits").pixels
    for change in (lambda: shutil.copy(lights / "1.fits", tmp_path / "new").replace(path), path.unlink):
        shutil.copy(lights / "0.fits", path)

        def meanwhile(*read: object, change=change) -> np.ndarray:
            change()
            return real(*read)  # type: ignore[arg-type]

        monkeypatch.setattr(reader, "read_plane", meanwhile)
        np.testing.assert_array_equal(read_frame(path).pixels, whole)


def test_a_clock_that_jumps_back_changes_no_result(
    lights: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    paths = sorted(lights.glob("*.fits"))
    clock = iter(range(10**9, 0, -86400))
    monkeypatch.setattr(time, "time", lambda: float(next(clock)))
    written = []
    with Logbook(tmp_path / "book.sqlite") as book, ThreadPoolExecutor(1) as thread:
        for name in ("first", "again"):
            measured = measure_night(paths, None, thread, logbook=book)
            write_night(judge_night(lights, measured), tmp_path / name)
            written.append((tmp_path / name / "night.json").read_bytes())
    assert written[0] == written[1]
    assert len(measured.results) == 3


# --- hands and kills --------------------------------------------------------------------------------------------


@pytest.fixture
def begun(lights: Path, tmp_path: Path) -> Iterator["subprocess.Popen[str]"]:
    """A night of many frames whose measuring is about to begin."""
    many = tmp_path / "many"
    many.mkdir()
    for index in range(N_MANY):
        shutil.copy(lights / "0.fits", many / f"{index}.fits")
        with (many / f"{index}.fits").open("ab") as file:
            file.write(bytes([index]) * 2880)  # so that the logbook takes none for another
    words = ("night", many, "--out", tmp_path / "out", "--workers", "2", "--logbook", tmp_path / "book.sqlite")
    with subprocess.Popen(
        [sys.executable, "-c", HEARD, *words],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    ) as process:  # fmt: skip
        until((tmp_path / "out").exists, process)  # it is made before anything is measured
        yield process
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)


@pytest.fixture
def at_work(begun: "subprocess.Popen[str]", tmp_path: Path) -> "subprocess.Popen[str]":
    """The same, with some of the frames measured and written down."""
    until(lambda: n_written(tmp_path / "book.sqlite") >= 3, begun)
    return begun


def until(happened: Callable[[], bool], process: "subprocess.Popen[str]") -> None:
    """Wait for something that a process does."""
    end = time.monotonic() + PATIENCE_S
    while not happened():
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < end
        time.sleep(0.02)


def n_written(book: Path) -> int:
    if not book.exists():
        return 0
    with contextlib.closing(sqlite3.connect(book, timeout=10)) as database, contextlib.suppress(sqlite3.Error):
        return int(database.execute("SELECT count(*) FROM frames").fetchone()[0])
    return 0


def all_gone(group: int) -> bool:
    """Whether no process of a group is left, those that have ended but were not waited for aside."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.05)
    return False


def press(process: "subprocess.Popen[str]", times: int, pause_s: float) -> None:
    """Ctrl-C, and again; but not so late on a busy machine that the press counts as another one."""
    first = time.monotonic()
    for _ in range(times):
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGINT)
        time.sleep(pause_s)
        if time.monotonic() - first > SAME_PRESS_S / 2:
            return


def ended_in_one_line(process: "subprocess.Popen[str]") -> bool:
    out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 130, err  # the shell's code for an interrupted command
    assert (out, err) == ("", "framecheck: stopped; no half-written file was left.\n")
    return all_gone(process.pid)


@pytest.mark.parametrize("after_s", [0.0, 0.02, 0.1, 0.4])
def test_ctrl_c_while_workers_start(begun: "subprocess.Popen[str]", after_s: float, tmp_path: Path) -> None:
    time.sleep(after_s)
    press(begun, 1, 0.0)
    assert ended_in_one_line(begun)
    assert not list((tmp_path / "out").iterdir())


@pytest.mark.parametrize(("times", "pause_s"), [(1, 0.0), (3, 0.0), (3, 0.02), (3, 0.3)])
def test_ctrl_c_twice(at_work: "subprocess.Popen[str]", times: int, pause_s: float, tmp_path: Path) -> None:
    press(at_work, times, pause_s)
    assert ended_in_one_line(at_work)
    left_whole(tmp_path)
    assert n_written(tmp_path / "book.sqlite") < N_MANY / 2  # it did not wait for the frames under way


def test_a_worker_that_is_ended_while_it_hands_over_a_result_is_not_waited_for() -> None:
    # a pipe holds 64 kB (Linux, pipe(7)): of 50 MB that have begun to come, most are still to come
    script = (
        "from framecheck.workers import interruptible_workers\n"
        "if __name__ == '__main__':\n"
        "    with interruptible_workers(1) as pool:\n"
        "        results = pool._result_queue._reader\n"
        "        pool.submit(int).result()\n"
        "        pool.submit(bytes, 50_000_000)\n"
        "        while not results.poll():\n"
        "            pass\n"
        "        raise SystemExit(7)\n"
    )
    assert run(script).code == 7


def test_workers_end_with_a_process_that_is_killed(at_work: "subprocess.Popen[str]", tmp_path: Path) -> None:
    at_work.kill()
    at_work.wait(timeout=PATIENCE_S)
    assert all_gone(at_work.pid)
    left_whole(tmp_path)


def left_whole(folder: Path) -> None:
    """No output is half there, and the logbook holds what was measured."""
    assert not list((folder / "out").iterdir())
    assert n_written(folder / "book.sqlite") >= 3
    with contextlib.closing(sqlite3.connect(folder / "book.sqlite")) as database:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)


@pytest.mark.parametrize("failing", ["write", "fsync", "replace"])
@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EFBIG])
def test_each_step_of_writing_may_fail(
    failing: str, number: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from framecheck.errors import UnusableRequest
    from framecheck.report import publish

    def refuse(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number))

    (tmp_path / "night.json").write_text("earlier")
    target = {"write": (publish, "_created"), "fsync": (os, "fsync"), "replace": (Path, "replace")}[failing]
    monkeypatch.setattr(*target, refuse)
    with pytest.raises(UnusableRequest, match=r"cannot be written: .*\."):
        publish.write_text("later", tmp_path / "night.json")
    assert contents(tmp_path) == {"night.json": b"earlier"}
