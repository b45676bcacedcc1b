"""The logbook: a file of measured frames, safe from crashes and shared between processes."""

import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final, Self

from framecheck._version import __version__
from framecheck.field.result import FrameFailure, FrameResult
from framecheck.logbook.encode import Kept, decode, encode
from framecheck.logbook.judged import night_of_row, night_row
from framecheck.logbook.mark import Mark, mark_of, measuring, rig_facts, unchanged
from framecheck.logbook.reports import WrittenReport, as_text, from_text
from framecheck.logbook.schema import bring_up_to_date
from framecheck.logbook.unusable import UnusableLogbook, in_words
from framecheck.night.records import Skipped
from framecheck.read.paths import whole_path
from framecheck.read.remote import is_remote, place_name
from framecheck.read.rig import Rig

_WAIT_S: Final = 30.0
"""[s] Chosen: another process writes a frame in milliseconds; a disk asleep wakes in ten seconds."""
_SAME_TIME_NS: Final = 2_000_000_000
"""[ns] A file moved to another disk keeps its time to 2 s: the step of the coarsest file system in use (FAT)."""


_GOES_ON: Final = "The night goes on without it."


@dataclass(frozen=True, kw_only=True, slots=True)
class FolderEntry:
    """What the logbook holds of one folder."""

    folder: str
    n_measured: int
    n_skipped: int
    first_utc: str
    """When the first of its frames was measured, ISO 8601."""
    last_utc: str
    versions: tuple[str, ...]
    """Of framecheck, that measured them."""
    n_outdated: int
    """Measured by another version of measuring: they would be measured again."""
    size_bytes: int
    """Room that the records take in the logbook."""


class Logbook:
    """An open logbook; close it, or use it in a `with` statement.

    It belongs to the thread that opened it. Each frame is one transaction: what was recorded survives the death of the
    process at any later moment, and two processes may use one file.

    Parameters
    ----------
    file : Path
        Made, with its folder, if it is not there.
    whole : bool
        Know frames again by all their bytes, not by time and samples.
    tell : callable, optional
        Called with a sentence if the logbook fails while a night is measured, which then goes on without it. If not
        given, `recall` and `record` raise.

    Raises
    ------
    UnusableLogbook
        If it cannot be opened and written to.
    """

    def __init__(self, file: Path, *, whole: bool = False, tell: Callable[[str], None] | None = None) -> None:
        self.file = file
        self.whole = whole
        self._tell = tell
        self._given_up = False
        self._marks: dict[Path, Mark] = {}
        self._looked_at: dict[Path, Mark] = {}
        with in_words(file):
            file.parent.mkdir(parents=True, exist_ok=True)
            self._database = sqlite3.connect(file, timeout=_WAIT_S, isolation_level=None)
            try:
                self._database.execute("PRAGMA journal_mode = WAL")
                # in WAL mode this never corrupts; only a power cut may cost the last frames
                self._database.execute("PRAGMA synchronous = NORMAL")
                bring_up_to_date(self._database)
            except BaseException:
                self._database.close()
                raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        with suppress(sqlite3.Error):
            self._database.close()

    def recall(self, path: Path, rig: Rig) -> Kept | None:
        """What was measured of a frame, wherever it lay then; None if it has to be measured.

        The mark of the file is kept for `record`, so that a frame rewritten meanwhile is not taken for this one.

        Raises
        ------
        UnusableLogbook
            If the logbook cannot be read, and there is nobody to tell.
        """
        if self._given_up:
            return None
        try:
            return self._recalled(path, rig)
        except UnusableLogbook as why:
            self._give_up(why)
            return None

    def _give_up(self, why: UnusableLogbook) -> None:
        """Do without from here on, or raise if there is nobody to tell."""
        if self._tell is None:
            raise why
        self._given_up = True
        self._tell(f"{why} {_GOES_ON}")

    def marks(self, paths: Iterable[Path]) -> dict[Path, Mark]:
        """What frames are known again by, as they are now; those that cannot be read are left out.

        The next `recall` of each takes it from here, so that a night is looked at once.
        """
        marks = {}
        for path in paths:
            with suppress(OSError):
                marks[path] = mark_of(path, whole=self.whole)
        self._looked_at |= marks
        return marks

    def recall_report(self, out: Path, basis: bytes) -> WrittenReport | None:
        """The report that was written to `out`, if it follows from what `basis` stands for; None if none is known."""
        if self._given_up:
            return None
        try:
            with in_words(self.file):
                row = self._database.execute(
                    "SELECT summary, files, failures FROM reports WHERE out = ? AND basis = ?",
                    [_text(out.resolve()), basis],
                ).fetchone()
        except UnusableLogbook as why:
            self._give_up(why)
            return None
        if row is None:
            return None
        return WrittenReport(summary=row[0], files=from_text(row[1]), failures=from_text(row[2]))

    def record_report(self, out: Path, folder: Path, basis: bytes, report: WrittenReport) -> None:
        """Write down that a report was written; it takes the place of an earlier one in the same folder."""
        if self._given_up:
            return
        now = datetime.now(UTC).isoformat(timespec="seconds")
        summary = report.summary.encode("utf-8", "replace").decode()
        row = [_text(out.resolve()), _text(whole_path(folder)), basis, now, summary]
        row += [as_text(report.files), as_text(report.failures)]
        try:
            with in_words(self.file):
                self._database.execute("INSERT OR REPLACE INTO reports VALUES (?, ?, ?, ?, ?, ?, ?)", row)
        except UnusableLogbook as why:
            self._give_up(why)

    def _recalled(self, path: Path, rig: Rig) -> Kept | None:
        try:
            mark = self._looked_at.pop(path, None) or mark_of(path, whole=self.whole)
        except OSError:
            return None  # whoever measures it says what is wrong with it
        self._marks[path] = mark
        with in_words(self.file):
            row = self._find(path, mark, rig)
        if row is None:
            return None
        number, modified_ns, place, *record = row
        try:
            kept = decode(*record)
        except ValueError:
            return None  # damaged; it is measured and written anew
        if (modified_ns, place) != (mark.modified_ns, _place(path)):
            with in_words(self.file):
                self._move(number, path, mark)
        del self._marks[path]
        return _at(kept, path)

    def _find(self, path: Path, mark: Mark, rig: Rig) -> tuple[Any, ...] | None:
        """The row of a frame. In its old place it must have its old time; elsewhere the time may be coarser."""
        known = "fingerprint = ? AND size = ? AND measuring = ? AND rig = ?"
        facts = [mark.fingerprint, mark.size, measuring(), rig_facts(rig)]
        if mark.content is not None:
            where = "content = ?"
            more: list[Any] = [mark.content]
        else:
            where = "(modified_ns = ? OR (abs(modified_ns - ?) <= ? AND (folder <> ? OR name <> ?)))"
            more = [mark.modified_ns, mark.modified_ns, _SAME_TIME_NS, *_place(path)]
        row = self._database.execute(
            f"SELECT id, modified_ns, folder, name, outcome, record, arrays FROM frames WHERE {known} AND {where} "
            "ORDER BY abs(modified_ns - ?) LIMIT 1",
            [*facts, *more, mark.modified_ns],
        ).fetchone()
        return None if row is None else (row[0], row[1], (row[2], row[3]), *row[4:])

    def _move(self, number: int, path: Path, mark: Mark) -> None:
        self._database.execute(
            "UPDATE OR REPLACE frames SET folder = ?, name = ?, modified_ns = ? WHERE id = ?",
            [*_place(path), mark.modified_ns, number],
        )

    def record(self, path: Path, rig: Rig, outcome: FrameResult | FrameFailure | Skipped) -> bool:
        """Write down what was measured of a frame that `recall` did not know; whether it was written.

        Failures are not, for their reason may be mended; nor are frames rewritten since `recall` looked at them.

        Raises
        ------
        UnusableLogbook
            If the logbook cannot be written, and there is nobody to tell.
        """
        if self._given_up:
            return False
        mark = self._marks.pop(path, None)
        if mark is None or isinstance(outcome, FrameFailure) or not unchanged(path, mark):
            return False
        row = [mark.size, mark.modified_ns, mark.fingerprint, mark.content, measuring(), rig_facts(rig), *_place(path)]
        row += [datetime.now(UTC).isoformat(timespec="seconds"), __version__, *encode(outcome)]
        try:
            with in_words(self.file):
                self._database.execute(
                    "INSERT OR REPLACE INTO frames (size, modified_ns, fingerprint, content, measuring, rig, folder, "
                    "name, measured_utc, framecheck, outcome, record, arrays) "
                    f"VALUES ({', '.join('?' * len(row))})",
                    row,
                )
        except UnusableLogbook as why:
            self._give_up(why)
            return False
        return True

    def record_night(self, document: Mapping[str, Any]) -> bool:
        """Write down a judged night, in the place of what was judged of the same frames before; whether it was written.

        Parameters
        ----------
        document : mapping
            As night.json has it.

        Raises
        ------
        UnusableLogbook
            If the logbook cannot be written, and there is nobody to tell.
        """
        if self._given_up:
            return False
        row = [*night_row(document), datetime.now(UTC).isoformat(timespec="seconds"), __version__]
        try:
            with in_words(self.file):
                self._database.execute("BEGIN IMMEDIATE")
                self._database.execute("DELETE FROM nights WHERE folder = ? AND first_utc = ?", row[:2])
                self._database.execute(
                    "INSERT OR REPLACE INTO nights (folder, first_utc, frames, document, judged_utc, framecheck) "
                    "VALUES (?, ?, ?, ?, ?, ?)",
                    row,
                )
                self._database.execute("COMMIT")
        except UnusableLogbook as why:
            if self._database.in_transaction:
                self._database.execute("ROLLBACK")
            self._give_up(why)
            return False
        return True

    def nights(self) -> Iterator[dict[str, Any]]:
        """Documents of all judged nights, the one judged last first; those that are damaged are left out."""
        with in_words(self.file):
            rows = self._database.execute("SELECT document FROM nights ORDER BY judged_utc DESC, id DESC")
            for (packed,) in rows:
                with suppress(ValueError):
                    yield night_of_row(packed)

    def told(self, folder: Path) -> str | None:
        """What `keep_told` wrote down for a folder; None if nothing.

        Raises
        ------
        UnusableLogbook
            If the logbook cannot be read, and there is nobody to tell.
        """
        if self._given_up:
            return None
        try:
            with in_words(self.file):
                row = self._database.execute(
                    "SELECT told FROM watched WHERE folder = ?", [_text(folder.resolve())]
                ).fetchone()
        except UnusableLogbook as why:
            self._give_up(why)
            return None
        return None if row is None else str(row[0])

    def keep_told(self, folder: Path, told: str) -> None:
        """Write down what the watcher of a folder has been told, in place of what was there.

        Raises
        ------
        UnusableLogbook
            If the logbook cannot be written, and there is nobody to tell.
        """
        if self._given_up:
            return
        try:
            with in_words(self.file):
                self._database.execute("INSERT OR REPLACE INTO watched VALUES (?, ?)", [_text(folder.resolve()), told])
        except UnusableLogbook as why:
            self._give_up(why)

    def folders(self) -> tuple[FolderEntry, ...]:
        """What it holds, by folder, the one measured last first."""
        with in_words(self.file):
            rows = self._database.execute(
                "SELECT folder, sum(outcome = 'measured'), sum(outcome = 'skipped'), min(measured_utc), "
                "max(measured_utc), group_concat(DISTINCT framecheck), sum(measuring <> ?), "
                "sum(length(record) + length(arrays)) FROM frames GROUP BY folder "
                "ORDER BY max(measured_utc) DESC, folder",
                [measuring()],
            ).fetchall()
        return tuple(
            FolderEntry(
                folder=folder,
                n_measured=measured,
                n_skipped=skipped,
                first_utc=first,
                last_utc=last,
                versions=tuple(sorted(versions.split(","))),
                n_outdated=outdated,
                size_bytes=size,
            )
            for folder, measured, skipped, first, last, versions, outdated, size in rows
        )

    def frames(self) -> Iterator[tuple[FrameResult, str, str]]:
        """All measured frames, by folder and name, with when they were measured and by which version of framecheck."""
        with in_words(self.file):
            rows = self._database.execute(
                "SELECT folder, name, outcome, record, arrays, measured_utc, framecheck FROM frames "
                "WHERE outcome = 'measured' ORDER BY folder, name, measured_utc"
            )
            for folder, name, word, record, arrays, when, version in rows:
                with suppress(ValueError):  # of a version with other records
                    kept = _at(decode(word, record, arrays), Path(folder, name))
                    if isinstance(kept, FrameResult):
                        yield kept, when, version

    def forget_folder(self, folder: Path) -> int:
        """Forget the frames of a folder and those below it, and what was judged and told there; how many frames."""
        top = _text(whole_path(folder))
        below = top.rstrip(os.sep) + os.sep
        where, values = "folder = ? OR substr(folder, 1, ?) = ?", [top, len(below), below]
        self._drop(("nights", "reports", "watched"), where, values)
        return self._forget(where, values)

    def forget_older(self, days: float) -> int:
        """Forget frames measured, and nights judged, more than so many days ago; how many frames."""
        limit = (datetime.now(UTC) - timedelta(days=days)).isoformat(timespec="seconds")
        self._drop(("nights", "reports"), "judged_utc < ?", [limit])
        return self._forget("measured_utc < ?", [limit])

    def forget_outdated(self) -> int:
        """Forget frames measured by another version of measuring, which would be measured again; how many."""
        self._drop(("reports",), "TRUE", [])
        return self._forget("measuring <> ?", [measuring()])

    def _drop(self, tables: Iterable[str], where: str, values: list[Any]) -> None:
        with in_words(self.file):
            for table in tables:
                self._database.execute(f"DELETE FROM {table} WHERE {where}", values)

    def _forget(self, where: str, values: list[Any]) -> int:
        with in_words(self.file):
            gone = self._database.execute(f"DELETE FROM frames WHERE {where}", values).rowcount
            if gone:
                self._database.execute("VACUUM")
        return gone


def open_logbook(
    file: Path, tell: Callable[[str], None], *, named: bool = False, whole: bool = False
) -> Logbook | None:
    """Open a logbook for a night; one that nobody named is done without if it cannot be, and `tell` is told why.

    Raises
    ------
    UnusableLogbook
        If the user named the file, and it cannot be used.
    """
    try:
        return Logbook(file, whole=whole, tell=tell)
    except UnusableLogbook as why:
        if named:
            raise
        tell(f"{why} {_GOES_ON}")
        return None


def _text(path: Path) -> str:
    """A path as text that SQLite takes; bytes that are no UTF-8 show as question marks."""
    name = place_name(path) if is_remote(path) else str(path)
    return name.encode("utf-8", "surrogateescape").decode("utf-8", "replace")


def _place(path: Path) -> tuple[str, str]:
    whole = whole_path(path)
    return _text(whole.parent), _text(Path(whole.name))


def _at(kept: Kept, path: Path) -> Kept:
    """The record of a frame that now lies at `path`."""
    if isinstance(kept, Skipped):
        return replace(kept, file=path, exposure=kept.exposure and replace(kept.exposure, file=path))
    return replace(kept, exposure=replace(kept.exposure, file=path))
