"""Worker processes that are ended from outside: the frame that does it is named, all others are measured."""

import json
import os
import sqlite3
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future
from concurrent.futures.process import BrokenProcessPool
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import deadly
import pytest
from in_place import InPlace
from small_night import draw_light

from framecheck import pipeline, workers
from framecheck.cli.night_command import judge_folder
from framecheck.cli.workforce import Workforce
from framecheck.errors import CannotFinish
from framecheck.field import FrameFailure
from framecheck.logbook import Logbook
from framecheck.workers import MOST_LOST, measured_side_by_side

pytestmark = pytest.mark.skipif(os.name == "nt", reason="SIGKILL")


def test_a_frame_that_kills_its_worker_is_named_and_the_night_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lights, out = tmp_path / "lights", tmp_path / "out"
    for index in range(3):
        draw_light(lights / f"{index}{deadly.WICKED if index == 1 else ''}.fits", index)
    monkeypatch.setattr(pipeline, "measure_file", deadly.measure_file)
    with Logbook(tmp_path / "book.sqlite") as book:
        assert judge_folder(lights, out, None, force=Workforce(workers=1), quiet=True, logbook=book) == 1
    document = json.loads((out / "night.json").read_text())
    failed = {one["file"]: one["failure"] for one in document["frames"] if one["status"] == "failed"}
    assert set(failed) == {"1wicked.fits"}
    assert "orkers that measured it ended" in failed["1wicked.fits"]
    assert document["source"]["n_measured"] == 2
    with closing(sqlite3.connect(tmp_path / "book.sqlite")) as rows:  # else it would be looked at again in one process
        assert rows.execute("SELECT count(*) FROM frames").fetchone() == (2,)
        assert rows.execute("SELECT count(*) FROM reports").fetchone() == (0,)


class Frail(Executor):
    """Workers that all end with a wicked frame, as a pool of processes does."""

    def __init__(self) -> None:
        self.broken = False

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        if self.broken:
            raise BrokenProcessPool("broken")
        if "wicked" not in str(args[0]):
            return InPlace().submit(fn, *args, **kwargs)
        self.broken = True
        future: Future[Any] = Future()
        future.set_exception(BrokenProcessPool("broken"))
        return future


@contextmanager
def new_workers(paths: Sequence[Path]) -> Iterator[Executor]:
    yield Frail()


def test_each_frame_comes_back_once_whoever_dies() -> None:
    paths = {k: Path(f"{'wicked' if k % 7 == 3 else 'good'} {k}") for k in range(40)}
    found = list(measured_side_by_side(paths, str, new_workers))
    assert sorted(index for index, _ in found) == list(paths)
    for index, outcome in found:
        assert isinstance(outcome, FrameFailure) == (index % 7 == 3)
    assert len(found) == 40


def test_workers_that_end_whatever_they_measure_are_given_up() -> None:
    some = {k: Path(f"wicked {k}") for k in range(MOST_LOST - 1)}
    assert len(list(measured_side_by_side(some, str, new_workers))) == MOST_LOST - 1
    many = {k: Path(f"wicked {k}") for k in range(MOST_LOST + 5)}
    with pytest.raises(CannotFinish, match="frames in a row, each alone: the workers"):
        list(measured_side_by_side(many, str, new_workers))


def test_who_waits_long_is_told_what_for_and_not_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "TELL_S", 0.05)
    monkeypatch.setattr(workers, "GIVE_UP_S", 0.1)
    told: list[str] = []

    class Paused:
        def nthreads(self) -> dict[str, int]:
            return {"one": 1, "two": 1}

        def scheduler_info(self) -> dict[str, Any]:
            return {"workers": {"one": {"status": "paused"}, "two": {"status": "running"}}}

    class Silent(Executor):
        _client = Paused()

        def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
            return Future()

    @contextmanager
    def silent(paths: Sequence[Path]) -> Iterator[Executor]:
        yield Silent()

    with pytest.raises(CannotFinish, match="1 of 2 workers are paused because their memory is full"):
        list(measured_side_by_side({0: Path("a"), 1: Path("b")}, str, silent, told.append))
    assert len(told) == 1
    assert "a and 1 more are being measured" in told[0]
    assert threading.active_count() < 50
