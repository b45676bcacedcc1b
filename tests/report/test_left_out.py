"""However many files a folder holds, and whatever they are called, the page stays small and tells what is wrong."""

import csv
import io
from dataclasses import replace
from pathlib import Path

import by_hand
import pytest

from framecheck.decision.frame_row import FrameRow
from framecheck.decision.judgement import Judgement
from framecheck.document import json_text
from framecheck.field.result import FrameFailure
from framecheck.night.records import Skipped
from framecheck.report.frames_csv import frames_csv
from framecheck.report.left_out import FIRST_NAMED, MOST_KINDS, alike
from framecheck.report.night_json import night_document
from framecheck.report.page import evenly, night_page, rows_shown
from framecheck.report.terminal import failure_lines

MB = 10**6
N = 3_000
"""As many as a test has time for."""


def with_junk(n: int, name: str = "junk_{:06d}.fits", fault: str = "ends after {} of 9.0 kB") -> Judgement:
    made = by_hand.judgement(4)
    folder = made.night.folder
    failures = tuple(
        FrameFailure(
            exposure=None, file=str(folder / name.format(k)), fault=fault.format(k), remedy="Copy it again."
        ) for k in range(n)
    )  # fmt: skip
    skipped = tuple(Skipped(file=folder / f"memo {k}.txt", kind="not a frame", why="its name") for k in range(n))
    return replace(made, night=replace(made.night, failures=failures, skipped=skipped))


@pytest.fixture(scope="module")
def junk() -> Judgement:
    return with_junk(N)


def test_a_page_of_junk_is_small_and_tells_it_in_groups(junk: Judgement) -> None:
    page = night_page(junk)
    assert len(page.encode()) < 1 * MB
    assert "Ends after 0 of 9.0 kB" in page
    assert page.count("junk_") == FIRST_NAMED
    assert f"{N - FIRST_NAMED:,}".replace(",", "\u202f") + " more files" in page
    assert page.count("memo ") == FIRST_NAMED


def test_the_complete_list_is_in_the_table_for_spreadsheets(junk: Judgement) -> None:
    rows = list(csv.DictReader(io.StringIO(frames_csv(junk.rows))))
    assert sum(row["status"] == "failed" for row in rows) == N
    assert "ends after 777 of" in next(row["failure"] for row in rows if row["file"] == "junk_000777.fits").lower()


def test_the_json_counts_all_and_lists_the_first(junk: Judgement) -> None:
    document = night_document(junk)
    assert document["source"]["n_failed"] == N
    assert [one["n_files"] for one in document["failures"]] == [N]
    assert document["failures"][0]["first"] == [f"junk_{k:06d}.fits" for k in range(FIRST_NAMED)]
    assert sum(one["status"] == "failed" for one in document["frames"]) == 1000
    assert len(json_text(document)) < 5 * MB


def test_the_terminal_tells_groups_where_failures_are_many() -> None:
    made = with_junk(30)
    (line,) = failure_lines(made.night.failures, made.night.folder)
    assert line.startswith("30 files: Ends after 0 of 9.0 kB")
    assert "junk_000000.fits" in line
    assert line.endswith("and 25 more)")
    assert len(failure_lines(made.night.failures[:3], made.night.folder)) == 3


def test_names_and_faults_as_long_as_can_be_do_not_swell_the_page() -> None:
    made = with_junk(300, name="x" * 4000 + "{}", fault="y" * 5000 + "{}")
    assert len(night_page(made).encode()) < 1 * MB


def test_a_night_of_very_many_frames_has_a_page_of_bounded_size(monkeypatch: pytest.MonkeyPatch) -> None:
    night = by_hand.judgement(80)
    whole = len(night_page(night).encode())
    monkeypatch.setattr("framecheck.report.page._MOST_BYTES", whole - 5000)
    monkeypatch.setattr("framecheck.report.page._SHOWN", (400, 10))
    page = night_page(night)
    assert len(page.encode()) < whole - 5000
    assert '"whole":false' in page
    assert "Shown are 10 of 80 frames" in page


def test_frames_in_question_come_first_into_a_table_that_is_full() -> None:
    grades = ["keep"] * 900 + ["reject"] * 40 + ["doubtful"] * 10
    rows = [FrameRow(file=f"{k:04d}", grade=grade) for k, grade in enumerate(grades)]  # type: ignore[arg-type]
    shown = rows_shown(rows, 100)
    assert len(shown) == 100
    assert sum(row.grade != "keep" for row in shown) == 50
    assert [row.file for row in shown] == sorted(row.file for row in shown)
    assert len(rows_shown(rows, 20)) == 20
    assert evenly(rows, 0) == []


def test_faults_that_differ_in_numbers_are_one_and_rare_ones_are_put_together() -> None:
    told = [(f"{k}.fits", f"gives NAXIS{k} = {k}.5") for k in range(10)]
    told += [(f"odd {k}", "fault " + "ab"[k % 2] * (k + 1)) for k in range(50)]
    groups = alike(told)
    assert len(groups) == MOST_KINDS
    assert groups[0].n_files == 10
    assert sum(group.n_files for group in groups) == 60
    assert groups[-1].why.endswith("other reasons")
    assert alike([]) == ()
    assert Path(groups[0].first[0]).suffix == ".fits"
