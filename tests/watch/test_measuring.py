"""Frames measured as they come in."""

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager, contextmanager
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import pytest
from in_place import InPlace

sys.path.append(str(Path(__file__).parent.parent / "whole"))
import deadly

from framecheck import pipeline, workers
from framecheck.field import FrameFailure
from framecheck.read import Rig
from framecheck.watch import measuring
from framecheck.watch.measuring import AT_ONCE, kept_worker, measured
from framecheck.workers import Staffing


@pytest.fixture
def files(tmp_path: Path) -> list[Path]:
    """Files that are quickly measured, for they are no frames."""
    paths = [tmp_path / f"{i:02d}.fits" for i in range(2 * AT_ONCE + 1)]
    for path in paths:
        path.write_bytes(b"no FITS file" * 300)
    return paths


class Lost(Executor):
    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        raise BrokenProcessPool("killed")


def no_worker(paths: Sequence[Path]) -> AbstractContextManager[Executor]:
    raise AssertionError("many frames are not measured by one worker")


def outcomes(
    files: list[Path], monkeypatch: pytest.MonkeyPatch, executor: Executor, stop: Callable[[], bool] = lambda: False
) -> tuple[list[Path], list[str]]:
    @contextmanager
    def workers(count: int) -> Iterator[Executor]:
        yield executor

    monkeypatch.setattr(measuring, "interruptible_workers", workers)
    told: list[str] = []
    found = measured(
        files, Rig(), kept=no_worker, workers=1, logbook=None, is_stopped=stop, show=lambda text: None, tell=told.append
    )  # fmt: skip
    paths = []
    for path, outcome in found:
        assert isinstance(outcome, FrameFailure)
        paths.append(path)
    return paths, told


def test_each_file_has_its_outcome(files: list[Path], monkeypatch: pytest.MonkeyPatch) -> None:
    assert outcomes(files, monkeypatch, InPlace()) == (files, [])


def test_one_or_two_are_measured_by_a_worker_that_stays_for_the_next(
    files: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    @contextmanager
    def workers(count: int) -> Iterator[Executor]:
        started.append(count)
        yield InPlace()

    started: list[int] = []
    monkeypatch.setattr(measuring, "interruptible_workers", workers)
    with kept_worker() as kept:
        assert started == []
        assert outcome_of(files[:2], kept) == dict.fromkeys(files[:2], NO_FITS)
        assert outcome_of(files[2:3], kept) == {files[2]: NO_FITS}
    assert started == [1]


@pytest.mark.skipif(os.name == "nt", reason="SIGKILL, fork")
@pytest.mark.filterwarnings("ignore:.*fork:DeprecationWarning")
def test_a_frame_that_ends_its_worker_does_not_end_the_watch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    wicked, good = tmp_path / f"{deadly.WICKED}.fits", tmp_path / "good.fits"
    for path in (wicked, good):
        path.write_bytes(b"no FITS file" * 300)
    monkeypatch.setattr(pipeline, "measure_file", deadly.measure_file)
    monkeypatch.setattr(workers, "get_context", lambda _: get_context("fork"))  # they start in no time
    monkeypatch.setattr(workers, "load_libraries", int)
    with kept_worker() as kept:
        found = outcome_of([wicked, good], kept)
        assert found[wicked].startswith("the workers that measured it ended")
        assert found[good] == NO_FITS
        assert outcome_of([good], kept) == {good: NO_FITS}


NO_FITS = "isn't a FITS file: it does not begin with SIMPLE"


def outcome_of(paths: list[Path], kept: Staffing) -> dict[Path, str]:
    nothing = lambda text: None  # noqa: E731
    found = measured(
        paths, Rig(), kept=kept, workers=None, logbook=None, is_stopped=lambda: False, show=nothing, tell=nothing
    )
    return {path: outcome.fault for path, outcome in found if isinstance(outcome, FrameFailure)}


def test_work_goes_on_with_new_workers_where_some_are_lost(files: list[Path], monkeypatch: pytest.MonkeyPatch) -> None:
    @contextmanager
    def workers(count: int) -> Iterator[Executor]:
        started.append(count)
        yield Lost() if len(started) == 1 else InPlace()

    started: list[int] = []
    monkeypatch.setattr(measuring, "interruptible_workers", workers)
    nothing = lambda text: None  # noqa: E731
    found = measured(
        files, Rig(), kept=no_worker, workers=1, logbook=None, is_stopped=lambda: False, show=nothing, tell=nothing
    )
    assert [path for path, _ in found] == files
    assert started == [1, 1]


@pytest.mark.parametrize("after", [1, AT_ONCE, AT_ONCE + 2])
def test_it_ends_when_the_end_is_asked_for(files: list[Path], after: int, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = iter(range(100))
    paths, _ = outcomes(files, monkeypatch, InPlace(), lambda: next(asked) >= after)
    assert len(paths) <= after


def test_in_place_hands_on_what_goes_wrong() -> None:
    assert InPlace().submit(pow, 2, 3).result() == 8
    with pytest.raises(ZeroDivisionError):
        InPlace().submit(pow, 0, -1).result()
