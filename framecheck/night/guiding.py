"""A guiding record: what the guide star did, as a plain table that any guiding program can export to."""

from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.errors import UnusableRequest, refused
from framecheck.read.paths import NoPlainFile, read_plain
from framecheck.words import cut

Floats = NDArray[np.float64]

TIME: Final = "time_utc"
RA: Final = "ra_error_arcsec"
DEC: Final = "dec_error_arcsec"

FEWEST_SAMPLES: Final = 4
"""Chosen: from three, an rms is known to 40 % only."""

_cut: Final = partial(cut, longest=100)
"""Foreign text of a length that a sentence bears."""
_LONGEST_HEAD: Final = 50_000
"""[signs] Of an ECSV table's description, which its reader takes seconds for. Chosen: hundreds of columns fit."""

FULL_TURN_ARCSEC: Final = 360 * 3600.0
"""[arcsec] No error is larger."""

LEAST_COVERED: Final = 0.5
"""Share of an exposure that samples must span. Chosen."""


@dataclass(frozen=True, kw_only=True, slots=True)
class GuidingRecord:
    """Errors of the guide star, in order of time."""

    file: Path
    start_utc: datetime
    """Of the first sample."""
    seconds: Floats
    """After `start_utc`, increasing. [s]"""
    ra_error_arcsec: Floats
    """On the sky (times cos dec)."""
    dec_error_arcsec: Floats


def read_guiding(path: Path) -> GuidingRecord:
    """Read a table with the columns time_utc, ra_error_arcsec, dec_error_arcsec.

    Parameters
    ----------
    path : Path
        CSV (values apart by commas, names in the first line) or ECSV. Times as ISO 8601 ("2024-03-01T21:00:00.5"); one
        without a zone is UTC. Units of an ECSV table are converted to arcseconds. Other columns are left alone.

    Returns
    -------
    GuidingRecord

    Raises
    ------
    UnusableRequest
        Naming file, line and what was found.
    """
    lines = _lines(path)
    table = _table(path, lines)
    numbers = [number for number, _ in lines if number > 0][1:]
    missing = [name for name in (TIME, RA, DEC) if name not in table.colnames]
    if missing:
        raise UnusableRequest(
            f"{path.name}, line {_header_line(lines)}: there is no column {' or '.join(missing)} among "
            f"{_cut(', '.join(table.colnames))}. Export {TIME}, {RA} and {DEC}, apart by commas."
        )
    if len(table) < FEWEST_SAMPLES:
        raise UnusableRequest(f"{path.name}: {len(table)} samples aren't a guiding record. Export the whole night.")
    if len(numbers) != len(table):
        raise UnusableRequest(f"{path.name}: its lines aren't rows of one table. Export the guiding record again.")
    times = [_time(path, number, text) for number, text in zip(numbers, table[TIME], strict=True)]
    seconds = np.array([(time - times[0]).total_seconds() for time in times])
    back = np.flatnonzero(np.diff(seconds) < 0)
    if len(back):
        raise UnusableRequest(
            f"{path.name}, line {numbers[back[0] + 1]}: {TIME} goes back from {table[TIME][back[0]]} to "
            f"{table[TIME][back[0] + 1]}. Sort the table by time."
        )
    return GuidingRecord(
        file=path,
        start_utc=times[0],
        seconds=seconds,
        ra_error_arcsec=_arcsec(path, numbers, table, RA),
        dec_error_arcsec=_arcsec(path, numbers, table, DEC),
    )


def rms_during(record: GuidingRecord, start_utc: datetime, exposure_s: float) -> tuple[float, float] | None:
    """Rms of the guide star about its mean during an exposure, in right ascension and declination. [arcsec]

    About the mean, since a common offset moves the stars and does not smear them. None if fewer than four samples, or
    samples of less than half the exposure, are on record. Part of it is the air over the guide star, and motion faster
    than the guide exposures is not in it: it is neither an upper nor a lower bound of the mount's own.
    """
    first = (_in_utc(start_utc) - record.start_utc).total_seconds()
    low, high = np.searchsorted(record.seconds, [first, first + exposure_s], side="left")
    if high - low < FEWEST_SAMPLES or np.ptp(record.seconds[low:high]) < LEAST_COVERED * exposure_s:
        return None
    return float(np.std(record.ra_error_arcsec[low:high])), float(np.std(record.dec_error_arcsec[low:high]))


def _lines(path: Path) -> list[tuple[int, str]]:
    """Lines that hold something, with their numbers; comments have the number 0."""
    try:
        text = read_plain(path).decode("utf-8-sig")
    except (NoPlainFile, IsADirectoryError):
        raise UnusableRequest(f"{path}: the guiding record isn't a regular file. Export it as CSV.") from None
    except OSError as error:
        raise refused(
            error, f"{path}: the guiding record cannot be read ({error.strerror}). Check the path."
        ) from error
    except UnicodeDecodeError as error:
        raise UnusableRequest(f"{path.name}: this isn't text. Export the guiding record as CSV.") from error
    return [
        (0 if line.lstrip().startswith("#") else number, line)
        for number, line in enumerate(text.splitlines(), 1)
        if line.strip()
    ]


def _header_line(lines: list[tuple[int, str]]) -> int:
    return next(number for number, _ in lines if number > 0)


def _table(path: Path, lines: list[tuple[int, str]]) -> Any:
    """The table; columns of a CSV are text, so that a bad value can be named as it stands."""
    from astropy.table import Table

    content = [(number, line) for number, line in lines if number > 0]
    if not content:
        raise UnusableRequest(f"{path.name}: the guiding record is empty. Export {TIME}, {RA} and {DEC}.")
    ecsv = any(number == 0 and "ECSV" in line for number, line in lines[:1])
    if ecsv and sum(len(line) for number, line in lines if number == 0) > _LONGEST_HEAD:
        raise UnusableRequest(f"{path.name}: its description is too long for a table. Export it as CSV.")
    if not ecsv:
        width = content[0][1].count(",")
        for number, line in content[1:]:
            if line.count(",") != width and '"' not in line:
                raise UnusableRequest(
                    f"{path.name}, line {number}: {line.count(',') + 1} values under {width + 1} names. "
                    "Export the guiding record again."
                )
    try:
        if ecsv:
            return Table.read([line for _, line in lines], format="ascii.ecsv")
        return Table.read([line for _, line in content], format="ascii.csv", converters={"*": str}, fill_values=[])
    except Exception as error:  # astropy's readers raise many kinds
        reason = str(error).strip().splitlines()[0] if str(error).strip() else type(error).__name__
        raise UnusableRequest(f"{path.name}: this isn't a table ({_cut(reason)}). Export it as CSV or ECSV.") from error


def _time(path: Path, line: int, text: Any) -> datetime:
    try:
        return _in_utc(datetime.fromisoformat(str(text).strip()))
    except (ValueError, OverflowError) as error:  # a year before the first, once the zone is taken off
        raise UnusableRequest(
            f"{path.name}, line {line}: {TIME} is {_cut(str(text))!r}, not a time such as 2024-03-01T21:00:00.5. "
            "Write all times so, in UTC."
        ) from error


def _in_utc(time: datetime) -> datetime:
    return time.replace(tzinfo=UTC) if time.tzinfo is None else time.astimezone(UTC)


def _arcsec(path: Path, lines: list[int], table: Any, name: str) -> Floats:
    """A column of finite numbers in arcseconds."""
    factor = 1.0
    if table[name].unit is not None:
        try:
            factor = float(table[name].unit.to("arcsec"))
        except (ValueError, AttributeError) as error:
            raise UnusableRequest(
                f"{path.name}: {name} is given in {_cut(str(table[name].unit))}, not an angle. Export it in arcsec."
            ) from error
    values = np.empty(len(table))
    for i, text in enumerate(table[name]):
        try:
            values[i] = float(text)
        except (ValueError, TypeError):
            values[i] = np.nan
        if not np.isfinite(values[i]):
            raise UnusableRequest(
                f"{path.name}, line {lines[i]}: {name} is {_cut(str(text))!r}, not a number. Leave such lines out."
            )
        if not abs(float(values[i])) * factor <= FULL_TURN_ARCSEC:
            raise UnusableRequest(
                f"{path.name}, line {lines[i]}: {name} is {_cut(str(text))!r}, more than a full turn. Leave such lines "
                "out."
            )
    return values * factor


__all__ = ["GuidingRecord", "read_guiding", "rms_during"]
