"""The measured frames of a logbook as one table."""

import csv
import io
from collections.abc import Callable, Iterator
from typing import Any, BinaryIO, Final

from framecheck.field.result import FrameResult
from framecheck.logbook.book import Logbook

_STARTS_A_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""First signs that make a spreadsheet run a text cell as a formula. Common practice (OWASP, "CSV Injection")."""
_FRAMES_AT_ONCE: Final = 1000
"""Chosen: memory does not grow with the logbook."""

Column = tuple[str, str, Callable[[FrameResult], Any]]


def _of_shape(name: str) -> Callable[[FrameResult], Any]:
    return lambda result: None if result.shape is None else getattr(result.shape, name)


def _of_exposure(name: str) -> Callable[[FrameResult], Any]:
    return lambda result: getattr(result.exposure, name)


_COLUMNS: Final[tuple[Column, ...]] = (
    ("file", "string", lambda result: _valid(str(result.exposure.file))),
    ("start_utc", "timestamp", _of_exposure("start_utc")),
    *((name, "float64", _of_exposure(name)) for name in ("exposure_s",)),
    *((name, "string", _of_exposure(name)) for name in ("target", "filter", "camera", "telescope")),
    ("binning", "int64", _of_exposure("binning")),
    ("n_stars", "int64", lambda result: result.stars.n_found),
    ("n_measured_stars", "int64", _of_shape("n_measured")),
    ("n_saturated_stars", "int64", lambda result: result.stars.n_saturated),
    *(
        (name, "float64", _of_shape(name))
        for name in (
            "fwhm_px", "fwhm_px_error", "elongation", "elongation_error", "elongation_pa_deg", "moffat_beta",
            "half_flux_radius_px", "trail_length_px",
        )
    ),
    ("sky_adu", "float64", lambda result: result.sky.level_adu),
    ("sky_noise_adu", "float64", lambda result: result.sky.noise_adu),
    ("sky_gradient_percent", "float64", lambda result: result.sky.gradient_percent),
    ("ground_share", "float64", lambda result: result.sky.ground_share),
    *(
        (name, "float64", _of_exposure(name))
        for name in (
            "ra_deg", "dec_deg", "altitude_deg", "azimuth_deg", "focuser_steps", "sensor_temp_c", "tube_temp_c",
        )
    ),
)  # fmt: skip
"""Names as in night.json, units in them; type; and where the value is."""


def export_csv(logbook: Logbook, file: BinaryIO) -> None:
    """Write a line a frame (RFC 4180, UTF-8); unknown is empty, text that would run as a formula gets an apostrophe."""
    text = io.TextIOWrapper(file, encoding="utf-8", newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    rows = _rows(logbook)
    writer.writerow([*(name for name, _, _ in _COLUMNS), "measured_utc", "framecheck"])
    for row in rows:
        writer.writerow([_cell(value) for value in row])
    text.detach()


def export_parquet(logbook: Logbook, file: BinaryIO) -> None:
    """Write a row a frame, with types; unknown is null."""
    import pyarrow
    import pyarrow.parquet

    kinds = {"timestamp": pyarrow.timestamp("us", "UTC")}
    fields = [(name, kinds.get(kind, kind)) for name, kind, _ in _COLUMNS]
    schema = pyarrow.schema([*fields, ("measured_utc", "string"), ("framecheck", "string")])
    with pyarrow.parquet.ParquetWriter(file, schema, compression="zstd") as writer:
        for rows in _batches(_rows(logbook)):
            columns = [
                pyarrow.array(column, field.type) for column, field in zip(zip(*rows, strict=True), schema, strict=True)
            ]
            writer.write_table(pyarrow.Table.from_arrays(columns, schema=schema))


def _rows(logbook: Logbook) -> Iterator[list[Any]]:
    for result, when, version in logbook.frames():
        yield [_known(value(result)) for _, _, value in _COLUMNS] + [when, version]


def _batches(rows: Iterator[list[Any]]) -> Iterator[list[list[Any]]]:
    held: list[list[Any]] = []
    for row in rows:
        held.append(row)
        if len(held) == _FRAMES_AT_ONCE:
            yield held
            held = []
    if held:
        yield held


def _known(value: Any) -> Any:
    """A number, or None for one that is none."""
    if isinstance(value, str):
        return _valid(value)
    return None if value != value else value


def _valid(text: str) -> str:
    """Text that UTF-8 can hold."""
    return text.encode("utf-8", "replace").decode("utf-8")


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return "'" + value if value.startswith(_STARTS_A_FORMULA) else value
    return value.isoformat() if hasattr(value, "isoformat") else str(value)
