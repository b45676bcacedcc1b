"""A night of files on disk for the commands."""

import os
import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parent))
from small_night import draw_dark, draw_light


@pytest.fixture(scope="session")
def night_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five lights, a dark, two broken files and a note; read only by the tests."""
    folder = tmp_path_factory.mktemp("nights") / "1er mars été"
    for index in range(5):
        draw_light(folder / "lights" / f"field {index + 1}.fits", index)
    draw_dark(folder / "darks" / "dark.fits")
    whole = (folder / "lights" / "field 1.fits").read_bytes()
    (folder / "lights" / "cut.fits").write_bytes(whole[: len(whole) // 3])
    (folder / "lights" / "empty.fit").write_bytes(b"")
    (folder / "notes.txt").write_text("clear, a little wind")
    for path in folder.rglob("*"):
        os.utime(path, (1_740_000_000, 1_740_000_000))  # an old night: no file is still being written
    return folder
