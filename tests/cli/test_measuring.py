"""Frames measured as they come in."""

from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from framecheck.cli import measuring
from framecheck.cli.measuring import AT_ONCE, InPlace, measured
from framecheck.field import FrameFailure
from framecheck.read import Rig


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


def outcomes(
    files: list[Path], monkeypatch: pytest.MonkeyPatch, executor: Executor, stop: Callable[[], bool] = lambda: False
) -> tuple[list[Path], list[str]]:
    @contextmanager
    def workers(count: int) -> Iterator[Executor]:
        yield executor

    monkeypatch.setattr(measuring, "interruptible_workers", workers)
    told: list[str] = []
    found = measured(
        files, Rig(), workers=1, logbook=None, is_stopped=stop, show=lambda text: None, tell=told.append
    )  # fmt: skip
    paths = []
    for path, outcome in found:
        assert isinstance(outcome, FrameFailure)
        paths.append(path)
    return paths, told


def test_each_file_has_its_outcome(files: list[Path], monkeypatch: pytest.MonkeyPatch) -> None:
    assert outcomes(files, monkeypatch, InPlace()) == (files, [])


def test_one_or_two_need_no_workers(files: list[Path], monkeypatch: pytest.MonkeyPatch) -> None:
    assert outcomes(files[:2], monkeypatch, Lost()) == (files[:2], [])


def test_work_goes_on_with_new_workers_where_some_are_lost(files: list[Path], monkeypatch: pytest.MonkeyPatch) -> None:
    @contextmanager
    def workers(count: int) -> Iterator[Executor]:
        started.append(count)
        yield Lost() if len(started) == 1 else InPlace()

    started: list[int] = []
    monkeypatch.setattr(measuring, "interruptible_workers", workers)
    nothing = lambda text: None  # noqa: E731
    found = measured(files, Rig(), workers=1, logbook=None, is_stopped=lambda: False, show=nothing, tell=nothing)
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
