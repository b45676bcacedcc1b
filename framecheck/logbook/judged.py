"""Judged nights as rows of the logbook: night.json, packed."""

import hashlib
import json
import os
import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from framecheck.document import LARGEST_FILE
from framecheck.read.foreign_json import json_of
from framecheck.read.paths import whole_path

_LEFT_OUT: Final = ("charts", "skipped")
"""What a history does not need, and what is large."""


def night_row(document: Mapping[str, Any]) -> tuple[str, str, bytes, bytes]:
    """Folder, start of the first frame, mark of the frames, and the packed document.

    Parameters
    ----------
    document : mapping
        As `report.night_json.night_document` makes it.
    """
    frames = [(os.path.basename(one["file"]), one["start_utc"] or "") for one in document["frames"]]  # noqa: PTH119
    starts = sorted(start for _, start in frames if start)
    mark = hashlib.blake2b(json.dumps(sorted(frames)).encode(), digest_size=20).digest()
    whole = {key: value for key, value in document.items() if key not in _LEFT_OUT}
    folder = str(whole_path(Path(document["source"]["folder"])))
    packed = zlib.compress(json.dumps(whole, separators=(",", ":")).encode(), 9)
    return folder.encode("utf-8", "replace").decode(), starts[0] if starts else "", mark, packed


def night_of_row(packed: bytes) -> dict[str, Any]:
    """The document again.

    Raises
    ------
    ValueError
        If it is none.
    """
    unpacker = zlib.decompressobj()
    try:
        text = unpacker.decompress(packed, LARGEST_FILE)
        if not unpacker.eof:
            raise ValueError("it is too long or ends early")
        document = json_of(text.decode())
    except (zlib.error, ValueError) as why:
        raise ValueError(f"not a night of framecheck: {why}") from why
    if not isinstance(document, dict):
        raise ValueError("not a night of framecheck")
    return document
