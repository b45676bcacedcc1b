"""Logbooks that a disk damaged or somebody forged: told, mended, and never believed. Damage is drawn, seeded."""

import json
import os
import sqlite3
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from kept_frames import bits, result_of, write_file
from typer.testing import CliRunner

from framecheck.cli import main
from framecheck.errors import CannotFinish
from framecheck.logbook import Logbook, UnusableLogbook, WrittenReport, open_logbook
from framecheck.logbook.seal import COLUMNS, checksum
from framecheck.logbook.soundness import look_through, repair
from framecheck.read import Rig

RIG = Rig()


def filled(folder: Path, n_frames: int = 3, n_stars: int = 40) -> tuple[Path, list[Path]]:
    """A logbook, and the frames in it."""
    file = folder / "book.sqlite"
    paths = [write_file(folder / "night" / f"{k}.fits", k) for k in range(n_frames)]
    with Logbook(file) as book:
        for seed, path in enumerate(paths):
            book.recall(path, RIG)
            assert book.record(path, RIG, result_of(path, seed, n_stars))
    return file, paths


def changed(file: Path, *statements: str) -> None:
    database = sqlite3.connect(file, isolation_level=None)
    for statement in statements:
        database.execute(statement)
    database.close()


@pytest.mark.parametrize(
    "change",
    [
        """UPDATE frames SET record = replace(record, '"n_found":99', '"n_found":98')""",
        """UPDATE frames SET record = replace(record, '"sensor_temp_c":null', '"sensor_temp_c":-10.0')""",
        "UPDATE frames SET arrays = arrays || x'00'",
        "UPDATE frames SET measured_utc = '2020-01-01T00:00:00+00:00'",
        "UPDATE frames SET outcome = 'skipped'",
        "UPDATE frames SET record = CAST(record AS BLOB)",
        "UPDATE frames SET checksum = x'00'",
    ],
)
def test_a_record_that_was_changed_is_measured_again_and_told_once(tmp_path: Path, change: str) -> None:
    file, paths = filled(tmp_path)
    changed(file, change)
    told: list[str] = []
    with Logbook(file, tell=told.append) as book:
        assert [book.recall(path, RIG) for path in paths] == [None] * 3
        assert list(book.frames()) == []
        assert len(told) == 1
        assert "those frames are measured again" in told[0]
        for path in paths:
            assert book.record(path, RIG, result_of(path))
            assert bits(book.recall(path, RIG)) == bits(result_of(path))


def test_the_checksum_tells_types_and_ends_of_values() -> None:
    rows: list[tuple[object, ...]] = [("a", "b"), ("ab", ""), ("", "ab"), (b"a", "b"), ("a", None), ("a", "None"), (1,)]
    rows += [("1",), ("a", "b", "")]
    assert len({checksum(*row) for row in rows}) == len(rows)


def flipped(content: bytes, rng: np.random.Generator) -> bytes:
    """One bit changed; or a stretch zeroed, or torn off, as failing disks do."""
    held, at = bytearray(content), int(rng.integers(len(content)))
    match int(rng.integers(10)):
        case 0:
            held[at : at + int(rng.integers(1, 5000))] = bytes(min(int(rng.integers(1, 5000)), len(held) - at))
        case 1:
            del held[at:]
        case _:
            held[at] ^= 1 << int(rng.integers(8))
    return bytes(held)


def test_a_damaged_default_logbook_ends_no_night_and_changes_no_value(tmp_path: Path) -> None:
    file, paths = filled(tmp_path, n_stars=15)
    whole, rng = file.read_bytes(), np.random.default_rng(4)
    wanted = [bits(result_of(path, seed, 15)) for seed, path in enumerate(paths)]
    n_aside = n_told = 0
    for number in range(50):
        for path in tmp_path.glob("book*"):
            path.unlink()
        file.write_bytes(flipped(whole, rng))
        told: list[str] = []
        book = open_logbook(file, told.append)
        if book is not None:
            with book:
                for path, right in zip(paths, wanted, strict=True):
                    known = book.recall(path, RIG)
                    assert known is None or bits(known) == right, number
                    if known is None:
                        book.record(path, RIG, result_of(path))
                list(book.frames()), list(book.nights()), book.folders(), book.told(tmp_path)
        assert len(told) <= 2, told
        n_aside += len(list(tmp_path.glob("book.damaged-*.sqlite")))
        n_told += bool(told)
    assert n_aside > 3
    assert n_told > 10


def test_a_damaged_logbook_is_set_aside_whole(tmp_path: Path) -> None:
    file, paths = filled(tmp_path)
    content = bytearray(file.read_bytes())
    content[100:4096] = bytes(3996)  # the table of tables
    file.write_bytes(content)
    for number in (1, 2):
        told: list[str] = []
        book = open_logbook(file, told.append)
        assert book is not None
        with book:
            assert book.recall(paths[0], RIG) is None
            assert book.record(paths[0], RIG, result_of(paths[0]))
        assert told == [
            f"{file}: the logbook is damaged. It was set aside as book.damaged-{number}.sqlite, and a new one is "
            "begun. `framecheck logbook --repair` keeps what is sound of the old one, named with --logbook."
        ]
        assert (tmp_path / f"book.damaged-{number}.sqlite").read_bytes() == bytes(content)
        file.write_bytes(content)


HOSTILE: dict[str, list[str]] = {
    "a view that never ends": [
        "DROP TABLE watched",
        "CREATE VIEW watched AS WITH RECURSIVE n(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM n) SELECT x FROM n",
    ],
    "a trigger": ["CREATE TRIGGER t AFTER INSERT ON frames BEGIN DELETE FROM nights; END"],
    "another column": ["ALTER TABLE frames ADD COLUMN more"],
    "no table": ["DROP TABLE frames"],
    "an older version": ["PRAGMA user_version = 1"],
    "an impossible version": ["PRAGMA user_version = -3"],
    "another application": ["PRAGMA application_id = 17"],
}


@pytest.mark.parametrize("what", HOSTILE)
def test_tables_that_are_not_ours_to_the_letter_are_not_used(tmp_path: Path, what: str) -> None:
    file, paths = filled(tmp_path, 1)
    changed(file, *HOSTILE[what])
    told: list[str] = []
    book = open_logbook(file, told.append)
    assert book is not None
    with book:
        assert book.recall(paths[0], RIG) is None
        assert book.record(paths[0], RIG, result_of(paths[0]))
    assert len(told) == 1
    assert "set aside" in told[0]


def resealed(file: Path, change: Callable[[dict[str, object]], None]) -> None:
    """A frame's row forged: changed, with a checksum that fits."""
    database = sqlite3.connect(file, isolation_level=None)
    names = list(COLUMNS["frames"])
    row = dict(zip(names, database.execute(f"SELECT {', '.join(names)} FROM frames").fetchone(), strict=True))
    change(row)
    database.execute(
        f"UPDATE frames SET {', '.join(f'{name} = ?' for name in names)}, checksum = ?",
        [*row.values(), checksum(*row.values())],
    )
    database.close()


@pytest.mark.parametrize(
    ("name", "value"),
    [("record", "{"), ("record", b"\xff"), ("record", "[" * 5000), ("outcome", "none"), ("arrays", "text")],
)
def test_a_forged_record_with_a_fitting_checksum_is_none(tmp_path: Path, name: str, value: object) -> None:
    file, paths = filled(tmp_path, 1)
    resealed(file, lambda row: row.update({name: value}))
    with Logbook(file) as book:
        assert book.recall(paths[0], RIG) is None
        assert list(book.frames()) == []


@pytest.mark.parametrize(
    ("told", "is_shown"),
    [("12 kept\n\x1b[1mtilt\x1b[0m 3\u202f% été", True), ("\x1b[2J", False), ("a\rb", False), ("\u202eb", False)],
)
def test_a_forged_report_steers_no_terminal(tmp_path: Path, told: str, is_shown: bool) -> None:
    with Logbook(tmp_path / "book.sqlite") as book:
        for report in (
            WrittenReport(summary=told, files={}, failures={}),
            WrittenReport(summary="", files={}, failures={"a.fits": told}),
        ):
            book.record_report(tmp_path, tmp_path, b"basis", report)
            assert (book.recall_report(tmp_path, b"basis") == report) == is_shown


def test_check_tells_what_is_sound_and_repair_drops_the_rest(tmp_path: Path) -> None:
    file, paths = filled(tmp_path)
    with Logbook(file) as book:
        book.keep_told(tmp_path, "told")
    assert look_through(file).is_sound
    assert look_through(file).n_sound == {"frames": 3, "nights": 0, "watched": 1, "reports": 0, "sorts": 0}
    changed(file, "UPDATE frames SET record = '' WHERE name = '1.fits'")
    for look in (look_through, lambda file: repair(file)[0]):
        found = look(file)
        assert (found.n_sound["frames"], found.n_damaged["frames"], found.structure) == (2, 1, None)
    assert look_through(file).is_sound
    with Logbook(file) as book:
        assert [book.recall(path, RIG) is None for path in paths] == [False, True, False]


def test_repair_saves_what_can_be_read_of_a_damaged_file(tmp_path: Path) -> None:
    file, paths = filled(tmp_path, n_frames=12)
    content = bytearray(file.read_bytes())
    middle = len(content) // 2 // 4096 * 4096
    content[middle : middle + 4096] = np.random.default_rng(1).bytes(4096)
    file.write_bytes(content)
    found, aside = repair(file)
    assert found.structure is not None or found.unread
    if aside is not None:
        assert aside.read_bytes() == bytes(content)
    assert look_through(file).is_sound
    with Logbook(file) as book:
        known = [book.recall(path, RIG) for path in paths]
    assert 8 <= sum(one is not None for one in known) < 12
    for seed, (path, one) in enumerate(zip(paths, known, strict=True)):
        assert one is None or bits(one) == bits(result_of(path, seed))


def test_a_file_that_is_no_logbook_is_not_repaired(tmp_path: Path) -> None:
    text, foreign = tmp_path / "notes.txt", tmp_path / "theirs.sqlite"
    text.write_text("no database" * 500)
    changed(foreign, "CREATE TABLE theirs (x)")
    for file, said in ((text, "no logbook"), (foreign, "another program")):
        before = file.read_bytes()
        for look in (look_through, repair):
            with pytest.raises(UnusableLogbook, match=said):
                look(file)
        assert file.read_bytes() == before


def test_the_command_checks_and_repairs(tmp_path: Path) -> None:
    file, _ = filled(tmp_path)
    changed(file, "UPDATE frames SET record = '' WHERE name = '1.fits'")

    def run(*words: str) -> tuple[int, str]:
        ended = CliRunner().invoke(main.app, ["logbook", "--logbook", str(file), *words], env={"TERM": "dumb"})
        return ended.exit_code, ended.output

    code, said = run("--check")
    assert code == 1
    assert "2 frames sound, 1 damaged" in said
    code, said = run("--repair", "--json")
    assert (code, json.loads(said)["n_damaged"]["frames"]) == (0, 1)
    code, said = run("--check")
    assert (code, "All of it is sound." in said) == (0, True)


def test_only_its_owner_reads_a_new_logbook(tmp_path: Path) -> None:
    file = tmp_path / "data" / "book.sqlite"
    Logbook(file).close()
    assert file.stat().st_mode & 0o777 == 0o600
    assert file.parent.stat().st_mode & 0o777 == 0o700


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="has no pipes")
def test_a_pipe_is_not_opened_to_be_checked(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "book.sqlite")
    for look in (look_through, repair):
        with pytest.raises(UnusableLogbook, match="isn't a regular file"):
            look(tmp_path / "book.sqlite")


def test_a_logbook_that_may_only_be_read_is_not_called_damaged(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What SQLite says where a file in WAL mode lies in a folder that takes no others (wal.html)."""
    file, _ = filled(tmp_path)

    class Closed(sqlite3.Connection):
        def execute(self, *words: Any) -> sqlite3.Cursor:
            if "integrity_check" in words[0]:
                why = sqlite3.OperationalError("attempt to write a readonly database")
                why.sqlite_errorname = "SQLITE_READONLY_DIRECTORY"
                raise why
            return super().execute(*words)

    monkeypatch.setattr(sqlite3, "connect", partial(sqlite3.connect, factory=Closed))
    for look in (look_through, repair):
        with pytest.raises(CannotFinish, match="it may only be read"):
            look(file)


def test_a_logbook_named_in_the_home_of_nobody_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FRAMECHECK_LOGBOOK", "~nobody-of-this-name/book.sqlite")
    ended = CliRunner().invoke(main.app, ["logbook"])
    assert "there is no logbook yet" in str(ended.exception)
