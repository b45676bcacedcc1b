"""Judged nights in the logbook: what was judged last of the same frames counts, and nothing else is lost."""

import sqlite3
import sys
import zlib
from pathlib import Path
from typing import Any

import pytest

sys.path.append(str(Path(__file__).parent.parent / "decision"))
from night_documents import document_of
from past_nights import night

from framecheck.logbook import Logbook, UnusableLogbook, judged
from framecheck.logbook.judged import night_row
from framecheck.logbook.schema import MIGRATIONS, bring_up_to_date
from framecheck.logbook.seal import sealed
from framecheck.logbook.soundness import look_through


def document(folder: Path, **changes: Any) -> dict[str, Any]:
    return document_of(night(n_frames=12, **changes)) | {"source": {"folder": str(folder)}}


@pytest.fixture
def book(tmp_path: Path):
    with Logbook(tmp_path / "book.sqlite") as opened:
        yield opened


def test_a_night_is_kept_as_it_was_judged(book: Logbook, tmp_path: Path) -> None:
    written = document(tmp_path / "lights")
    assert book.record_night(written)
    (found,) = book.nights()
    assert found == {key: value for key, value in written.items() if key not in ("charts", "skipped")}


def test_the_same_frames_judged_again_take_the_old_place(book: Logbook, tmp_path: Path) -> None:
    book.record_night(document(tmp_path / "lights"))
    book.record_night(document(tmp_path / "lights", smear=2.0))
    book.record_night(document(tmp_path / "moved"))
    assert [one["source"]["folder"] for one in book.nights()] == [str(tmp_path / "moved")]


def test_a_night_that_grew_takes_the_place_of_its_first_part(book: Logbook, tmp_path: Path) -> None:
    part = document(tmp_path / "lights")
    part["frames"] = part["frames"][:5]
    book.record_night(part)
    book.record_night(document(tmp_path / "lights"))
    assert [len(one["frames"]) for one in book.nights()] == [12]


def test_another_night_in_the_same_folder_is_another_night(book: Logbook, tmp_path: Path) -> None:
    book.record_night(document(tmp_path / "tonight"))
    book.record_night(document(tmp_path / "tonight", days=1))
    assert [one["frames"][0]["start_utc"][:10] for one in book.nights()] == ["2025-09-13", "2025-09-12"]


def test_forgetting_a_folder_forgets_its_nights(book: Logbook, tmp_path: Path) -> None:
    book.record_night(document(tmp_path / "a" / "lights"))
    book.record_night(document(tmp_path / "b", days=1))
    book.forget_folder(tmp_path / "a")
    assert [one["source"]["folder"] for one in book.nights()] == [str(tmp_path / "b")]
    book.forget_older(0.0)
    assert len(list(book.nights())) <= 1  # judged within this second


def test_a_damaged_night_is_left_out(book: Logbook, tmp_path: Path) -> None:
    book.record_night(document(tmp_path / "a"))
    book.record_night(document(tmp_path / "b", days=1))
    with sqlite3.connect(tmp_path / "book.sqlite") as database:
        database.execute("UPDATE nights SET document = x'00' WHERE folder = ?", [str(tmp_path / "a")])
    database.close()
    assert len(list(book.nights())) == 1


def test_a_logbook_that_fails_does_not_cost_the_night(tmp_path: Path) -> None:
    told: list[str] = []
    with Logbook(tmp_path / "book.sqlite", tell=told.append) as book, Logbook(tmp_path / "book.sqlite") as untold:
        with sqlite3.connect(tmp_path / "book.sqlite") as database:
            database.execute("DROP TABLE nights")
        database.close()
        assert not book.record_night(document(tmp_path / "a"))
        assert len(told) == 1
        with pytest.raises(UnusableLogbook):
            untold.record_night(document(tmp_path / "a"))


def test_a_logbook_of_an_older_version_keeps_its_nights(tmp_path: Path) -> None:
    file = tmp_path / "old.sqlite"
    folder, first, frames, packed = night_row(document(tmp_path / "a"))
    database = sqlite3.connect(file, isolation_level=None)
    bring_up_to_date(database, MIGRATIONS[:4])
    database.execute(
        "INSERT INTO frames VALUES "
        "(1, 1, 1, x'00', NULL, 'm', 'r', '/lights', 'a.fits', '2025', '0', 'skipped', '', x'')"
    )
    database.execute("INSERT INTO nights VALUES (7, ?, ?, ?, '2025', '0.1', ?)", [folder, first, frames, packed])
    database.close()
    with Logbook(file) as book:
        assert book.folders() == ()  # measured again: they had no checksum
        assert [one["source"]["folder"] for one in book.nights()] == [folder]
        assert book.record_night(document(tmp_path / "b", days=1))
    assert look_through(file).is_sound


def test_a_night_that_unpacks_to_much_is_left_out(
    book: Logbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(judged, "LARGEST_FILE", 1 << 20)
    with sqlite3.connect(tmp_path / "book.sqlite") as database:
        row = sealed("/n", "2025", b"x", "2025", "0", zlib.compress(b"{}" + b" " * (1 << 20)))
        database.execute("INSERT INTO nights VALUES (1, ?, ?, ?, ?, ?, ?, ?)", row)
    database.close()
    assert list(book.nights()) == []
