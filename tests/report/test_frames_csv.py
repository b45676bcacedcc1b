"""frames.csv: RFC 4180, the fields of night.json, and nothing that a spreadsheet would run."""

import csv
import io
from dataclasses import replace

import by_hand
import pytest

from framecheck.decision.frame_row import FrameRow
from framecheck.report.frames_csv import frames_csv
from framecheck.report.night_json import night_document


def test_the_rows_are_those_of_night_json() -> None:
    night = by_hand.judgement(5)
    text = frames_csv(night.rows)
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    frames = night_document(night)["frames"]
    assert len(rows) == len(frames)
    for row, frame in zip(rows, frames, strict=True):
        assert list(row) == list(frame)
        for name, value in frame.items():
            if value is None:
                assert row[name] == ""
            elif isinstance(value, float):
                assert float(row[name]) == value
            elif isinstance(value, list):
                assert row[name] == "; ".join(value)
            else:
                assert row[name] == str(value)


def test_lines_end_as_rfc_4180_says() -> None:
    # RFC 4180, section 2: each record on a line of its own, ended by CRLF
    text = frames_csv(by_hand.judgement(3).rows)
    assert text.endswith("\r\n")
    assert text.count("\r\n") == text.count("\n") == 5


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n", "＝"])
def test_text_cannot_become_a_formula(start: str) -> None:
    # OWASP, "CSV Injection": cells beginning with = + - @ tab or CR are run as formulas
    text = start + 'cmd|" /C calc"!A0'
    row = FrameRow(file=text, group=text, failure=text, reasons=(text, "two"))
    (read,) = csv.DictReader(io.StringIO(frames_csv([row]), newline=""))
    assert read["file"] == read["group"] == read["failure"] == "'" + text
    assert read["reasons"] == "'" + text + "; two"


def test_negative_numbers_stay_numbers() -> None:
    row = replace(FrameRow(file="a.fits"), shift_x_px=-3.25, sensor_temp_c=-10.0)
    (read,) = csv.DictReader(io.StringIO(frames_csv([row]), newline=""))
    assert (read["shift_x_px"], read["sensor_temp_c"]) == ("-3.25", "-10.0")


def test_quotes_commas_and_line_breaks_come_back_whole() -> None:
    name = 'M 101, "second" try\nnew line.fits'
    (read,) = csv.DictReader(io.StringIO(frames_csv([FrameRow(file=name)]), newline=""))
    assert read["file"] == name
