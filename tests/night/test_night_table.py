"""The night as a table: the same numbers as everywhere, with units, and nothing made up."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from astropy import units as u
from astropy.table import Table
from astropy.time import Time

from framecheck.decision.frame_row import FrameRow
from framecheck.decision.judge import judge
from framecheck.decision.judgement import Judgement
from framecheck.motion.night import Night
from framecheck.quantity import in_file
from framecheck.report.night_json import night_document
from framecheck.stars.table import COLUMNS as STAR_COLUMNS


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> Judgement:
    from astropy.io import fits
    from star_field import star_field

    from framecheck.pipeline import Measurements, judge_night, measure_file
    from framecheck.read import Rig

    folder = tmp_path_factory.mktemp("night")
    for number in range(3):
        image, _ = star_field(n_stars=60, size=(500, 400), seed=11, read_noise_e=3.0)
        header = fits.Header({"IMAGETYP": "Light Frame", "EXPTIME": 60.0, "DATE-OBS": f"2026-02-03T21:1{number}:00"})
        if number == 2:
            del header["DATE-OBS"]
        fits.PrimaryHDU(image, header).writeto(folder / f"light {number}.fits")
    results = tuple(measure_file(path, Rig()) for path in sorted(folder.glob("*.fits")))
    return judge_night(folder, Measurements(results=results, failures=(), skipped=()))  # type: ignore[arg-type]


def test_every_number_is_that_of_night_json(judged: Judgement) -> None:
    table, rows = judged.to_table(), night_document(judged)["frames"]
    shared = [name for name in table.colnames if name in FrameRow.__dataclass_fields__ and name != "start_utc"]
    assert len(shared) > 20
    by_file = {row["file"]: row for row in rows}
    for line in table:
        row = by_file[line["file"]]
        for name in shared:
            value = row["reasons"] if name == "reasons" else row[name]
            if name == "reasons":
                assert line[name] == "; ".join(value)
            elif value is None:
                assert np.ma.is_masked(line[name]), name
            else:
                assert line[name] == (value if isinstance(value, str) else pytest.approx(value, rel=1e-5)), name


def test_columns_have_units_and_descriptions(judged: Judgement) -> None:
    table = judged.to_table()
    for name in table.colnames:
        assert table[name].info.description, name
    for ending, unit in (("_px", u.pix), ("_s", u.s), ("_deg", u.deg), ("_adu", u.adu), ("_percent", u.percent)):
        for name in table.colnames:
            if name.endswith(ending) and not name.endswith("e_per_s"):
                assert table[name].unit == unit, name
    assert u.Unit(table["sky_e_per_s"].unit) == u.electron / u.s


def test_an_unknown_time_is_masked_and_the_others_are_utc(judged: Judgement) -> None:
    table = judged.night.to_table()
    known = ~np.asarray(table["start_utc"].mask)
    assert list(known) == [True, True, False]
    assert table["start_utc"][0] == Time("2026-02-03T21:10:00", scale="utc")


def test_a_table_comes_back_from_a_file(judged: Judgement, tmp_path: Path) -> None:
    table = judged.to_table()
    table.write(tmp_path / "night.ecsv")
    again = Table.read(tmp_path / "night.ecsv")
    assert again.colnames == table.colnames
    assert again["fwhm_px"].unit == u.pix
    np.testing.assert_allclose(again["fwhm_px"], table["fwhm_px"])


def test_a_night_without_frames_has_all_columns(judged: Judgement) -> None:
    empty = replace(judged.night, frames=(), groups=(), motion={}, tracking={})
    assert isinstance(empty, Night)
    assert len(empty.to_table()) == 0
    assert empty.to_table().colnames == judged.night.to_table().colnames
    assert {one.name for one in in_file("night")} < set(empty.to_table().colnames)
    assert len(judge(empty).to_table()) == 0


def test_stars_keep_their_numbers_and_gain_units(judged: Judgement) -> None:
    stars = judged.night.frames[0].result.stars
    table = stars.to_table()
    assert table.colnames == [name for name, *_ in STAR_COLUMNS]
    for name, _, _, meaning in STAR_COLUMNS:
        np.testing.assert_array_equal(table[name], stars.table[name])
        assert table[name].description == meaning
    assert table["x"].unit == u.pix
    assert table["moment_xx_px2"].unit == u.pix**2
    assert table["flux_adu"].unit == u.adu
    assert table["e1"].unit is None
