"""stars.parquet: every measured star of the night, for work of one's own."""

from pathlib import Path
from typing import Any, BinaryIO

from framecheck._version import __version__
from framecheck.motion.night import Night
from framecheck.night.records import NightFrame
from framecheck.stars.flags import MEANINGS
from framecheck.stars.table import COLUMNS
from framecheck.words import path_in


def write_stars(night: Night, file: BinaryIO) -> None:
    """Write all measured stars, good and flagged, with the frame and group that they belong to.

    Parameters
    ----------
    night : Night
        One row group a frame is written, so that memory does not grow with the night.
    file : binary file
        Columns `file`, `group`, then those of the star table; each column's metadata hold its unit and meaning.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    import pyarrow.parquet

    schema = _schema()
    with pyarrow.parquet.ParquetWriter(file, schema, compression="zstd") as writer:
        for frame in night.frames:
            writer.write_table(_table(frame, night.folder, schema))


def _table(frame: NightFrame, folder: Path, schema: Any) -> Any:
    import pyarrow

    stars = frame.result.stars.table
    files = [path_in(folder, frame.result.exposure.file)] * len(stars)
    texts = [pyarrow.array(text, pyarrow.string()).dictionary_encode() for text in (files, [frame.group] * len(stars))]
    columns = [pyarrow.array(stars[name].copy()) for name, _, _, _ in COLUMNS]
    return pyarrow.Table.from_arrays([*texts, *columns], schema=schema)


def _schema() -> Any:
    import numpy as np
    import pyarrow

    text = pyarrow.dictionary(pyarrow.int32(), pyarrow.string())
    flags = {f"flag {flag.value}": f"{flag.name}: {meaning}" for flag, meaning in MEANINGS.items()}
    fields = [
        pyarrow.field("file", text, metadata={"meaning": "frame, relative to the night's folder"}),
        pyarrow.field("group", text, metadata={"meaning": "frames of one target, filter, exposure and binning"}),
    ]
    for name, kind, unit, meaning in COLUMNS:
        described = {"unit": unit, "meaning": meaning} | (flags if name == "flags" else {})
        fields.append(pyarrow.field(name, pyarrow.from_numpy_dtype(np.dtype(kind)), metadata=described))
    return pyarrow.schema(fields, metadata={"generator": f"framecheck {__version__}"})
