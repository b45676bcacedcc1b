"""The night of the tutorial: rendered once, judged at every build, its commands shown with what they say."""

import hashlib
import os
import pty
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Final

import framecheck.simulate
from framecheck.simulate import demo_scenario

WIDTH: Final = 88
"""Columns of the terminal that is shown."""
HOME: Final = "/home/you/astro"
"""Stands for the folder in which the commands run."""


def run(words: list[str], folder: Path) -> str:
    """What a command prints on a terminal without colour.

    Parameters
    ----------
    words : list of str
        After `framecheck`.
    folder : Path
        Where it runs.

    Raises
    ------
    RuntimeError
        If it ends with a fault of the user or of ours: what is shown must work.
    """
    package = str(Path(framecheck.simulate.__file__).parents[2])  # the one that is described, installed or not
    settings = {
        "COLUMNS": str(WIDTH), "NO_COLOR": "1", "TERM": "xterm", "PYTHONUTF8": "1", "OPENBLAS_NUM_THREADS": "1",
        "FRAMECHECK_LOGBOOK": str(folder / "logbook.sqlite"),
        "PYTHONPATH": os.pathsep.join([package, os.environ.get("PYTHONPATH", "")]),
    }  # fmt: skip
    ours, theirs = pty.openpty()
    program = [sys.executable, "-c", "from framecheck.cli.main import run; run()", *words]
    with subprocess.Popen(
        program, cwd=folder, stdout=theirs, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL, env=os.environ | settings
    ) as process:
        os.close(theirs)
        said = _read(ours)
        wrong = process.stderr.read().decode() if process.stderr else ""
    if process.returncode not in (0, 1):
        raise RuntimeError(f"framecheck {' '.join(words)} ended with {process.returncode}: {wrong}")
    return (said + wrong).replace("\r\n", "\n").replace(str(folder), HOME).rstrip()


def _read(terminal: int) -> str:
    """All that is written to a terminal, until nobody writes to it any more."""
    parts = []
    while True:
        try:
            part = os.read(terminal, 65536)
        except OSError:
            break
        if not part:
            break
        parts.append(part)
    os.close(terminal)
    return b"".join(parts).decode()


def prepare_night(place: Path) -> Path:
    """The folder in which the tutorial's commands run, with `lights` in it; rendered anew if the simulator changed.

    Parameters
    ----------
    place : Path
        Where nights are kept from build to build.
    """
    folder = place / f"night-{_mark()}"
    if not (folder / "lights").is_dir():
        shutil.rmtree(place, ignore_errors=True)
        folder.mkdir(parents=True)
        run(["demo", "--into", "demo-night", "--quiet"], folder)
        (folder / "demo-night" / "frames").rename(folder / "lights")
        shutil.rmtree(folder / "demo-night")
    for name in ("report", "sorted", "rig.toml"):  # what the commands of an earlier build wrote
        path = folder / name
        shutil.rmtree(path) if path.is_dir() else path.unlink(missing_ok=True)
    return folder


def _mark() -> str:
    digest = hashlib.sha256(demo_scenario().read_bytes())
    for source in sorted(Path(framecheck.simulate.__file__).parent.glob("*.py")):
        digest.update(source.read_bytes())
    return digest.hexdigest()[:12]
