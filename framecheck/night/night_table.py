"""The night as an astropy table: one row a frame, each column with unit and meaning."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from framecheck.night.records import NightFrame
from framecheck.quantity import in_file

if TYPE_CHECKING:
    from astropy.table import Table
    from astropy.time import Time


def night_table(folder: Path, frames: Sequence[NightFrame], n_failed: int) -> "Table":
    """Tell a night frame by frame, in order of start time; what is unknown is masked.

    Parameters
    ----------
    folder : Path
    frames : sequence of NightFrame
    n_failed : int
        Frames that could not be measured.

    Returns
    -------
    astropy.table.Table
        Columns `file` (relative to the folder), `group`, `start_utc` (an `astropy.time.Time`), then the quantities of
        a night, each with its unit and a description. `table.meta` names folder and failures.
    """
    from astropy.table import MaskedColumn, Table

    files = [frame.result.exposure.file for frame in frames]
    names = [(path.relative_to(folder) if path.is_relative_to(folder) else path) for path in files]
    table = Table(meta={"folder": folder.as_posix(), "n_failed": n_failed})
    table["file"] = MaskedColumn([name.as_posix() for name in names], dtype=str, description="file of the frame")
    meaning = "frames that can be compared: one target, filter, exposure and binning"
    table["group"] = MaskedColumn([frame.group for frame in frames], dtype=str, description=meaning)
    starts = _starts(frames)
    starts.info.description = "start of the exposure, UTC"
    table["start_utc"] = starts
    for quantity in in_file("night"):
        values = [quantity.of_frame(frame) for frame in frames]
        unknown = [one is None or one != one for one in values]  # NaN is unknown too
        filled = [quantity.kind(0) if one is None else one for one in values]
        unit, meaning = quantity.unit or None, quantity.meaning
        table[quantity.name] = MaskedColumn(filled, dtype=quantity.kind, mask=unknown, unit=unit, description=meaning)
    return table


def _starts(frames: Sequence[NightFrame]) -> "Time":
    """When the exposures began; masked where no header says it."""
    import numpy as np
    from astropy.time import Time

    starts = [frame.result.exposure.start_utc for frame in frames]
    known = next((start for start in starts if start is not None), None)
    if known is None:
        times = Time(np.full(len(frames), 2000.0), format="jyear", scale="utc")
    else:
        times = Time([start or known for start in starts], format="datetime", scale="utc")
    times.format = "isot"
    unknown = [start is None for start in starts]
    if any(unknown):
        times[unknown] = np.ma.masked
    return times
