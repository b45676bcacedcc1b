"""Hostile folders, lists, rig files and guiding records: each becomes what it is or a sentence, without waiting.

    python tests/fuzz/places.py                      2,000 of each, summed up in campaign.json
    python tests/fuzz/places.py --kind trees --one 17    one again, with what went wrong

A mutant follows from its kind, a seed and its number.
"""

import argparse
import contextlib
import json
import os
import random
import shutil
import signal
import socket
import stat
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

from framecheck.errors import FramecheckError
from framecheck.field import FrameFailure, FrameResult
from framecheck.logbook.mark import mark_of
from framecheck.night.guiding import read_guiding
from framecheck.pipeline import measure_file
from framecheck.read import Rig, find_frames, find_others, is_remote, lies_in, load_rig, rig_template, whole_path
from framecheck.read.exposure import Exposure

SUMMARY = Path(__file__).parent / "campaign.json"
MOST_S = 10
"""[s] Chosen: nothing here is large; what takes longer waits for something."""

ODD = (
    "light 1.fits", "läufer.FITS", "x.fit", "y.fts.gz", "z.fits.fz", "notes.txt", "new\nline.fits", "tab\t.fits",
    "-rf.fits", "'quoted'.fits", '"double".fits', "$(touch x).fits", "%s%n.fits", "\x1b[2J.fits", "\u202egnp.fits",
    "a" * 251 + ".fit", ".hidden.fits", " .fits", "..fits", "C:\\a.fits", "s3:", "https:", "caf\udce9.fits", "con.fits",
    "#comment.fits", "\u0301.fits",
)  # fmt: skip
CONTENTS = (b"", b"no FITS file" * 300, b"SIMPLE  =", b"\x1f\x8b\x08", b"\0" * 2880)
LINKED = ("not there", "/", "/proc/self/root", "/dev/zero", "/dev/full", "/dev/stdin", "/proc/self/mem", "light 1.fits")
SNIPPETS = (
    b"\0", b"\xff\xfe", b"\xef\xbb\xbf", b"\r", b"\r\n", b"\n\n", b"nan", b"inf", b"-1e999", b"1e308", b"9" * 400,
    b"'" * 3, b'"' * 3, b"[[a]]", b"[a.b.c]", b"[", b"{", b"}" * 9, b"=", b"a.b = 1\n", b"true", b"#", b",", b";",
    b"1979-05-27T07:32:00Z", b"\\u0000", b"\\ud800", b"\t" * 99, b"0x7f", b"1_000", b"../" * 40, b"x" * 5000,
    b"memory://x/y.fits", b"s3://bucket/x", b"[optics]\n", b"focal_length_mm = 530\n", b"pixel_um = 0\n",
    b"time_utc,", b"2024-03-01T21:00:00.5", b"24:61:61", b"\xe2\x80\xae",
)  # fmt: skip


class Wrong(Exception):  # noqa: N818
    """What must not be; the message says what."""


def mutated(chance: random.Random, honest: bytes) -> bytes:
    """An honest text with some of its bytes changed, cut, doubled, or replaced by what readers stumble over."""
    text = bytearray(honest)
    for _ in range(chance.choice((1, 1, 2, 3, 8, 30))):
        at, end = sorted((chance.randint(0, len(text)), chance.randint(0, len(text))))
        end = min(end, at + chance.choice((0, 1, 4, 60)))
        match chance.randrange(6):
            case 0:
                text[at:end] = chance.choice(SNIPPETS)
            case 1:
                text[at:end] = chance.randbytes(chance.randint(0, 8))
            case 2:
                text[at:at] = text[at:end] * chance.choice((1, 2, 50))
            case 3:
                del text[at:end]
            case 4 if at < len(text):
                text[at] ^= 1 << chance.randrange(8)
            case _:
                text[at:at] = chance.choice(SNIPPETS) * chance.choice((1, 1, 3, 200))
    return bytes(text)


def honest_rig(chance: random.Random) -> bytes:
    exposure = Exposure(file=Path("a.fits"), kind="light", width_px=100, height_px=100, focal_length_mm=530.0)
    lines = rig_template(exposure).splitlines()
    chosen = (line.removeprefix("# ") if " = " in line and chance.random() < 0.3 else line for line in lines)
    return "\n".join(chosen).encode()


def try_rig(chance: random.Random, folder: Path) -> str:
    """A rig file."""
    path = folder / "rig.toml"
    path.write_bytes(mutated(chance, honest_rig(chance)))
    load_rig(path)
    return "read"


def try_guiding(chance: random.Random, folder: Path) -> str:
    """A guiding record."""
    rows = [f"2024-03-01T21:00:{k:02d}.5,{chance.gauss(0, 1):.3f},{chance.gauss(0, 1):.3f}" for k in range(40)]
    path = folder / "guiding.csv"
    path.write_bytes(mutated(chance, "\n".join(["time_utc,ra_error_arcsec,dec_error_arcsec", *rows]).encode()))
    read_guiding(path)
    return "read"


def try_list(chance: random.Random, folder: Path) -> str:
    """A list of frames, in a folder that holds some of what it names."""
    plant(chance, folder, 6)
    names = [str(path.relative_to(folder)) for path in sorted(folder.rglob("*"))]
    names += [chance.choice(ODD) for _ in range(5)] + ["/dev/zero", "/dev/tty", ".", "..", "", "/", "# remark"]
    chance.shuffle(names)
    listed = folder.parent / "list.txt" if chance.random() < 0.5 else folder / "the list.TXT"
    with contextlib.suppress(OSError):
        honest = "\n".join(names).encode("utf-8", "surrogateescape")
        listed.write_bytes(honest if chance.random() < 0.3 else mutated(chance, honest))
    paths = find_frames(listed)
    must(len(paths) == len(set(paths)), "a path is there twice")
    for path in paths:
        if not is_remote(path):
            look_at(path)
    return "read"


def try_tree(chance: random.Random, folder: Path) -> str:
    """A folder of links, pipes, sockets and odd names: every file in it is told once."""
    plant(chance, folder, chance.choice((3, 10, 30)))
    frames, others = find_frames(folder), find_others(folder)
    told = Counter(place_of(path) for path in [*frames, *(path for path, _ in others)] if is_file(path))
    must(all(n == 1 for n in told.values()), "a file is told twice")
    missing = set(files_of(folder)) - set(told)
    must(not missing, f"files that nobody told: {missing}")
    for path in frames:
        must(is_file(path), f"{path!r} is no file, but a frame")
        look_at(path)
    for path, why in others:
        must(why == why.strip() and why, f"no reason for {path!r}")
        lies_in(path, folder)
        with contextlib.suppress(FramecheckError):
            whole_path(path)
    return f"{min(len(frames), 9)} frames" if frames else "no frame"


def look_at(path: Path) -> None:
    """What a night does with a path that it was given: it is known again, measured, or named."""
    with contextlib.suppress(OSError):
        mark_of(path)
    outcome = measure_file(path, Rig())
    must(isinstance(outcome, FrameFailure | FrameResult) or outcome.kind, "no outcome")
    if isinstance(outcome, FrameFailure):
        must("fault of framecheck" not in outcome.remedy, f"{path!r}: {outcome.fault}")


def plant(chance: random.Random, folder: Path, n: int) -> None:
    """Fill a folder with whatever a folder can hold."""
    places = [folder]
    for _ in range(n):
        where = chance.choice(places)
        path = where / chance.choice((*ODD, f"light {chance.randrange(9)}.fits"))
        with contextlib.suppress(OSError, ValueError):
            match chance.randrange(9):
                case 0 | 1:
                    with path.open("xb") as file:
                        file.write(chance.choice(CONTENTS))
                case 2:
                    deeper = where / chance.choice(("sub", "sub.fits", "täg", ".git", "a" * 200))
                    deeper.mkdir()
                    places.append(deeper)
                case 3:
                    path.symlink_to(path.name)  # to itself
                case 4:
                    path.symlink_to(chance.choice([*places, folder.parent, Path("..")]))
                case 5:
                    os.mkfifo(path)
                case 6:
                    path.symlink_to(chance.choice(LINKED))
                case 7:
                    with socket.socket(socket.AF_UNIX) as ear:
                        ear.bind(str(path))
                case _:
                    os.link(chance.choice([one for one in folder.rglob("*") if one.is_file()] or [folder]), path)
    for path in places[1:]:
        if chance.random() < 0.1:
            path.chmod(0)


def files_of(folder: Path) -> Iterator[tuple[int, int]]:
    """All plain files that are not hidden, links not followed: what `os.walk` of the standard library finds."""
    for here, below, names in os.walk(folder):
        below[:] = [name for name in below if not name.startswith(".")]
        for name in names:
            state = Path(here, name).lstat()
            if not name.startswith(".") and stat.S_ISREG(state.st_mode):
                yield state.st_dev, state.st_ino


def is_file(path: Path) -> bool:
    with contextlib.suppress(OSError):
        return stat.S_ISREG(path.stat().st_mode)
    return False


def place_of(path: Path) -> tuple[int, int]:
    state = path.stat()
    return state.st_dev, state.st_ino


def must(true: object, what: str) -> None:
    if not true:
        raise Wrong(what)


KINDS: dict[str, Callable[[random.Random, Path], str]] = {
    "trees": try_tree, "lists": try_list, "rig files": try_rig, "guiding records": try_guiding,
}  # fmt: skip


def try_one(kind: str, seed: int, number: int) -> tuple[str, str, float]:
    """Outcome, what was wrong if it was not borne, and seconds."""
    chance = random.Random(f"{kind} {seed} {number}")
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "night"
        folder.mkdir()
        begin = time.monotonic()
        before = signal.signal(signal.SIGALRM, too_long)
        signal.alarm(MOST_S)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                return KINDS[kind](chance, folder), "", time.monotonic() - begin
        except FramecheckError as told:
            said = str(told)
            wrong = "" if said.endswith((".", "?")) and len(said) < 6000 else f"no sentence: {said[:300]!r}"
            return ("wrong" if wrong else f"refused: {type(told).__name__}"), wrong, time.monotonic() - begin
        except Exception:
            return "wrong", traceback.format_exc(limit=-4), time.monotonic() - begin
        finally:
            signal.alarm(0)
            signal.signal(signal.SIGALRM, before)
            for path in folder.rglob("*"):
                if path.is_dir() and not path.is_symlink():
                    path.chmod(0o700)
            shutil.rmtree(folder)


def too_long(*_: Any) -> None:
    raise Wrong(f"took over {MOST_S} s")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kind", choices=KINDS, nargs="*", default=list(KINDS))
    parser.add_argument("--mutants", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--one", type=int)
    parser.add_argument("--summary", type=Path, default=SUMMARY)
    options = parser.parse_args()
    n_wrong = 0
    for kind in options.kind:
        numbers = range(options.mutants) if options.one is None else [options.one]
        tried = [try_one(kind, options.seed, number) for number in numbers]
        wrong = [f"{number}: {why}" for number, (_, why, _) in zip(numbers, tried, strict=True) if why]
        n_wrong += len(wrong)
        summary = {
            "date": date.today().isoformat(), "seed": options.seed, "mutants": len(tried), "bad": len(wrong),
            "outcomes": dict(Counter(outcome for outcome, _, _ in tried).most_common()),
            "slowest": {"seconds": round(max(seconds for _, _, seconds in tried), 2)}, "not borne": wrong[:20],
        }  # fmt: skip
        if options.one is None:
            kept = json.loads(options.summary.read_text(encoding="utf-8")) if options.summary.exists() else {}
            options.summary.write_text(json.dumps(kept | {kind: summary}, indent=1) + "\n", encoding="utf-8")
        sys.stdout.write(json.dumps({kind: summary}, indent=1) + "\n")
    return 1 if n_wrong else 0


if __name__ == "__main__":
    sys.exit(main())
