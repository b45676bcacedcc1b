"""Hostile logbooks, journals and night.json: what framecheck writes itself and reads again, damaged or forged.

Each mutant follows from a seed and its number. `TRIES` gives it to what reads it and looks at all that must not happen.
"""

import contextlib
import io
import json
import os
import shutil
import sqlite3
import sys
import time
import warnings
import zlib
from collections.abc import Callable
from contextlib import closing
from copy import deepcopy
from pathlib import Path
from typing import Any

import numpy as np
from trial import Trial, peak_of_memory

sys.path += [str(Path(__file__).parent.parent / room) for room in ("logbook", "decision", "whole")]
from kept_frames import bits
from night_documents import document_of
from past_nights import night
from small_night import draw_light

from framecheck.cli import main
from framecheck.decision.alarms import alarms_of_text
from framecheck.decision.past_night import past_night
from framecheck.document import json_text
from framecheck.errors import FramecheckError
from framecheck.logbook import Logbook, UnusableLogbook, open_logbook
from framecheck.logbook.export import export_csv
from framecheck.logbook.seal import COLUMNS, checksum
from framecheck.logbook.soundness import look_through, repair
from framecheck.pipeline import Measurements, judge_night, measure_file
from framecheck.read import Rig
from framecheck.report.night_json import night_document
from framecheck.sort.carry_out import carry_out
from framecheck.sort.journal import JOURNAL
from framecheck.sort.plan import plan_sort
from framecheck.sort.records import Way
from framecheck.sort.undo import undo

Random = np.random.Generator
MOST_S, MOST_MB = 10.0, 700.0
"""[s of this process at work], [MB] Chosen: a forged night may take up to the 256 MB that it may unpack to, and what
JSON makes of them."""

NUMBERS = (
    0, -0.0, 1, -1, 2, 7, 1e-9, -3.7, 5e-324, 1e-300, 1e38, 1e-38, 1e18, 1e19, 1e150, 1e308, -1e308, float("nan"),
    float("inf"), -float("inf"), 2**31, 2**63, -(2**63), 10**40, 10**400,
)  # fmt: skip
WORDS: tuple[Any, ...] = (
    None, True, False, "", "a", "\x1b[2J", "\u202eb", "\udcff", "=1+1", "x" * 100_000, "../victim/planted",
    "/etc/passwd", "keep/../../victim/planted", "a\0b", "C:\\x", "..", ".", "keep", "keep/light 0.fits", "NaN",
    "2025-02-30T25:61:61", "0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59-23:59", "2025-03-01T21:00:00",
    [], {}, [[]], {"a": {"b": 1}}, [0] * 10_000, [None, "a", 1e308],
)  # fmt: skip


def twisted(document: Any, rng: Random) -> Any:
    """A JSON document with one to four of its parts made hostile."""
    held = json.loads(json.dumps(document))
    for _ in range(int(rng.integers(1, 5))):
        part, key = _some_place(held, rng)
        if part is None:
            continue
        match int(rng.integers(8)):
            case 0:
                del part[key]
            case 1 if isinstance(part, list):
                part.insert(key, part[key])
            case 1 | 2:
                part[key] = [part[key]]
            case 3 if isinstance(part[key], float):
                part[key] = part[key] * float(10.0 ** rng.integers(-30, 30))
            case 4 if isinstance(part[key], str) and part[key]:
                at = int(rng.integers(len(part[key])))
                part[key] = part[key][:at] + chr(int(rng.integers(1, 0x2100))) + part[key][at + 1 :]
            case 5 | 6:
                part[key] = deepcopy(WORDS[int(rng.integers(len(WORDS)))])
            case _:
                part[key] = NUMBERS[int(rng.integers(len(NUMBERS)))]
    return held


def _some_place(document: Any, rng: Random) -> tuple[Any, Any]:
    """A container and a key of it, each step down by chance."""
    part, found = document, (None, None)
    while isinstance(part, dict | list) and part:
        keys = list(part) if isinstance(part, dict) else range(len(part))
        key = keys[int(rng.integers(len(keys)))]
        found, part = (part, key), part[key]
        if rng.random() < 0.15:
            break
    return found


def broken(content: bytes, rng: Random) -> bytes:
    """Bytes as a failing disk or a half copy leaves them."""
    held = bytearray(content)
    at = int(rng.integers(len(held)))
    block, other = (int(rng.integers(-(-len(held) // 4096))) * 4096 for _ in range(2))
    match int(rng.integers(8)):
        case 0:
            del held[at:]
        case 1:
            held[at : at + 600] = bytes(len(held[at : at + 600]))
        case 2:
            held[block : block + 4096] = rng.bytes(len(held[block : block + 4096]))
        case 3:
            held[block : block + 4096] = held[other : other + 4096]
        case 4:
            held[int(rng.integers(min(100, len(held))))] = int(rng.integers(256))  # SQLite's header
        case _:
            for _ in range(int(rng.integers(1, 4))):
                held[int(rng.integers(len(held)))] ^= 1 << int(rng.integers(8))
    return bytes(held)


def logbooks(folder: Path, seed: int) -> Callable[[int], Trial]:
    """Tries of logbooks."""
    paths = [folder / "night" / f"{k}.fits" for k in range(4)]
    for k, path in enumerate(paths):
        draw_light(path, k, elongation=1.0 + 0.1 * k)
    results = [measure_file(path, Rig()) for path in paths]
    file = folder / "book.sqlite"
    with Logbook(file) as book:
        for path, result in zip(paths, results, strict=True):
            book.recall(path, Rig())
            assert book.record(path, Rig(), result)
        assert book.record_night(document_of(night(n_frames=12)))
        book.keep_told(folder, json.dumps({"night": None, "alarms": []}))
    whole = file.read_bytes()

    def attempt(number: int) -> tuple[str, str]:
        rng = np.random.default_rng((seed, number))
        for left in folder.glob("book*"):
            left.unlink()
        is_forged = number % 2 == 1
        file.write_bytes(whole if is_forged else broken(whole, rng))
        if is_forged:
            forge(file, rng)
        return read_logbook(file, folder, paths, results, is_forged=is_forged)

    return lambda number: tried(number, attempt)


def forge(file: Path, rng: Random) -> None:
    """Change a row, and give it a checksum that fits."""
    with closing(sqlite3.connect(file, isolation_level=None)) as database:
        table = ("frames", "frames", "frames", "nights", "watched")[int(rng.integers(5))]
        names = list(COLUMNS[table])
        rows = database.execute(f"SELECT rowid, {', '.join(names)} FROM {table}").fetchall()
        number, *values = rows[int(rng.integers(len(rows)))]
        row = dict(zip(names, values, strict=True))
        name = names[int(rng.integers(len(names)))]
        if table == "frames" and rng.random() < 0.5:
            row["record"] = json.dumps(twisted(json.loads(row["record"]), rng))
        elif table == "frames" and rng.random() < 0.7:
            row["arrays"] = zlib.compress(with_odd_numbers(zlib.decompress(row["arrays"]), rng))
        elif table == "nights" and rng.random() < 0.8:
            row["document"] = zlib.compress(
                json.dumps(twisted(json.loads(zlib.decompress(row["document"])), rng)).encode()
            )
        elif table == "watched" and rng.random() < 0.8:
            row["told"] = json.dumps(twisted(json.loads(row["told"]), rng))
        else:
            row[name] = (None, 1, 2**62, 1.5, "text", b"bytes", "\ud800".encode("utf-8", "surrogatepass"), "", b"")[
                int(rng.integers(9))
            ]
        with contextlib.suppress(sqlite3.IntegrityError):  # NOT NULL
            database.execute(
                f"UPDATE {table} SET {', '.join(f'{name} = ?' for name in names)}, checksum = ? WHERE rowid = ?",
                [*row.values(), checksum(*row.values()), number],
            )


def with_odd_numbers(block: bytes, rng: Random) -> bytes:
    """A block of numbers in which some are what none should be."""
    numbers = np.frombuffer(block[: len(block) // 4 * 4], np.float32).copy()
    odd = np.array([np.nan, np.inf, -np.inf, 3e38, 1e-45, 0, -1e17, 1e18], np.float32)
    at = rng.integers(len(numbers), size=int(rng.choice([1, 3, 100])))
    numbers[at] = rng.choice(odd, size=len(at))
    return numbers.tobytes() + block[len(block) // 4 * 4 :]


def read_logbook(
    file: Path, folder: Path, paths: list[Path], results: list[Any], *, is_forged: bool
) -> tuple[str, str]:
    """All that is ever done with a logbook, and how it is told."""
    told: list[str] = []
    n_known, outcomes = 0, []
    book = open_logbook(file, told.append)
    with book or contextlib.nullcontext():
        for path, result in zip(paths, results, strict=True):
            known = None if book is None else book.recall(path, Rig())
            if known is not None and not is_forged and bits(known) != bits(result):
                return "changed silently", path.name
            if known is None and book is not None:
                book.record(path, Rig(), result)
            n_known += known is not None
            outcomes.append(known or result)
        if book is not None:
            alarms_of_text(book.told(folder) or "{}")
            for look in LOOKS:
                with contextlib.suppress(UnusableLogbook):  # the sentence that ends `history` or `logbook`
                    look(book)
    if is_forged and n_known:
        judge(folder, outcomes)
    for look in (look_through, repair):
        with contextlib.suppress(UnusableLogbook):
            look(file)
    if not all(text.isprintable() and len(text) < 600 for text in told) or len(told) > 2:
        return "noisy", " / ".join(told)
    if book is None:
        return "gone on without", told[0]
    if any("set aside" in text for text in told):
        return "set aside, begun anew", told[0]
    return ("all known", "") if n_known == len(paths) else ("some measured again", "")


def nights_of(book: Logbook) -> None:
    """Judged nights as `history` reads them."""
    for document in book.nights():
        with contextlib.suppress(FramecheckError):
            past_night(document, "night", "logbook")


LOOKS: tuple[Callable[[Logbook], object], ...] = (
    nights_of, lambda book: book.folders(), lambda book: export_csv(book, io.BytesIO()),
)  # fmt: skip


def judge(folder: Path, outcomes: list[Any]) -> None:
    """Judge what a logbook gave for measurements, and write it as JSON."""
    results = tuple(one for one in outcomes if hasattr(one, "stars"))
    skipped = tuple(one for one in outcomes if not hasattr(one, "stars"))
    if results:
        measured = Measurements(results=results, failures=(), skipped=skipped)
        json.loads(json_text(night_document(judge_night(folder, measured, Rig()))), parse_constant=lambda _: 1 / 0)


WAYS: tuple[Way, ...] = ("copy", "move", "link")


def journals(folder: Path, seed: int) -> Callable[[int], Trial]:
    """Tries of journals of a sort."""
    book = Logbook(folder / "book.sqlite")

    def attempt(number: int) -> tuple[str, str]:
        rng = np.random.default_rng((seed, number))
        top = folder / "top"
        shutil.rmtree(top, ignore_errors=True)
        lights, into = top / "lights", top / "out" / "sorted"
        (top / "victim").mkdir(parents=True)
        (top / "victim" / "theirs").write_bytes(b"theirs")
        lights.mkdir()
        for k in range(4):
            (lights / f"light {k}.fits").write_bytes(bytes([k + 1]) * 500)
        frames = [{"file": f"light {k}.fits", "grade": ("keep", "reject")[k % 2]} for k in range(4)]
        (lights / "night.json").write_text(json.dumps({"frames": frames}))
        carry_out(plan_sort(lights, into, None, WAYS[number % 3]), logbook=book)
        disturb(lights, into, top / "victim", rng)
        before = contents_of(top)
        (into / JOURNAL).write_bytes(hostile_journal((into / JOURNAL).read_bytes(), rng))
        try:
            # a link to somewhere else is what a user means who says so
            undone = undo(into, logbook=book) if rng.random() < 0.7 else undo(into, frames=lights)
        except FramecheckError as why:
            came_to = "refused", str(why)
        else:
            came_to = ("problems told", undone.problems[0][1]) if undone.problems else ("taken back", "")
        after = contents_of(top)
        strange = {path for path in before.keys() ^ after.keys() if path[0] not in ("lights", "out")}
        changed = {path for path in before.keys() & after.keys() if before[path] != after[path] and path[-1] != JOURNAL}
        if strange or changed:
            return "wrote elsewhere", f"{strange | changed}"
        if missing := frames_in(before, top) - frames_in(after, top):
            return "lost a frame", f"{len(missing)} of {came_to}"
        return came_to if came_to[1].isprintable() else ("noisy", came_to[1])

    return lambda number: tried(number, attempt)


def disturb(lights: Path, into: Path, victim: Path, rng: Random) -> None:
    """Do to the folders what users do between a sort and its undoing."""
    for path in sorted(into.rglob("*.fits")):
        match int(rng.integers(12)):
            case 0:
                path.unlink()
            case 1:
                if not path.is_symlink():
                    path.write_bytes(b"edited")
            case 2:
                path.unlink()
                path.symlink_to(victim / "theirs")
    if rng.random() < 0.1:
        shutil.rmtree(into / "keep", ignore_errors=True)
        (into / "keep").symlink_to(victim)
    if rng.random() < 0.1:
        (lights / "light 0.fits").unlink(missing_ok=True)
        (lights / "light 0.fits").symlink_to(victim / "theirs")


def hostile_journal(content: bytes, rng: Random) -> bytes:
    """The lines of a journal twisted, doubled, left out, in another order, or its bytes broken."""
    if rng.random() < 0.25:
        return broken(content, rng)
    lines = [json.loads(line) for line in content.splitlines()]
    at = int(rng.integers(len(lines)))
    match int(rng.integers(6)):
        case 0:
            del lines[at]
        case 1:
            lines.insert(int(rng.integers(len(lines))), lines[at])
        case 2:
            rng.shuffle(lines)
        case _:
            lines[at] = twisted(lines[at], rng)
    return b"".join(json.dumps(line).encode() + b"\n" for line in lines)


def contents_of(top: Path) -> dict[tuple[str, ...], bytes]:
    """Every file below a folder; of a link, where it leads."""
    return {
        path.relative_to(top).parts: os.fsencode(path.readlink()) if path.is_symlink() else path.read_bytes()
        for path in top.rglob("*")
        if path.is_symlink() or path.is_file()
    }


def frames_in(contents: dict[tuple[str, ...], bytes], top: Path) -> set[bytes]:
    """Contents of all frames that are files, links left out."""
    return {content for path, content in contents.items() if path[-1] != JOURNAL and not content.startswith(bytes(top))}


def nights(folder: Path, seed: int) -> Callable[[int], Trial]:
    """Tries of night.json."""
    documents = [document_of(night(n_frames=30, causes=("periodic-error",), seed=k, days=k)) for k in range(2)]
    honest, hostile = folder / "honest", folder / "hostile"
    for place in (honest, hostile):
        place.mkdir()
    (honest / "night.json").write_text(json.dumps(documents[0]))
    for frame in documents[1]["frames"]:
        (hostile / frame["file"]).parent.mkdir(parents=True, exist_ok=True)
        (hostile / frame["file"]).write_bytes(b"frame")
    ways: tuple[list[str | Path], ...] = (
        ["compare", honest, hostile],
        ["compare", hostile, honest, "--json"],
        ["history", hostile, honest],
        ["history", hostile, "--json"],
        ["sort", hostile, "--into", folder / "sorted", "--by", hostile, "--dry-run"],
    )

    def attempt(number: int) -> tuple[str, str]:
        rng = np.random.default_rng((seed, number))
        text = json.dumps(twisted(documents[1], rng)).encode()
        (hostile / "night.json").write_bytes(broken(text, rng) if rng.random() < 0.2 else text)
        words = ways[number % len(ways)]
        code, said, warned = command(words)
        whole = said + warned
        if "fault of framecheck" in whole or code not in (0, 1, 2, 3) or (folder / "sorted").exists():
            return "fault of ours", whole.strip()
        shown = whole.replace("\n", "").replace("\u202f", "")
        if not shown.isprintable() or "Traceback" in whole or "Warning" in whole:
            return "noisy", whole
        if "--json" in words and code == 0:
            json.loads(said, parse_constant=lambda name: 1 / 0)
        if code == 2 and (warned.count("\n") != 1 or len(warned) > 700):
            return "noisy", warned
        return {0: "told", 1: "told, but not of all", 2: "refused", 3: "nothing in it"}[code], warned

    return lambda number: tried(number, attempt)


def command(words: list[str | Path]) -> tuple[int, str, str]:
    """Exit code, output and errors of a command in this process."""
    out, err = io.StringIO(), io.StringIO()
    sys.argv = ["framecheck", *map(str, words)]
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main._exit_code()
    return code, out.getvalue(), err.getvalue()


def tried(number: int, attempt: Callable[[int], tuple[str, str]]) -> Trial:
    """One mutant with warnings as errors, timed and weighed."""
    start = time.process_time()
    with peak_of_memory() as peak, warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            outcome, told = attempt(number)
        except Exception as escaped:
            outcome, told = "fault of ours", f"{type(escaped).__name__}: {escaped}"
    seconds, megabytes = time.process_time() - start, peak[0] if peak else 0.0
    if seconds > MOST_S:
        outcome = "hung"
    elif megabytes > MOST_MB:
        outcome = "too much memory"
    return Trial(number=number, outcome=outcome, seconds=seconds, megabytes=megabytes, told=told)


TRIES: dict[str, Callable[[Path, int], Callable[[int], Trial]]] = {
    "logbook": logbooks, "journal": journals, "night.json": nights,
}  # fmt: skip
