"""Frames measured side by side, by processes or on machines: each comes back with what became of it, whoever dies."""

import os
import signal
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from contextlib import AbstractContextManager, contextmanager, nullcontext
from multiprocessing import get_context, parent_process
from pathlib import Path
from threading import Thread
from typing import Final, TypeVar

from framecheck.errors import CannotFinish
from framecheck.field import FrameFailure
from framecheck.words import plain

T = TypeVar("T")
Staffing = Callable[[Sequence[Path]], AbstractContextManager[Executor]]
"""Makes an executor for these frames; called again where workers were lost."""
Tell = Callable[[str], None]

IN_FLIGHT: Final = 4
"""Frames handed to each worker ahead of time. Chosen: no worker waits, and no queue grows with the night."""
ASK_AGAIN_S: Final = 5.0
"""[s] Chosen: how long a cluster may go unused after it has grown."""
TELL_S: Final = 30.0
"""[s] Chosen: the largest frames take a few seconds; who waits longer wants to know what for."""
GIVE_UP_S: Final = 600.0
"""[s] Chosen: a frame of 1 GB comes over a line of 20 Mbit/s meanwhile."""
MOST_LOST: Final = 10
"""Chosen: so many frames in a row that each end their worker alone are not to blame; whatever ends the workers is."""

LOST: Final = "the workers that measured it ended or failed"
"""How the fault of a frame begins that no worker brought back: to measure it in this process could end this one too."""
_REMEDY: Final = (
    "Memory may have run out: use fewer workers, or give each more. If it fails again, leave the frame out."
)


def measured_side_by_side(
    paths: Mapping[int, Path], measure: Callable[[Path], T], staff: Staffing, tell: Tell | None = None
) -> Iterator[tuple[int, T | FrameFailure]]:
    """What `measure` makes of each frame, as it comes.

    A worker that dies takes the frames that wait for it along with the one it died of, and a pool of processes all its
    other workers: each frame under way is then measured once more, alone, and one that kills its worker again becomes a
    failure. The others go on with new workers.

    Raises
    ------
    CannotFinish
        If workers end whatever they measure, or nothing comes back for `GIVE_UP_S`.
    BrokenExecutor
        If `staff` has no new workers.
    """
    waiting = dict(paths)
    n_idle = n_lost = 0
    while waiting:
        suspects: dict[int, Path] = {}
        n_before = len(waiting)
        with staff(list(waiting.values())) as workers:
            for index, future in _as_completed(waiting, measure, workers, tell):
                if _error(future) is None:
                    n_lost = 0
                    yield index, future.result()
                else:
                    suspects[index] = paths[index]
        for index, outcome in _one_at_a_time(suspects, measure, staff, tell):
            if isinstance(outcome, FrameFailure) and outcome.fault.startswith(LOST):
                n_lost += 1
                if n_lost >= MOST_LOST:
                    raise CannotFinish(f"{n_lost} frames in a row, each alone: {outcome.fault}. {_REMEDY}")
            else:
                n_lost = 0
            yield index, outcome
        n_idle = n_idle + 1 if len(waiting) == n_before else 0
        if n_idle > 1:
            raise CannotFinish(f"worker processes end as soon as they start. {_REMEDY}")


def _as_completed(
    waiting: dict[int, Path], measure: Callable[[Path], T], workers: Executor, tell: Tell | None
) -> Iterator[tuple[int, Future[T]]]:
    """What becomes of the frames that wait, as it comes, with a few of them under way at a time.

    It ends when none waits, or with the workers; the frames that they did not take are left waiting.
    """
    under_way: dict[Future[T], tuple[int, Path]] = {}
    limit, asked = IN_FLIGHT * side_by_side(workers), time.monotonic()
    lost = False
    while True:
        if time.monotonic() - asked > ASK_AGAIN_S:  # clusters grow and shrink
            limit, asked = IN_FLIGHT * side_by_side(workers), time.monotonic()
        while len(under_way) < limit and waiting and not lost:
            index, path = next(iter(waiting.items()))
            try:
                under_way[workers.submit(measure, path)] = index, path
            except BrokenExecutor:
                lost = True
            else:
                del waiting[index]
        if not under_way:
            return
        for future in _waited_for({one: path for one, (_, path) in under_way.items()}, workers, tell):
            yield under_way.pop(future)[0], future
            lost = lost or isinstance(_error(future), BrokenExecutor)


def _one_at_a_time(
    suspects: Mapping[int, Path], measure: Callable[[Path], T], staff: Staffing, tell: Tell | None
) -> Iterator[tuple[int, T | FrameFailure]]:
    """Frames on which workers failed, each with no other under way: one that fails again is named."""
    waiting = dict(suspects)
    while waiting:
        with staff(list(waiting.values())[:1]) as workers:
            while waiting:
                index, path = next(iter(waiting.items()))
                future = workers.submit(measure, path)
                _waited_for({future: path}, workers, tell)
                del waiting[index]
                error = _error(future)
                yield index, future.result() if error is None else _failure(path, error)
                if isinstance(error, BrokenExecutor):
                    break


def _error(future: Future[T]) -> Exception | None:
    """What kept workers from a frame; raises what is to be heard at once."""
    error = future.exception()
    if error is None or isinstance(error, Exception):
        return error
    raise error


def _failure(path: Path, error: Exception) -> FrameFailure:
    said = (
        "" if isinstance(error, BrokenExecutor) else " (" + " ".join(f"{type(error).__name__}: {error}".split()) + ")"
    )
    return FrameFailure(exposure=None, file=str(path), fault=LOST + said, remedy=_REMEDY)


def _waited_for(under_way: Mapping[Future[T], Path], workers: Executor, tell: Tell | None) -> set[Future[T]]:
    """Those that are done, one at least; whoever waits long is told, and not for ever."""
    done, _ = wait(under_way, timeout=TELL_S, return_when=FIRST_COMPLETED)
    if done:
        return done
    first = plain(next(iter(under_way.values())).name)
    frames = f"{first} is" if len(under_way) == 1 else f"{first} and {len(under_way) - 1} more are"
    why = why_nothing_comes(workers)
    if tell is not None:
        tell(
            f"nothing has come back for {TELL_S:.0f} s: {frames} being measured, and {why}. "
            f"Waiting up to {GIVE_UP_S:.0f} s."
        )
    done, _ = wait(under_way, timeout=GIVE_UP_S - TELL_S, return_when=FIRST_COMPLETED)
    if done:
        return done
    raise CannotFinish(
        f"nothing came back for {GIVE_UP_S:.0f} s: {frames} being measured, and {why_nothing_comes(workers)}. "
        "Put that right, then run this again: frames in the logbook are not measured a second time."
    )


def why_nothing_comes(workers: Executor) -> str:
    """What is known of workers that bring nothing, as the end of a sentence."""
    client = getattr(workers, "_client", None)
    if client is None or not hasattr(client, "scheduler_info"):
        return "the workers are still busy; the disk may be slow"
    try:
        states = [worker.get("status") for worker in client.scheduler_info()["workers"].values()]
    except Exception as why:  # a client raises whatever its connection does
        return f"the scheduler does not answer ({type(why).__name__})"
    n_paused = sum(state == "paused" for state in states)
    if not states:
        return "the cluster has no workers left"
    if n_paused:
        return f"{n_paused} of {len(states)} workers are paused because their memory is full"
    return f"{len(states)} workers are still busy"


def staffing(executor: Executor | Staffing | None) -> Staffing:
    """What makes workers: itself; the executor that was handed in, which stays open; else a process a core."""
    if executor is None:
        return lambda paths: worker_pool(worth_starting(len(paths)))
    if isinstance(executor, Executor):
        return lambda paths: nullcontext(executor)
    return executor


def worth_starting(n_frames: int) -> int:
    """Workers for so many frames: one a core, but none for a single frame, since starting takes longer than that."""
    return min(os.cpu_count() or 1, max(1, n_frames // 2))


def side_by_side(executor: Executor) -> int:
    """How many frames an executor measures at a time: its cluster's threads, if it has one, else a core each."""
    cluster = getattr(executor, "_client", None)  # that is how dask's executor knows its cluster
    if cluster is None or not hasattr(cluster, "nthreads"):
        return os.cpu_count() or 1
    return max(1, sum(cluster.nthreads().values()))


def worker_pool(workers: int) -> ProcessPoolExecutor:
    """Build a pool of worker processes, each with one thread: frames, not matrices, are what runs side by side."""
    for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(variable, "1")
    return ProcessPoolExecutor(max(1, workers), mp_context=get_context("spawn"), initializer=load_libraries)


def _end_with_parent() -> None:
    """See that a worker ends when whoever started it is gone, even killed: none is left waiting for frames."""
    parent = parent_process()

    def wait_for_the_end() -> None:
        if parent is not None:
            parent.join()
            os._exit(1)

    Thread(target=wait_for_the_end, daemon=True).start()


def load_libraries() -> None:
    """Load in a worker, as it starts, what measuring imports late: its first frame is then as quick as the others."""
    _end_with_parent()
    import scipy.ndimage
    import scipy.spatial
    import scipy.special  # noqa: F401


@contextmanager
def interruptible_workers(count: int) -> Iterator[Executor]:
    """Worker processes that an interrupt ends."""
    with worker_pool(count) as pool:
        try:
            _start_deaf(pool, count)
            yield pool
        except BaseException:
            _end_at_once(pool)  # whoever stopped us does not want to wait for frames under way
            raise


def _start_deaf(pool: ProcessPoolExecutor, count: int) -> None:
    """Start workers that do not hear the keyboard's interrupt: we hear it, and end them; none prints a traceback."""
    before = None
    if sys.platform != "win32":
        # a process inherits what its parent holds back (POSIX, exec); what is pressed meanwhile is heard afterwards
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        for _ in range(count):
            pool.submit(int)  # a worker is started for each task that finds none idle
    finally:
        if sys.platform != "win32" and before is not None:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _end_at_once(pool: ProcessPoolExecutor) -> None:
    """End the workers where they stand.

    One may stand in the middle of handing over a result. The pool's thread then waits for the rest of it until nobody
    holds the writing end of the pipe any more: the workers let go of it as they end, and we have to let go of ours.
    """
    import multiprocessing

    results = pool._result_queue  # forgotten by a pool that is shut down
    pool.shutdown(wait=False, cancel_futures=True)
    for worker in multiprocessing.active_children():
        worker.terminate()
    results._writer.close()  # type: ignore[attr-defined]
