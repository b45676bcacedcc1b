"""The logbook: a file of measured frames, safe from crashes and shared between processes."""

import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from framecheck._version import __version__
from framecheck.field.result import FrameFailure, FrameResult
from framecheck.logbook.database import GOES_ON, LogbookFile
from framecheck.logbook.encode import Kept, decode, encode
from framecheck.logbook.judged import night_of_row, night_row
from framecheck.logbook.mark import Mark, mark_of, measuring, rig_facts, unchanged
from framecheck.logbook.reports import WrittenReport, as_text, from_text
from framecheck.logbook.seal import Row, checksum, columns, is_sound
from framecheck.logbook.unusable import UnusableLogbook, in_words
from framecheck.night.records import Skipped
from framecheck.read.paths import whole_path
from framecheck.read.remote import is_remote, place_name
from framecheck.read.rig import Rig

SAME_TIME_NS: Final = 2_000_000_000
"""[ns] A file on another disk keeps its time to 2 s: the step of the coarsest file system in use (FAT)."""


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


class Logbook(LogbookFile):
    """An open logbook; close it, or use it in a `with` statement.

    It belongs to the thread that opened it. Each frame is one transaction: what was recorded survives the death of the
    process at any later moment, and two processes may use one file. Whatever is read from it is foreign until its
    checksum, its types and its ranges are looked at.

    Parameters
    ----------
    file : Path
        Made, with its folder, if it is not there.
    whole : bool
        Know frames again by all their bytes, not by time and samples.
    tell : callable, optional
        Called with a sentence if the logbook fails while a night is measured, which then goes on without it. If not
        given, `recall` and `record` raise.
    renew : bool
        Set a damaged file aside and begin a new one.

    Raises
    ------
    UnusableLogbook
        If it cannot be opened and written to.
    """

    def __init__(
        self, file: Path, *, whole: bool = False, tell: Callable[[str], None] | None = None, renew: bool = False
    ) -> None:
        self.whole = whole
        self._marks: dict[Path, Mark] = {}
        self._looked_at: dict[Path, Mark] = {}
        super().__init__(file, tell=tell, renew=renew)

    def recall(self, path: Path, rig: Rig) -> Kept | None:
        """What was measured of a frame, wherever it lay then; None if it has to be measured.

        The mark of the file is kept for `record`, so that a frame rewritten meanwhile is not taken for this one.

        Raises
        ------
        UnusableLogbook
            If the logbook cannot be read, and there is nobody to tell.
        """
        return self._attempt(lambda: self._recalled(path, rig), None)

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
        where, values = "out = ? AND basis = ?", [_text(whole_path(out)), basis]
        found = self._attempt(lambda: self._find("reports", where, values), None)
        if found is None:
            return None
        *_, summary, files, failures = found[1]
        report = WrittenReport(summary=summary, files=from_text(files), failures=from_text(failures))
        return report if report.is_readable else None

    def record_report(self, out: Path, folder: Path, basis: bytes, report: WrittenReport) -> None:
        """Write down that a report was written; it takes the place of an earlier one in the same folder."""
        row = [
            _text(whole_path(out)),
            _text(whole_path(folder)),
            basis,
            _now(),
            report.summary.encode("utf-8", "replace").decode(),
        ]
        row += [as_text(report.files), as_text(report.failures)]
        self._attempt(lambda: self._put("reports", *row), None)

    def _recalled(self, path: Path, rig: Rig) -> Kept | None:
        try:
            mark = self._looked_at.pop(path, None) or mark_of(path, whole=self.whole)
        except OSError:
            return None  # whoever measures it says what is wrong with it
        self._marks[path] = mark
        found = self._known(path, mark, rig)
        if found is None:
            return None
        number, row = found
        _, modified_ns, _, _, _, _, *place, _, _, outcome, record, arrays = row
        try:
            kept = decode(outcome, record, arrays)
        except ValueError:
            self._tell_of_rows()  # it is measured and written anew
            return None
        if [modified_ns, *place] != [mark.modified_ns, *_place(path)]:
            self._move(number, row, path, mark)
        del self._marks[path]
        return _at(kept, path)

    def _known(self, path: Path, mark: Mark, rig: Rig) -> tuple[int, Row] | None:
        """The row of a frame. In its old place it must have its old time; elsewhere the time may be coarser."""
        known = "fingerprint = ? AND size = ? AND measuring = ? AND rig = ?"
        facts = [mark.fingerprint, mark.size, measuring(), rig_facts(rig)]
        if mark.content is not None:
            where = "content = ?"
            more: list[Any] = [mark.content]
        else:
            where = "(modified_ns = ? OR (abs(modified_ns - ?) <= ? AND (folder <> ? OR name <> ?)))"
            more = [mark.modified_ns, mark.modified_ns, SAME_TIME_NS, *_place(path)]
        nearest = "ORDER BY abs(modified_ns - ?)"
        return self._find("frames", f"{known} AND {where} {nearest}", [*facts, *more, mark.modified_ns])

    def _move(self, number: int, row: Row, path: Path, mark: Mark) -> None:
        moved = list(row)
        moved[1], moved[6:8] = mark.modified_ns, _place(path)
        self._database.execute(
            "UPDATE OR REPLACE frames SET modified_ns = ?, folder = ?, name = ?, checksum = ? WHERE rowid = ?",
            [mark.modified_ns, *_place(path), checksum(*moved), number],
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
        try:
            held = encode(outcome)
        except ValueError:
            return False  # numbers that no frame can have are not worth keeping
        row = [mark.size, mark.modified_ns, mark.fingerprint, mark.content, measuring(), rig_facts(rig), *_place(path)]
        return self._attempt(lambda: self._written("frames", *row, _now(), __version__, *held), False)

    def _written(self, table: str, *row: Any) -> bool:
        self._put(table, *row)
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
        folder, first_utc, frames, packed = night_row(document)

        def write() -> bool:
            self._database.execute("BEGIN IMMEDIATE")
            self._database.execute("DELETE FROM nights WHERE folder = ? AND first_utc = ?", [folder, first_utc])
            self._put("nights", folder, first_utc, frames, _now(), __version__, packed)
            self._database.execute("COMMIT")
            return True

        return self._attempt(write, False)

    def nights(self) -> Iterator[dict[str, Any]]:
        """Documents of all judged nights, the one judged last first; those that are damaged are left out."""
        with in_words(self.file):
            rows = self._database.execute(f"SELECT {columns('nights')} FROM nights ORDER BY judged_utc DESC, id DESC")
            for row in rows:
                if not is_sound("nights", row):
                    continue
                with suppress(ValueError):
                    yield night_of_row(row[5])

    def told(self, folder: Path) -> str | None:
        """What `keep_told` wrote down for a folder; None if nothing.

        Raises
        ------
        UnusableLogbook
            If the logbook cannot be read, and there is nobody to tell.
        """
        where, values = "folder = ?", [_text(whole_path(folder))]
        found = self._attempt(lambda: self._find("watched", where, values), None)
        return None if found is None else str(found[1][1])

    def keep_told(self, folder: Path, told: str) -> None:
        """Write down what the watcher of a folder has been told, in place of what was there.

        Raises
        ------
        UnusableLogbook
            If the logbook cannot be written, and there is nobody to tell.
        """
        self._attempt(lambda: self._put("watched", _text(whole_path(folder)), told), None)

    def keep_sort(self, number: str, target: Path, frames: Path) -> bool:
        """Write down that a sort was begun here: its journal is then known to be ours; whether it was written.

        Parameters
        ----------
        number : str
            As the journal has it.
        target, frames : Path
            Folder that is sorted into, and the one that the frames come from.
        """
        places = os.fspath(target), os.fspath(frames)
        if any(place != _text(Path(place)) for place in places):
            return False  # bytes that are no UTF-8, which SQLite does not hold
        return self._attempt(lambda: self._written("sorts", number, *places, _now()), False)

    def sort_of(self, number: str) -> tuple[Path, Path] | None:
        """Folder that was sorted into, and that of the frames, of a sort that was begun here; None if none is known."""
        found = self._attempt(lambda: self._find("sorts", "id = ?", [number]), None)
        return None if found is None else (Path(found[1][1]), Path(found[1][2]))

    def forget_sort(self, number: str) -> None:
        """Forget a sort that was taken back."""
        self._attempt(lambda: self._database.execute("DELETE FROM sorts WHERE id = ?", [number]), None)

    def folders(self) -> tuple[FolderEntry, ...]:
        """What it holds, by folder, the one measured last first."""
        with in_words(self.file):
            rows = self._database.execute(
                "SELECT folder, sum(outcome = 'measured'), sum(outcome = 'skipped'), min(measured_utc), "
                "max(measured_utc), group_concat(DISTINCT framecheck), sum(measuring <> ?), "
                "sum(length(record) + length(arrays)) FROM frames WHERE typeof(folder) = 'text' "
                "AND typeof(measured_utc) = 'text' AND typeof(framecheck) = 'text' GROUP BY folder "
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
                f"SELECT {columns('frames')} FROM frames WHERE outcome = 'measured' ORDER BY folder, name, measured_utc"
            )
            for row in rows:
                if not is_sound("frames", row):
                    continue
                *_, folder, name, when, version, word, record, arrays, _ = row
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
    """Open a logbook for a night; if it cannot be, `tell` is told so.

    One that nobody named is then done without, or begun anew if it is damaged.

    Raises
    ------
    UnusableLogbook
        If the user named the file, and it cannot be used.
    """
    try:
        return Logbook(file, whole=whole, tell=tell, renew=not named)
    except UnusableLogbook as why:
        if named:
            raise
        tell(f"{why} {GOES_ON}")
        return None


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


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
