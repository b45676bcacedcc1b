"""Killed at any moment, shared by two processes: nothing recorded is lost, nothing is corrupt."""

import sqlite3
import subprocess
import sys
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from kept_frames import write_file

from framecheck.logbook import Logbook
from framecheck.read import Rig

WRITER = """
import sys
from pathlib import Path
sys.path.append({tests!r})
from kept_frames import result_of
from framecheck.logbook import Logbook
from framecheck.read import Rig
book, folder = Logbook(Path(sys.argv[1])), Path(sys.argv[2])
for path in sorted(folder.iterdir()):
    if book.recall(path, Rig()) is None and book.record(path, Rig(), result_of(path, n_stars=300)):
        print(path, flush=True)
"""


def writer(book: Path, folder: Path) -> "subprocess.Popen[str]":
    script = WRITER.format(tests=str(Path(__file__).parent))
    return subprocess.Popen([sys.executable, "-c", script, book, folder], stdout=subprocess.PIPE, text=True)


def test_nothing_recorded_is_lost_by_a_kill(tmp_path: Path) -> None:
    file = tmp_path / "book.sqlite"
    folder = tmp_path / "night"
    for k in range(120):
        write_file(folder / f"{k:03}.fits", k)
    recorded: set[Path] = set()
    for n_before_the_kill in (1, 7, 20):
        with writer(file, folder) as process:
            assert process.stdout is not None
            recorded |= {Path(process.stdout.readline().strip()) for _ in range(n_before_the_kill)}
            process.kill()
            recorded |= {Path(line.strip()) for line in process.stdout if line.endswith("\n")}
        with Logbook(file) as book:
            assert all(book.recall(path, Rig()) is not None for path in recorded)
        database = sqlite3.connect(file)
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        (held,) = database.execute("SELECT count(*) FROM frames").fetchone()
        database.close()
        assert len(recorded) <= held <= len(recorded) + 3  # one written, but not yet told, at each kill


def test_two_processes_use_one_logbook_from_its_first_moment(tmp_path: Path) -> None:
    file = tmp_path / "book.sqlite"
    for k in range(40):
        write_file(tmp_path / "one" / f"{k:03}.fits", k)
        write_file(tmp_path / "two" / f"{k:03}.fits", 1000 + k)
    with writer(file, tmp_path / "one") as one, writer(file, tmp_path / "two") as two:
        assert len(one.communicate(timeout=300)[0].splitlines()) == 40
        assert len(two.communicate(timeout=300)[0].splitlines()) == 40
    assert (one.returncode, two.returncode) == (0, 0)
    with Logbook(file) as book:
        assert [entry.n_measured for entry in book.folders()] == [40, 40]
        assert sum(1 for _ in book.frames()) == 80


def test_who_is_turned_away_from_a_logbook_that_two_begin_at_once_tries_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite's answer if two processes change the mode of a file at once: busy, at once, whatever the timeout."""
    refused: list[str] = []

    class Busy(sqlite3.Connection):
        def execute(self, *words: Any) -> sqlite3.Cursor:
            if "journal_mode" in words[0] and len(refused) < 3:
                refused.append(words[0])
                why = sqlite3.OperationalError("database is locked")
                why.sqlite_errorname = "SQLITE_BUSY"
                raise why
            return super().execute(*words)

    monkeypatch.setattr(sqlite3, "connect", partial(sqlite3.connect, factory=Busy))
    with Logbook(tmp_path / "book.sqlite") as book:
        assert book.folders() == ()
    assert len(refused) == 3
