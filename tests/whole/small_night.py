"""A small night on disk, drawn as round Gaussians, for the commands as a user runs them."""

import os
import subprocess
import sys
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from astropy.io import fits
from warm import run_warm

WIDTH, HEIGHT, N_STARS = 480, 360, 70
FWHM_PX = 3.0

RUN = "from framecheck.cli.main import run; run()"
"""The command line, for `python -c`."""
LIMITED = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, ({0}, {0})); " + RUN
"""A disk with room for files of so many bytes: the system refuses to let any grow further."""
HEARD = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); " + RUN
"""The same where the keyboard's interrupt is heard, as in a terminal: what a shell starts in the background, tests too,
ignores it, and all that it starts (POSIX, Shell Command Language, Signals and Error Handling)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Ended:
    """How a command ended."""

    code: int
    out: str
    err: str


def framecheck(*words: str | Path, cwd: Path | None = None, most_bytes: int | None = None, **environment: str) -> Ended:
    """Run a command as a user does, in a process of its own and without a terminal.

    The disk has no room for files of more than `most_bytes`, if they are given.
    """
    if sys.platform == "linux" and not environment:  # elsewhere, not all libraries bear a fork
        code, out, err = run_warm(list(map(str, words)), cwd, most_bytes)
        return Ended(code=code, out=out.decode(), err=err.decode())
    done = subprocess.run(
        [sys.executable, "-c", RUN if most_bytes is None else LIMITED.format(most_bytes), *map(str, words)],
        capture_output=True, cwd=cwd, env=os.environ | environment, check=False, timeout=300,
    )  # fmt: skip
    return Ended(code=done.returncode, out=done.stdout.decode(), err=done.stderr.decode())


def draw_light(
    path: Path, index: int, *, target: str = "Test field", elongation: float = 1.0, light: float = 1.0
) -> None:
    """A light frame: the same stars, shifted a little, on a flat sky with noise; drawn out along x, or dimmed."""
    rng = np.random.default_rng(7)
    x, y = rng.uniform(20, WIDTH - 20, N_STARS), rng.uniform(20, HEIGHT - 20, N_STARS)
    flux = 10 ** rng.uniform(3.6, 4.8, N_STARS)
    sigma = FWHM_PX / 2.3548
    row, column = np.mgrid[:HEIGHT, :WIDTH]
    image = np.full((HEIGHT, WIDTH), 600.0)
    for cx, cy, brightness in zip(x + 1.5 * index, y - 0.7 * index, flux, strict=True):
        near = np.exp(-(((column - cx) / elongation) ** 2 + (row - cy) ** 2) / (2 * sigma**2))
        image += brightness * light * near / (2 * np.pi * sigma**2 * elongation)
    noisy = np.random.default_rng(index).normal(image, np.sqrt(image / 2))
    write_frame(path, noisy, index, "Light Frame", target)


def write_frame(path: Path, image: np.ndarray, index: int, kind: str, target: str = "Test field") -> None:
    header = fits.Header()
    header["IMAGETYP"], header["OBJECT"], header["FILTER"] = kind, target, "L"
    header["EXPTIME"], header["XPIXSZ"], header["FOCALLEN"] = 60.0, 3.76, 530.0
    start = datetime(2025, 3, 1, 21, 0, tzinfo=UTC) + timedelta(seconds=65 * index)
    header["DATE-OBS"] = start.strftime("%Y-%m-%dT%H:%M:%S")
    path.parent.mkdir(parents=True, exist_ok=True)
    fits.PrimaryHDU(np.clip(np.round(image), 0, 65535).astype(np.uint16), header).writeto(path)


def draw_dark(path: Path) -> None:
    write_frame(path, np.random.default_rng(3).normal(500, 4, (HEIGHT, WIDTH)), 0, "Dark Frame")
