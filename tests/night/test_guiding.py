"""A guiding record: read as written, refused with the line that is wrong, rms as numpy has it."""

from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import astropy.units as u
import numpy as np
import pytest
from astropy.table import Table

from framecheck.errors import UnusableRequest
from framecheck.night.guiding import GuidingRecord, read_guiding, rms_during

START = datetime(2024, 3, 1, 21, tzinfo=UTC)
HEADER = "time_utc,ra_error_arcsec,dec_error_arcsec"
LINES = [f"2024-03-01T21:00:{2 * i:02d}.250,{0.1 * i:.2f},{-0.05 * i:.2f}" for i in range(10)]


def written(folder: Path, lines: list[str], name: str = "guide.csv") -> Path:
    path = folder / name
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_a_csv_is_read_as_written(tmp_path: Path) -> None:
    found = read_guiding(written(tmp_path, ["# exported by hand", HEADER, *LINES]))
    assert found.start_utc == START + timedelta(seconds=0.25)
    np.testing.assert_allclose(found.seconds, np.arange(10) * 2.0)
    np.testing.assert_allclose(found.ra_error_arcsec, np.arange(10) * 0.1)
    np.testing.assert_allclose(found.dec_error_arcsec, np.arange(10) * -0.05)


def test_order_of_columns_zones_and_other_columns_do_not_matter(tmp_path: Path) -> None:
    lines = ["snr,dec_error_arcsec,time_utc,ra_error_arcsec"]
    lines += [f"{20 + i},0.5,2024-03-01T22:00:0{i}+01:00,1.5" for i in range(5)]
    found = read_guiding(written(tmp_path, lines))
    assert found.start_utc == START
    assert found.ra_error_arcsec[0] == 1.5


def test_ecsv_with_units(tmp_path: Path) -> None:
    table = Table(
        {
            "time_utc": [f"2024-03-01 21:00:0{i}" for i in range(6)],
            "ra_error_arcsec": np.full(6, 0.02) * u.arcmin,
            "dec_error_arcsec": np.full(6, 0.3) * u.arcsec,
        }
    )
    path = tmp_path / "guide.ecsv"
    table.write(path, format="ascii.ecsv")
    found = read_guiding(path)
    np.testing.assert_allclose(found.ra_error_arcsec, 1.2)
    np.testing.assert_allclose(found.dec_error_arcsec, 0.3)


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        (["time_utc,ra_error_arcsec,de", *LINES], ["line 1", "dec_error_arcsec", "de"]),
        ([HEADER, *LINES[:3], "yesterday,0.1,0.1", *LINES[4:]], ["line 5", "'yesterday'"]),
        ([HEADER, "0001-01-01T00:00:00+23:59,0.1,0.1", *LINES], ["line 2", "not a time such as"]),
        ([HEADER, *LINES[:3], "2024-03-01T21:00:06.250,1e308,0.1", *LINES[4:]], ["line 5", "more than a full turn"]),
        (["# %ECSV 1.0", *["# - {name: x, datatype: float64}"] * 2000, HEADER, *LINES], ["description is too long"]),
        ([HEADER, *LINES[:4], "2024-03-01T21:00:09,lost,0.1", *LINES[5:]], ["line 6", "'lost'", "ra_error_arcsec"]),
        ([HEADER, *LINES[:4], "2024-03-01T21:00:09,0.1,nan", *LINES[5:]], ["line 6", "'nan'", "dec_error_arcsec"]),
        ([HEADER, *LINES[:4], "2024-03-01T21:00:09,0.1,", *LINES[5:]], ["line 6", "dec_error_arcsec"]),
        ([HEADER, *LINES[:4], "2024-03-01T21:00:09,0.1", *LINES[5:]], ["line 6", "2 values"]),
        (["# note", "", HEADER, *LINES[5:], *LINES[:5]], ["line 9", "goes back"]),
        ([HEADER, *LINES[:2]], ["2 samples"]),
        ([""], ["empty"]),
    ],
)
def test_what_is_wrong_is_named(tmp_path: Path, lines: list[str], told: list[str]) -> None:
    with pytest.raises(UnusableRequest) as caught:
        read_guiding(written(tmp_path, lines))
    assert all(part in str(caught.value) for part in ["guide.csv", *told]), str(caught.value)


def test_no_file_no_text_no_angle(tmp_path: Path) -> None:
    with pytest.raises(UnusableRequest, match="cannot be read"):
        read_guiding(tmp_path / "none.csv")
    (tmp_path / "image.csv").write_bytes(bytes(range(128, 256)))
    with pytest.raises(UnusableRequest, match="isn't text"):
        read_guiding(tmp_path / "image.csv")
    times = [f"2024-03-01 21:00:0{i}" for i in range(6)]
    table = Table({"time_utc": times, "ra_error_arcsec": np.ones(6) * u.s, "dec_error_arcsec": np.ones(6)})
    table.write(tmp_path / "guide.ecsv", format="ascii.ecsv")
    with pytest.raises(UnusableRequest, match="not an angle"):
        read_guiding(tmp_path / "guide.ecsv")


def record(seconds: np.ndarray, ra: np.ndarray, dec: np.ndarray) -> GuidingRecord:
    return GuidingRecord(file=Path("g.csv"), start_utc=START, seconds=seconds, ra_error_arcsec=ra, dec_error_arcsec=dec)


def test_rms_during_an_exposure() -> None:
    # closed form: a sine over whole cycles has the rms amplitude / sqrt 2; a common offset does not smear
    t = np.arange(0, 600, 2.0)
    guided = record(t, 3.0 + 0.8 * np.sin(2 * np.pi * t / 20), np.where(t < 300, 0.0, 5.0))
    found = rms_during(guided, START + timedelta(seconds=100), 120.0)
    assert found is not None
    assert found == pytest.approx((0.8 / np.sqrt(2), 0.0), abs=1e-9)
    zone = timezone(timedelta(hours=2))
    assert rms_during(guided, (START + timedelta(seconds=100)).astimezone(zone), 120.0) == found
    assert rms_during(guided, (START + timedelta(seconds=100)).replace(tzinfo=None), 120.0) == found


def test_no_rms_where_the_record_has_a_gap() -> None:
    t = np.r_[np.arange(0, 100, 2.0), np.arange(400, 500, 2.0)]
    guided = record(t, np.zeros(100), np.zeros(100))
    assert rms_during(guided, START + timedelta(seconds=70), 120.0) is None
    assert rms_during(guided, START + timedelta(seconds=150), 120.0) is None
    assert rms_during(guided, START + timedelta(seconds=20), 60.0) == (0.0, 0.0)
    assert rms_during(guided, START - timedelta(hours=2), 120.0) is None


TORN = '2024-03-01T21:00:09,"1\n2024-03-01T21:00:10,2",1'


@pytest.mark.parametrize("row", [TORN, "x" * 9000 + ",1,1", "2024-03-01T21:00:09," + "y" * 9000 + ",1"])
def test_a_record_with_torn_lines_or_endless_words_is_refused_in_a_short_sentence(row: str, tmp_path: Path) -> None:
    path = tmp_path / "guiding.csv"
    rows = [f"2024-03-01T21:00:0{k},0.1,0.1" for k in range(8)]
    path.write_text("\n".join(["time_utc,ra_error_arcsec,dec_error_arcsec", *rows, row, "2024-03-01T21:00:20,1,1"]))
    with pytest.raises(UnusableRequest) as told:
        read_guiding(path)
    assert len(str(told.value)) < 400
