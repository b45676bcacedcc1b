"""Frames measured as they come in, always by worker processes: a frame that ends its own does not end the watch."""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext, suppress
from pathlib import Path
from typing import Final

from framecheck.logbook import Logbook
from framecheck.pipeline import Outcome, measure_night
from framecheck.read import Rig
from framecheck.workers import Staffing, interruptible_workers, worth_starting

AT_ONCE: Final = 8
"""Frames whose outcomes are handed on together. Chosen: some seconds of work."""
FEW: Final = 2
"""So many frames are measured by the worker that is kept: to start more takes longer. Chosen."""


class _Stopped(Exception):  # noqa: N818 - says what has happened
    """The end was asked for while frames were measured."""


def measured(
    paths: Sequence[Path],
    rig: Rig,
    *,
    kept: Staffing,
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
    kept : callable
        Who measures one or two frames, as `kept_worker` makes it.
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
        staff = kept
        if len(paths) > FEW:
            staff = stack.enter_context(_kept(workers or worth_starting(len(paths))))
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


def kept_worker() -> AbstractContextManager[Staffing]:
    """One worker process that is started with the first frame and kept for those that come later.

    It takes the room of a frame all night, and saves the second or two that starting one for each frame would take.
    """
    return _kept(1)


@contextmanager
def _kept(count: int) -> Iterator[Staffing]:
    """So many workers, started when frames come, kept until the end, and others where some were lost."""
    with ExitStack() as stack:
        pools: list[Executor] = []

        def staff(_paths: Sequence[Path]) -> AbstractContextManager[Executor]:
            if not pools or not _lives(pools[-1]):
                pools.append(stack.enter_context(interruptible_workers(count)))
            return nullcontext(pools[-1])

        yield staff


def _lives(pool: Executor) -> bool:
    """Whether a pool still takes work: one that has lost a worker does not."""
    try:
        pool.submit(int)
    except BrokenExecutor:
        return False
    return True
