"""stars.parquet: every measured star with units and meanings."""

from pathlib import Path

import by_hand
import numpy as np
import pyarrow.parquet

from framecheck.report.stars_parquet import write_stars
from framecheck.stars.table import COLUMNS


def test_all_stars_come_back_with_their_frame(tmp_path: Path) -> None:
    night = by_hand.judgement(3).night
    write_stars(night, tmp_path / "stars.parquet")
    table = pyarrow.parquet.read_table(tmp_path / "stars.parquet")
    assert table.column_names == ["file", "group", *(name for name, *_ in COLUMNS)]
    assert table.num_rows == sum(len(frame.result.stars.table) for frame in night.frames)
    files = np.array(table["file"].to_pylist())
    for frame in night.frames:
        mine = files == frame.result.exposure.file.relative_to(night.folder).as_posix()
        for name in ("x", "fwhm_px", "flags"):
            np.testing.assert_array_equal(table[name].to_numpy()[mine], frame.result.stars.table[name])


def test_each_column_tells_its_unit_and_meaning(tmp_path: Path) -> None:
    write_stars(by_hand.judgement(1).night, tmp_path / "stars.parquet")
    schema = pyarrow.parquet.read_schema(tmp_path / "stars.parquet")
    for name, kind, unit, meaning in COLUMNS:
        field = schema.field(name)
        assert field.metadata[b"unit"].decode() == unit
        assert field.metadata[b"meaning"].decode() == meaning
        assert field.type == pyarrow.from_numpy_dtype(np.dtype(kind))
    assert b"hot" in b"".join(schema.field("flags").metadata.values()).lower()


def test_a_night_without_stars_is_an_empty_table(tmp_path: Path) -> None:
    frame = by_hand.frame(0, n_stars=0)
    write_stars(by_hand.judgement_of((frame,)).night, tmp_path / "stars.parquet")
    assert pyarrow.parquet.read_table(tmp_path / "stars.parquet").num_rows == 0
