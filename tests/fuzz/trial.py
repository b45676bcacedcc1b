"""One mutant given to the `frame` command, and what became of it."""

import contextlib
import io
import json
import os
import re
import sys
import time
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from mutate import Mutant

from framecheck.cli import main
from framecheck.errors import UnusableFrame
from framecheck.read import read_exposure, rig_template

MOST_S = 10.0
"""Longer is a hang. [s of this process at work, which a busy machine does not lengthen]"""
_LEAST_MB = 24.0
"""[MB] Chosen: a batch of stamps under vetting and a library loaded late take so much, whatever the file's size."""
_OLD_S = 1e9  # most mutants are files of last decade; a fresh one may still be being written

BAD = (
    "crashed", "hung", "fault of ours", "too much memory", "changed the file", "noisy", "changed silently",
    "wrote elsewhere", "lost a frame",
)  # fmt: skip
"""Outcomes that must not be."""
_KNOWN = {
    # beginnings of the reader's sentences -> how they are counted
    "is empty": "empty", "isn't a FITS file": "no FITS file", "ends inside its header": "header without end",
    "is damaged or ends early": "damaged gzip", "ends ": "too short", "claims ": "claims what it cannot hold",
    "has a header that gives": "header that cannot be", "holds no image": "no image", "holds a cube": "cube",
    "has only": "too small", "has an image of one dimension": "one dimension", "unpacks": "unpacks to too much",
    "has compressed pixels that cannot be unpacked": "damaged tiles", "is stored": "tiles that cannot be",
    "has no defined pixel": "nothing defined", "has the same value": "one value", "is saturated": "saturated",
    "no stars were found": "no stars", "isn't a light frame": "no light", "does not fit into memory": "too much memory",
    "there is too little memory": "too much memory", "is damaged": "damaged", "isn't a raw": "no raw",
    "is a demosaiced": "demosaiced", "holds three colours": "demosaiced", "has a mosaic": "other mosaic",
    "is packed with loss": "packed with loss", "brought down": "library brought down", "is a TIFF": "other picture",
    "is a picture": "other picture", "is a PNG": "other picture", "holds no mosaic": "no mosaic",
}  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Trial:
    """What became of a mutant."""

    number: int
    outcome: str
    seconds: float
    megabytes: float
    told: str

    @property
    def bad(self) -> bool:
        return self.outcome in BAD


def try_mutant(hostile: Mutant, folder: Path, honest_mb: float, *, measure: bool = True) -> Trial:
    """Write a mutant, give it to the command or only to the reader, and look at all that it must not do.

    `honest_mb` is what a sound file of this size takes.
    """
    path = folder / f"mutant{hostile.ending}"
    path.write_bytes(hostile.content)
    if hostile.number % 8:
        os.utime(path, (_OLD_S, _OLD_S))
    before = path.stat().st_mtime_ns
    start = time.process_time()
    with peak_of_memory() as peak:
        outcome, told = _frame_command(path, hostile.number) if measure else _reader(path)
    seconds = time.process_time() - start
    most_mb = 2 * (max(honest_mb, _LEAST_MB) + 4 * len(hostile.content) / 1e6)
    if path.stat().st_mtime_ns != before or path.read_bytes() != hostile.content:
        outcome = "changed the file"
    elif len(list(folder.iterdir())) > 1:
        outcome, told = "noisy", f"left {[left.name for left in folder.iterdir()]}"
    elif peak and peak[0] > most_mb:
        outcome = "too much memory"
    elif seconds > MOST_S:
        outcome = "hung"
    return Trial(number=hostile.number, outcome=outcome, seconds=seconds, megabytes=peak[0] if peak else 0.0, told=told)


def _frame_command(path: Path, number: int) -> tuple[str, str]:
    as_json = number % 3 > 0
    out, err = io.StringIO(), io.StringIO()
    sys.argv = ["framecheck", "frame", str(path), *(["--json"] if as_json else [])]
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            code = main._exit_code()
    except BaseException as escaped:
        if isinstance(escaped, KeyboardInterrupt):
            raise
        return "fault of ours", f"{type(escaped).__name__}: {escaped}"
    said, warned = out.getvalue(), err.getvalue()
    whole = said + warned
    if "fault of framecheck" in whole or code not in (main.DONE, main.NOTHING_MEASURED):
        return "fault of ours", whole.strip()
    # a narrow space stands between number and unit
    if not whole.replace("\n", "").replace("\u202f", "").isprintable() or "Traceback" in whole or "Warning" in whole:
        return "noisy", whole
    if (fault := _rig_fault(path)) is not None:
        return "fault of ours", fault
    return _outcome_of_json(said, warned, code) if as_json else _outcome_of_text(said, warned, code)


def _outcome_of_json(said: str, warned: str, code: int) -> tuple[str, str]:
    if warned or said.count("\n") != 1:
        return "noisy", said + warned
    row = json.loads(said, parse_constant=lambda name: 1 / 0)  # no NaN in JSON
    if (row["status"] == "measured") != (code == main.DONE) or (row["failure"] is None) != (code == main.DONE):
        return "fault of ours", f"exit code {code} with {said}"
    if row["failure"] is None:
        return ("measured", "") if row["n_stars"] > 0 else ("fault of ours", said)
    return counted_as(row["failure"]), row["failure"]


def _outcome_of_text(said: str, warned: str, code: int) -> tuple[str, str]:
    if code == main.DONE:
        return ("noisy", warned) if warned else ("measured", said)
    told = warned.partition(" ")[2]
    return ("noisy", said + warned) if said or warned.count("\n") != 1 else (counted_as(told), told)


def _rig_fault(path: Path) -> str | None:
    """A header is also made into a rig file, which must be one whatever the header says."""
    try:
        tomllib.loads(rig_template(read_exposure(path)))
    except UnusableFrame:
        return None
    except Exception as fault:
        return f"rig_template: {type(fault).__name__}: {fault}"
    return None


def _reader(path: Path) -> tuple[str, str]:
    from framecheck.read import read_frame

    try:
        read_exposure(path)
        read_frame(path)
    except UnusableFrame as why:
        told = f"{why.fault}. {why.remedy}"
        sound = told.isprintable() and len(told) < 400
        return counted_as(why.fault) if sound else "noisy", told
    except Exception as fault:
        return "fault of ours", f"{type(fault).__name__}: {fault}"
    return "read", ""


def counted_as(fault: str) -> str:
    """The few words under which a sentence is counted."""
    small = fault[:1].lower() + fault[1:]
    if "compressed tiles where its header asks for" in small:
        return "other number of tiles"
    return next((words for start, words in _KNOWN.items() if small.startswith(start)), re.sub(r"\d+", "#", small)[:50])


@contextlib.contextmanager
def peak_of_memory() -> Iterator[list[float]]:
    """Growth of the process at its peak, where the system tells it (Linux); else nothing. [MB]"""
    peak: list[float] = []
    try:
        Path("/proc/self/clear_refs").write_text("5")  # the high-water mark begins anew: proc(5)
        before = _kilobytes("VmRSS")
    except OSError:
        yield peak
        return
    yield peak
    peak.append(max(0.0, (_kilobytes("VmHWM") - before) / 1024))


def _kilobytes(name: str) -> int:
    status = Path("/proc/self/status").read_text()
    return int(re.search(rf"{name}:\s*(\d+)", status)[1])
