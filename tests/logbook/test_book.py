"""Frames known again, or not, as they must. Truths of the file system and of SQLite; the rest by closed form."""

import os
import re
import shutil
import sqlite3
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from kept_frames import SIZE, UNSAMPLED, bits, result_of, write_file

from framecheck import pipeline
from framecheck.errors import CannotFinish
from framecheck.field import FrameFailure, FrameResult
from framecheck.logbook import Logbook, UnusableLogbook, mark, open_logbook
from framecheck.logbook.schema import MIGRATIONS, bring_up_to_date
from framecheck.night.records import Skipped
from framecheck.pipeline import measure_night
from framecheck.read import Rig

RIG = Rig()


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    with Logbook(tmp_path / "deep" / "book.sqlite") as book:
        yield book


def keep(book: Logbook, path: Path, rig: Rig = RIG) -> FrameResult:
    result = result_of(path)
    assert book.recall(path, rig) is None
    assert book.record(path, rig, result)
    return result


def test_known_again_in_every_bit(book: Logbook, tmp_path: Path) -> None:
    path = write_file(tmp_path / "a.fits")
    result = keep(book, path)
    assert bits(book.recall(path, RIG)) == bits(result)
    with Logbook(book.file) as other:
        assert bits(other.recall(path, RIG)) == bits(result)


def test_known_again_where_it_was_moved_even_to_a_disk_with_coarse_times(book: Logbook, tmp_path: Path) -> None:
    old = write_file(tmp_path / "a.fits")
    keep(book, old)
    new = tmp_path / "archive" / "b.fits"
    new.parent.mkdir()
    shutil.move(old, new)
    os.utime(new, (1_700_000_000, 1_700_000_000))
    for _ in range(2):
        known = book.recall(new, RIG)
        assert isinstance(known, FrameResult)
        assert known.exposure.file == new
    assert [entry.folder for entry in book.folders()] == [str(new.parent)]


@pytest.mark.parametrize("at", [0, 60_000, SIZE - 1])
def test_other_bytes_are_another_frame(book: Logbook, tmp_path: Path, at: int) -> None:
    path = write_file(tmp_path / "a.fits")
    keep(book, path)
    change(path, at, keep_time=True)
    assert book.recall(path, RIG) is None


def test_written_again_in_its_place_is_another_frame_whatever_was_changed(book: Logbook, tmp_path: Path) -> None:
    path = write_file(tmp_path / "a.fits")
    keep(book, path)
    change(path, UNSAMPLED, keep_time=False)
    assert book.recall(path, RIG) is None


def test_the_whole_content_is_looked_at_on_request(tmp_path: Path) -> None:
    path = write_file(tmp_path / "a.fits")
    with Logbook(tmp_path / "book.sqlite", whole=True) as book:
        keep(book, path)
        os.utime(path)
        assert book.recall(path, RIG) is not None
        change(path, UNSAMPLED, keep_time=True)
        assert book.recall(path, RIG) is None


def change(path: Path, at: int, *, keep_time: bool) -> None:
    about = path.stat()
    content = bytearray(path.read_bytes())
    content[at] ^= 0xFF
    path.write_bytes(content)
    later = about.st_mtime_ns + (0 if keep_time else 1_000_000)
    os.utime(path, ns=(later, later))


@pytest.mark.parametrize(
    ("rig", "again"),
    [
        (Rig(gain_e_per_adu=0.5), True), (Rig(saturation_adu=60000.0), True), (Rig(pedestal_adu=500.0), True),
        (Rig(focal_length_mm=530.0), False), (Rig(mount_type="equatorial"), False),
    ],
)  # fmt: skip
def test_rig_facts_that_matter(book: Logbook, tmp_path: Path, rig: Rig, again: bool) -> None:
    path = write_file(tmp_path / "a.fits")
    keep(book, path)
    assert (book.recall(path, rig) is None) == again


def test_the_facts_that_matter_are_those_that_measuring_reads(tmp_path: Path) -> None:
    asked: set[str] = set()

    class Listening(Rig):
        def __getattribute__(self, name: str) -> object:
            asked.add(name)
            return super().__getattribute__(name)

    from astropy.io import fits
    from star_field import star_field

    image, _ = star_field(n_stars=60, size=(300, 300), seed=11)
    fits.PrimaryHDU(image).writeto(tmp_path / "light.fits")
    assert isinstance(pipeline.measure_file(tmp_path / "light.fits", Listening()), FrameResult)
    assert {name for name in asked if not name.startswith("__")} == set(mark.RIG_FACTS)


def test_another_version_of_measuring_measures_again(
    book: Logbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_file(tmp_path / "a.fits")
    keep(book, path)
    monkeypatch.setattr(mark, "MEASURING", mark.MEASURING + 1)
    assert book.folders()[0].n_outdated == 1
    keep(book, path)
    assert book.forget_outdated() == 1
    assert book.recall(path, RIG) is not None


def test_a_version_names_number_records_and_in_a_checkout_the_code(monkeypatch: pytest.MonkeyPatch) -> None:
    assert re.fullmatch(rf"{mark.MEASURING}-[0-9a-f]{{8}}(-[0-9a-f]{{8}})?", mark.measuring())
    before = mark.measuring()
    monkeypatch.setattr(mark, "record_shape", lambda: "other fields")
    assert mark.measuring() != before


def test_failures_and_frames_rewritten_meanwhile_are_not_kept(book: Logbook, tmp_path: Path) -> None:
    path = write_file(tmp_path / "a.fits")
    assert book.recall(path, RIG) is None
    assert not book.record(path, RIG, FrameFailure(exposure=None, file=str(path), fault="it", remedy="Mend."))
    assert book.recall(path, RIG) is None
    change(path, UNSAMPLED, keep_time=False)
    assert not book.record(path, RIG, result_of(path))
    assert book.recall(tmp_path / "none.fits", RIG) is None
    assert book.folders() == ()


def test_a_damaged_record_is_measured_and_written_anew(book: Logbook, tmp_path: Path) -> None:
    path = write_file(tmp_path / "a.fits")
    keep(book, path)
    with sqlite3.connect(book.file) as database:
        database.execute("UPDATE frames SET arrays = x'00'")
    database.close()
    keep(book, path)
    assert book.recall(path, RIG) is not None


def test_forgetting(book: Logbook, tmp_path: Path) -> None:
    for number, name in enumerate(("n/a.fits", "n/m/b.fits", "n2/c.fits")):
        keep(book, write_file(tmp_path / name, number))
    assert book.forget_older(1) == 0
    assert book.forget_folder(tmp_path / "n") == 2
    assert [entry.folder for entry in book.folders()] == [str(tmp_path / "n2")]
    assert book.forget_folder(tmp_path / "n") == 0


def test_an_older_schema_is_brought_up_to_date_and_keeps_its_frames(book: Logbook, tmp_path: Path) -> None:
    keep(book, write_file(tmp_path / "a.fits"))
    book.close()
    database = sqlite3.connect(book.file, isolation_level=None)
    bring_up_to_date(database, (*MIGRATIONS, ("ALTER TABLE frames ADD COLUMN seen TEXT",)))
    assert database.execute("SELECT count(*), max(seen) FROM frames").fetchone() == (1, None)
    broken = (*MIGRATIONS, ("ALTER TABLE frames ADD COLUMN seen TEXT",), ("CREATE TABLE half (x)", "NO SQL"))
    with pytest.raises(sqlite3.Error):
        bring_up_to_date(database, broken)
    assert database.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS) + 1,)
    assert database.execute("SELECT count(*) FROM sqlite_master WHERE name = 'half'").fetchone() == (0,)
    database.close()
    with pytest.raises(UnusableLogbook, match=r"newer framecheck .* Update framecheck"):
        Logbook(book.file)


def test_files_that_are_no_logbook_are_left_alone(tmp_path: Path) -> None:
    text = tmp_path / "notes.txt"
    text.write_text("no database" * 500)
    foreign = tmp_path / "foreign.sqlite"
    with sqlite3.connect(foreign) as database:
        database.execute("CREATE TABLE theirs (x)")
    database.close()
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for file, said in (
        (text, "no logbook"), (foreign, "another program"), (text / "book", "another folder"),
        (pipe, "isn't a regular file"),
    ):  # fmt: skip
        before = file.read_bytes() if file.is_file() else b""
        with pytest.raises(UnusableLogbook, match=said):
            Logbook(file)
        with pytest.raises(UnusableLogbook) as failed:
            open_logbook(file, lambda text: None, named=True)
        assert not isinstance(failed.value, CannotFinish)  # neither disk nor rights are at fault: exit code 2
        assert (file.read_bytes() if file.is_file() else b"") == before
    told: list[str] = []
    assert open_logbook(text / "book", told.append) is None
    assert told[0].endswith("framecheck goes on without it.")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_that_may_only_be_read(tmp_path: Path) -> None:
    tmp_path.chmod(0o555)
    with pytest.raises(UnusableLogbook, match="ermission"):
        Logbook(tmp_path / "book.sqlite")


def test_a_full_disk_is_told_once_and_the_night_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pipeline, "measure_file", lambda path, rig: result_of(path))
    paths = [write_file(tmp_path / f"{k}.fits", k) for k in range(12)]
    told: list[str] = []
    with Logbook(tmp_path / "book.sqlite", tell=told.append) as book, ThreadPoolExecutor(1) as thread:
        book._database.execute("PRAGMA max_page_count = 20")  # SQLite then says SQLITE_FULL, as for a full disk
        assert len(measure_night(paths, RIG, thread, logbook=book).results) == 12
    assert len(told) == 1
    assert "the disk is full" in told[0]
    with Logbook(tmp_path / "book.sqlite") as book:
        assert 0 < book.folders()[0].n_measured < 12


def test_a_second_run_measures_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    measured: list[Path] = []

    def slow(path: Path, rig: Rig) -> FrameResult | Skipped:
        measured.append(path)
        return result_of(path, n_stars=1000)

    monkeypatch.setattr(pipeline, "measure_file", slow)
    paths = [write_file(tmp_path / f"{k}.fits", k) for k in range(300)]
    with Logbook(tmp_path / "book.sqlite") as book, ThreadPoolExecutor(1) as thread:
        first = measure_night(paths, RIG, thread, logbook=book)
        assert len(measured) == 300
        second = measure_night(paths, RIG, thread, logbook=book)
    assert len(measured) == 300
    assert list(map(bits, second.results)) == list(map(bits, first.results))


def test_no_executor_is_made_where_nothing_is_to_be_measured(tmp_path: Path) -> None:
    path = write_file(tmp_path / "a.fits")
    with Logbook(tmp_path / "book.sqlite") as book:
        keep(book, path)
        asked: list[int] = []
        measure_night([path], RIG, asked.append, logbook=book)  # type: ignore[arg-type]
    assert asked == []


def test_what_a_watcher_was_told_is_kept_by_folder(book: Logbook, tmp_path: Path) -> None:
    assert book.told(tmp_path / "lights") is None
    book.keep_told(tmp_path / "lights", "one")
    book.keep_told(tmp_path / "lights", "two")
    book.keep_told(tmp_path / "others", "three")
    with Logbook(book.file) as again:
        assert again.told(tmp_path / "others" / ".." / "lights") == "two"


def test_a_logbook_that_fails_during_a_watch_is_told_once(tmp_path: Path) -> None:
    told: list[str] = []
    with Logbook(tmp_path / "book.sqlite", tell=told.append) as book:
        book.close()
        book.keep_told(tmp_path, "one")
        assert book.told(tmp_path) is None
    assert len(told) == 1
    assert "goes on without it" in told[0]
