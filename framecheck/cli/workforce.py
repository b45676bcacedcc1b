"""Who measures the frames: worker processes of this machine within a budget of memory, or a Dask cluster."""

import logging
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from framecheck.errors import CannotFinish, UnusableRequest

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from distributed import Client

Workers = Annotated[
    int | None, typer.Option("--workers", min=1, metavar="N", help="Frames measured side by side; one a core.")
]
Memory = Annotated[
    str | None,
    typer.Option(
        "--memory", metavar="SIZE", help="Memory for all workers together, such as 2GB; no limit if not given."
    ),
]
Scheduler = Annotated[
    str | None,
    typer.Option("--scheduler", metavar="ADDRESS", help="Measure on the Dask cluster there, such as tcp://host:8786."),
]

CONNECT_S: Final = 15
"""[s] Chosen: a scheduler of the local network answers within one."""

MISSING: Final = "--scheduler needs packages that are not installed: pip install 'framecheck[cluster]'."


@dataclass(frozen=True, kw_only=True, slots=True)
class Workforce:
    """What the options say of who measures."""

    workers: int | None = None
    memory_bytes: int | None = None
    scheduler: str | None = None

    @contextmanager
    def staff(self, paths: Sequence[Path]) -> "Iterator[Executor]":
        """The executor for these frames, as `measure_night` asks for it."""
        if self.scheduler is not None:
            with _cluster(self.scheduler) as executor:
                yield executor
            return
        from framecheck.memory import workers_within
        from framecheck.workers import interruptible_workers, worth_starting

        count = min(self.workers or worth_starting(len(paths)), max(1, len(paths)))
        if self.memory_bytes is not None:
            count = workers_within(self.memory_bytes, paths, count)
        with interruptible_workers(count) as executor:
            yield executor


HERE: Final = Workforce()
"""A worker a core of this machine."""


def workforce(workers: int | None, memory: str | None, scheduler: str | None) -> Workforce:
    """What the options ask for.

    Raises
    ------
    UnusableRequest
        If they contradict each other, or the memory isn't a size.
    """
    if scheduler is not None and (workers is not None or memory is not None):
        raise UnusableRequest(
            "--workers and --memory are for this machine, and a cluster has its own. Leave them out with --scheduler."
        )
    if memory is None:
        return Workforce(workers=workers, scheduler=scheduler)
    from framecheck.memory import bytes_of

    try:
        return Workforce(workers=workers, memory_bytes=bytes_of(memory))
    except ValueError:
        raise UnusableRequest(f"--memory {memory!r} isn't a size. Give one such as 2GB or 800MB.") from None


@contextmanager
def _cluster(address: str) -> "Iterator[Executor]":
    """The workers of a Dask cluster, if they measure as we do."""
    try:
        from distributed import Client
    except ImportError:
        raise UnusableRequest(MISSING) from None
    _hush()
    try:
        client = Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as why:
        raise CannotFinish(
            f"{address}: no Dask scheduler answers there ({type(why).__name__}). Start one with `dask scheduler`, and "
            "give the address that it prints."
        ) from None
    try:
        _refuse_strangers(client, address)
        executor = client.get_executor(pure=False)  # a frame may have been rewritten: never an older result
        try:
            yield executor
        except BaseException:
            executor.shutdown(wait=False)  # frames under way are given up
            raise
    finally:
        client.close()


def _hush() -> None:
    """Silence what the cluster's library logs, tracebacks too, of connections that are lost: we say it ourselves."""
    for name in ("asyncio", "tornado.application", *logging.root.manager.loggerDict):
        if name in ("asyncio", "tornado.application") or name.split(".")[0] == "distributed":
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)


def _refuse_strangers(client: "Client", address: str) -> None:
    """Raise if there are no workers, or some whose numbers could differ from ours."""
    from framecheck.logbook.mark import measuring

    if not client.nthreads():
        raise CannotFinish(f"{address}: the scheduler has no workers. Start some with `dask worker {address}`.")
    ours, theirs = measuring(), _asked(client)
    strangers = sorted(worker for worker, version in theirs.items() if version != ours)
    if strangers:
        found = theirs[strangers[0]]
        said = f"measures as version {found}, this machine as {ours}" if isinstance(found, str) else "lacks framecheck"
        raise UnusableRequest(
            f"{strangers[0]} ({len(strangers)} of {len(theirs)} workers) {said}. Install the same everywhere."
        )


def _asked(client: "Client") -> dict[str, Any]:
    """Each worker's version of measuring; an exception where it has none."""
    from framecheck.logbook.mark import measuring

    answers: dict[str, Any] = client.run(measuring, on_error="return")
    return answers
