"""Frames measured as they come in: one or two here and now, many in worker processes, until the end is asked for."""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future
from contextlib import AbstractContextManager, ExitStack, nullcontext, suppress
from pathlib import Path
from typing import Any, Final

from framecheck.cli.workforce import interruptible_workers
from framecheck.logbook import Logbook
from framecheck.pipeline import Outcome, measure_night
from framecheck.read import Rig
from framecheck.workers import worth_starting

AT_ONCE: Final = 8
"""Frames whose outcomes are handed on together. Chosen: some seconds of work."""
FEW: Final = 2
"""So many frames are measured here: to start worker processes for them takes longer. Chosen."""


class InPlace(Executor):
    """Runs each task as it is handed in, in this thread and without worker processes."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Run the task; the future that comes back is done."""
        future: Future[Any] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future


class _Stopped(Exception):  # noqa: N818 - says what has happened
    """The end was asked for while frames were measured."""


def measured(
    paths: Sequence[Path],
    rig: Rig,
    *,
    workers: int | None,
    logbook: Logbook | None,
    is_stopped: Callable[[], bool],
    show: Callable[[str], None],
    tell: Callable[[str], None],
) -> Iterator[tuple[Path, Outcome]]:
    """Outcomes of files, a few at a time.

    Parameters
    ----------
    paths : sequence of Path
    rig : Rig
    workers : int, optional
        Worker processes for many frames; one a core if not given.
    logbook : Logbook, optional
        Frames that it knows are not measured again.
    is_stopped : callable
        Asked after each frame; once it says so, what is under way is given up.
    show : callable
        Called with how far the work has come.
    tell : callable
        Called with a sentence if nothing comes back for long.
    """

    def done(n_done: int, n_frames: int, path: Path) -> None:
        if is_stopped() and n_done < n_frames:
            raise _Stopped

    with suppress(_Stopped), ExitStack() as stack:
        pool: Executor | None = None

        def staff(_some: Sequence[Path]) -> AbstractContextManager[Executor]:
            nonlocal pool
            if len(paths) <= FEW:
                return nullcontext(InPlace())
            if pool is None or not _lives(pool):
                pool = stack.enter_context(interruptible_workers(workers or worth_starting(len(paths))))
            return nullcontext(pool)

        for start in range(0, len(paths), AT_ONCE):
            if len(paths) > FEW:
                show(f"Reading frames: {start} of {len(paths)}")
            some = paths[start : start + AT_ONCE]
            found = measure_night(some, rig, staff, progress=done, logbook=logbook, tell=tell)
            yield from ((result.exposure.file, result) for result in found.results)
            yield from ((Path(failure.file), failure) for failure in found.failures)
            yield from ((skipped.file, skipped) for skipped in found.skipped)
            if is_stopped():
                return


def _lives(pool: Executor) -> bool:
    """Whether a pool still takes work: one that has lost a worker does not."""
    try:
        pool.submit(int)
    except BrokenExecutor:
        return False
    return True
