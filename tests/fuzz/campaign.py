"""A campaign of hostile files against the `frame` command.

    python tests/fuzz/campaign.py --mutants 20000 --seed 1    the whole (`make fuzz`), summed up in campaign.json
    python tests/fuzz/campaign.py --one 4711 --seed 1         one mutant again; --keep FILE writes it
    python tests/fuzz/campaign.py --what logbook --mutants 2000         (or journal, night.json) what framecheck writes
    python tests/fuzz/campaign.py --what raws --mutants 5000            raws of cameras, and pictures

Files are tried in processes of their own, so that a crash or a hang is counted and the campaign goes on.
"""

import argparse
import contextlib
import json
import os
import selectors
import signal
import subprocess
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Callable, Generator, Iterator
from datetime import date
from pathlib import Path

from books import TRIES as BOOKS
from honest import KINDS
from mutate import Mutant, honest_file, mutant
from raws import raws
from trial import BAD, Trial, try_mutant

TRIES = BOOKS | {"raws": raws}
SUMMARY = Path(__file__).parent / "campaign.json"
_START_S = 120.0  # for the libraries to load on a busy machine
_SILENT_S = 60.0  # by the clock on the wall, on a busy machine: nothing is told of a mutant that waits for ever
_MOST_BYTES = 8 * 2**30  # no mutant may take the machine down with it


def main() -> int:
    """Parse and run; exit code 1 if anything happened that must not."""
    parser = argparse.ArgumentParser(description="Give hostile files to framecheck and count what becomes of them.")
    parser.add_argument("--mutants", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="number of the first mutant")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--what", choices=["frame", *TRIES], default="frame", help="which kind of file")
    parser.add_argument("--read-only", action="store_true", help="only the reader, nothing is measured")
    parser.add_argument("--one", type=int, help="try this mutant alone and tell all of it")
    parser.add_argument("--keep", type=Path, help="write the mutant of --one there")
    parser.add_argument("--summary", type=Path, default=SUMMARY)
    parser.add_argument("--slice", type=int, nargs=2, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.one is not None and options.what != "frame":
        return run_slice(options, options.one, options.one + 1)
    if options.one is not None:
        return tell_one(options.seed, options.one, options.keep, measure=not options.read_only)
    if options.slice is not None:
        return run_slice(options, *options.slice)
    signal.signal(signal.SIGINT, signal.default_int_handler)  # also where a shell started it in the background
    begin = time.perf_counter()
    trials: list[Trial] = []
    with contextlib.suppress(KeyboardInterrupt), contextlib.closing(supervise(options)) as outcomes:
        for trial in outcomes:
            trials.append(trial)  # noqa: PERF402 - an interrupt keeps what there is
    summary = summary_of(trials, options, time.perf_counter() - begin)
    kept = json.loads(options.summary.read_text(encoding="utf-8")) if options.summary.exists() else {}
    through = options.what if options.what != "frame" else "the reader" if options.read_only else "the frame command"
    options.summary.write_text(json.dumps(kept | {through: summary}, indent=1) + "\n", encoding="utf-8")
    sys.stdout.write(json.dumps(summary, indent=1) + "\n")
    return 1 if summary["bad"] else 0


def summary_of(trials: list[Trial], options: argparse.Namespace, seconds: float) -> dict[str, object]:
    """Counts by outcome, the worst of time and memory, and each mutant that was not borne."""
    outcomes = Counter(trial.outcome for trial in trials)
    slowest = max(trials, key=lambda trial: trial.seconds)
    largest = max(trials, key=lambda trial: trial.megabytes)
    return {
        "date": date.today().isoformat(),
        "seed": options.seed,
        "mutants": len(trials),
        "minutes": round(seconds / 60, 1),
        "bad": sum(outcomes[name] for name in BAD),
        "outcomes": dict(outcomes.most_common()),
        "slowest": {"mutant": slowest.number, "seconds": round(slowest.seconds, 2)},
        "largest": {"mutant": largest.number, "megabytes": round(largest.megabytes, 1)},
        "not borne": [
            {"mutant": trial.number, "outcome": trial.outcome, "told": trial.told[:300]}
            for trial in trials
            if trial.bad
        ][:200],
    }


def supervise(options: argparse.Namespace) -> Generator[Trial, None, None]:
    """Keep so many processes at work, each on a slice; one that dies or hangs is counted and replaced."""
    waiting = _slices(options.first, options.first + options.mutants)
    with selectors.DefaultSelector() as selector:
        staff: dict[int, _Worker] = {}

        def hire(start: int, stop: int) -> None:
            worker = _Worker(options, start, stop)
            staff[worker.fileno()] = worker
            selector.register(worker.fileno(), selectors.EVENT_READ)

        for _ in range(options.workers):
            if (following := next(waiting, None)) is not None:
                hire(*following)
        try:
            yield from _heard(options, selector, staff, waiting, hire)
        finally:
            for worker in staff.values():
                worker.process.kill()
                worker.process.wait()


def _heard(
    options: argparse.Namespace,
    selector: selectors.BaseSelector,
    staff: "dict[int, _Worker]",
    waiting: Iterator[tuple[int, int]],
    hire: Callable[[int, int], None],
) -> Iterator[Trial]:
    """Trials as they are told, until no process is left."""
    done = 0
    while staff:
        ready = {key.fd for key, _ in selector.select(timeout=1.0)}
        for number, worker in list(staff.items()):
            trials, ended = worker.hear(number in ready)
            yield from trials
            done += len(trials)
            if not ended:
                continue
            selector.unregister(number)
            del staff[number]
            rest = (worker.at, worker.stop) if worker.at < worker.stop else next(waiting, None)
            if rest is not None:
                hire(*rest)
        if sys.stderr.isatty():
            sys.stderr.write(f"\r{done} of {options.mutants}")


def _slices(first: int, stop: int, size: int = 2500) -> Iterator[tuple[int, int]]:
    for start in range(first, stop, size):
        yield start, min(stop, start + size)


class _Worker:
    """A process that works through a slice and tells a line a mutant."""

    def __init__(self, options: argparse.Namespace, start: int, stop: int) -> None:
        words = ["--seed", str(options.seed), "--slice", str(start), str(stop)]
        words += ["--what", options.what, *(["--read-only"] if options.read_only else [])]
        self.process = subprocess.Popen(
            [sys.executable, __file__, *words], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
            env=os.environ | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "FRAMECHECK_LOGBOOK": "none"},
        )  # fmt: skip
        assert self.process.stdout is not None
        os.set_blocking(self.process.stdout.fileno(), False)
        self.at, self.stop = start, stop
        self._held = b""
        self._heard = time.monotonic() + _START_S

    def fileno(self) -> int:
        assert self.process.stdout is not None
        return self.process.stdout.fileno()

    def hear(self, ready: bool) -> tuple[list[Trial], bool]:
        """New trials, and whether the process has ended, by itself or by us."""
        trials: list[Trial] = []
        data = os.read(self.fileno(), 1 << 20) if ready else None
        *lines, self._held = (self._held + (data or b"")).split(b"\n")
        for line in lines:
            trials.append(Trial(**json.loads(line)))
            self.at = trials[-1].number + 1
            self._heard = time.monotonic()
        hangs = time.monotonic() > self._heard + _SILENT_S
        if not hangs and data != b"":
            return trials, False
        if hangs:
            self.process.kill()
        code = self.process.wait()
        if self.at < self.stop:
            outcome = "hung" if hangs else "crashed"
            told = f"exit code {code}"
            trials.append(Trial(number=self.at, outcome=outcome, seconds=0.0, megabytes=0.0, told=told))
            self.at += 1
        assert self.process.stdout is not None
        self.process.stdout.close()
        return trials, True


def run_slice(options: argparse.Namespace, start: int, stop: int) -> int:
    """Try some mutants, and tell a line of JSON each."""
    with contextlib.suppress(ImportError):
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (_MOST_BYTES, _MOST_BYTES))
    out = os.fdopen(os.dup(1), "w")
    with tempfile.TemporaryDirectory() as folder:
        attempt = (
            TRIES[options.what](Path(folder), options.seed)
            if options.what != "frame"
            else frames(options, Path(folder))
        )
        for number in range(start, stop):
            trial = attempt(number)
            out.write(json.dumps({name: getattr(trial, name) for name in Trial.__dataclass_fields__}) + "\n")
            out.flush()
    return 0


def frames(options: argparse.Namespace, folder: Path) -> Callable[[int], Trial]:
    """Tries of frames."""
    measure = not options.read_only
    honest_mb = honest_need_mb(folder, measure=measure)

    def attempt(number: int) -> Trial:
        trial = try_mutant(mutant(options.seed, number), folder, honest_mb, measure=measure)
        for left in folder.iterdir():
            left.unlink()
        return trial

    return attempt


def honest_need_mb(folder: Path, *, measure: bool) -> float:
    """The most that measuring an honest file takes, once libraries are loaded; warnings are errors from then on."""
    needs: list[float] = []
    for _ in range(2):
        needs.clear()
        for index, kind in enumerate(KINDS):
            honest = Mutant(number=3 * index + 1, ending=kind.ending, content=honest_file(index), story="honest")
            trial = try_mutant(honest, folder, 1e6, measure=measure)
            if trial.bad:
                raise AssertionError(f"{kind.name}: {trial.outcome}: {trial.told}")
            needs.append(trial.megabytes)
            (folder / f"mutant{kind.ending}").unlink()
    warnings.simplefilter("error")
    return max(needs)


def tell_one(seed: int, number: int, keep: Path | None, *, measure: bool) -> int:
    """Try one mutant here, and tell how it came about and what became of it."""
    hostile = mutant(seed, number)
    if keep is not None:
        keep.write_bytes(hostile.content)
    sys.stdout.write(f"{hostile.story}; {len(hostile.content)} bytes, {hostile.ending}\n")
    sys.stdout.flush()
    with tempfile.TemporaryDirectory() as folder:
        trial = try_mutant(hostile, Path(folder), honest_need_mb(Path(folder), measure=measure), measure=measure)
    sys.stdout.write(f"{trial}\n")
    return int(trial.bad)


if __name__ == "__main__":
    sys.exit(main())
