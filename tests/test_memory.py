"""What measuring takes, from the header: at least what a process is seen to take, and workers within a budget."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from dng import write_dng
from star_field import star_field

from framecheck.field import FrameFailure
from framecheck.memory import LIBRARIES_BYTES, bytes_of, frame_bytes, workers_within
from framecheck.pipeline import measure_file
from framecheck.read import Rig
from framecheck.read.fits import read_layout

PEAK = """
import sys
from pathlib import Path
from framecheck.pipeline import measure_file
from framecheck.workers import load_libraries
from framecheck.read import Rig
def high_water():
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(1024 * int(line.split()[1]) for line in lines if line.startswith("VmHWM"))
load_libraries()
import scipy.special, astropy.io.fits
Path("/proc/self/clear_refs").write_text("5")  # the mark of high water begins anew
before = high_water()
measure_file(Path(sys.argv[1]), Rig())
print(before, high_water() - before)
"""
"""What Linux counts for a process of its own: proc(5)."""


@pytest.fixture(scope="module")
def frames(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """One exposure of 9 megapixels as cameras and programs store it."""
    folder = tmp_path_factory.mktemp("kinds")
    part, _ = star_field(n_stars=60, size=(500, 400), seed=11)
    image = np.tile(part, (6, 7))
    header = fits.Header({"IMAGETYP": "Light Frame", "EXPTIME": 60.0})
    paths = {name: folder / f"{name}.fits" for name in ("plain", "mosaic", "real", "tiles")}
    fits.PrimaryHDU(image, header).writeto(paths["plain"])
    fits.PrimaryHDU(image, header + fits.Header({"BAYERPAT": "RGGB"})).writeto(paths["mosaic"])
    fits.PrimaryHDU(image.astype(np.float32) + 0.25, header).writeto(paths["real"])
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(image, header, compression_type="RICE_1")]).writeto(
        paths["tiles"]
    )
    trails, _ = star_field(n_stars=300, size=(2000, 1500), trail_px=35.0, fwhm_px=2.6, snr=200.0)
    paths["trails"] = folder / "trails.fits"
    fits.PrimaryHDU(trails, header).writeto(paths["trails"])
    return paths


@pytest.mark.skipif(sys.platform != "linux", reason="the system's count is read as Linux tells it")
@pytest.mark.parametrize("kind", ["plain", "mosaic", "real", "tiles", "trails"])
def test_a_frame_takes_no_more_than_its_header_lets_expect(kind: str, frames: dict[str, Path]) -> None:
    # independent: what the system counts
    done = subprocess.run([sys.executable, "-c", PEAK, frames[kind]], capture_output=True, text=True, check=True)
    libraries, peak = map(int, done.stdout.split())
    expected = frame_bytes(read_layout(frames[kind]))
    assert peak <= expected
    assert libraries <= LIBRARIES_BYTES
    assert LIBRARIES_BYTES + expected <= 2 * (libraries + peak)  # not so cautious that half of the machine stays idle


def test_workers_stay_within_the_budget(frames: dict[str, Path], tmp_path: Path) -> None:
    each = LIBRARIES_BYTES + frame_bytes(read_layout(frames["plain"]))
    paths = [frames["plain"], tmp_path / "vanished.fits"]
    for budget, workers in ((each // 2, 1), (each, 1), (2 * each, 2), (4 * each - 1, 3), (100 * each, 8)):
        assert workers_within(budget, paths, 8) == workers
    # the largest that fits tells
    assert workers_within(2 * each, list(frames.values()), 8) == 1


def test_a_frame_larger_than_the_budget_says_so(frames: dict[str, Path]) -> None:
    outcome = measure_file(frames["plain"], Rig(), memory_bytes=100_000_000)
    assert isinstance(outcome, FrameFailure)
    assert "of memory to be measured, more than the 100 MB allowed" in outcome.fault
    assert "--memory" in outcome.remedy


@pytest.mark.parametrize(
    ("text", "n_bytes"),
    # SI and IEC 80000-13 prefixes
    [("2GB", 2e9), ("500 MB", 5e8), ("1.5 GiB", 1.5 * 2**30), ("3g", 3e9), ("800000", 8e5), ("1 TB", 1e12)],
)
def test_sizes_in_words(text: str, n_bytes: float) -> None:
    assert bytes_of(text) == int(n_bytes)


@pytest.mark.parametrize("text", ["", "GB", "much", "-2GB", "0", "nan", "2 XB", "1e400", "2 2 GB"])
def test_what_is_no_size(text: str) -> None:
    with pytest.raises(ValueError, match=r"no number of bytes|could not convert"):
        bytes_of(text)


def test_raws_count_with_the_process_that_unpacks_them(tmp_path: Path) -> None:
    pixels, _ = star_field(n_stars=10, size=(500, 400), seed=11)
    raw = write_dng(tmp_path / "light.dng", pixels)
    fits.PrimaryHDU(pixels).writeto(tmp_path / "light.fits")
    plain = LIBRARIES_BYTES + frame_bytes(read_layout(tmp_path / "light.fits"))
    assert workers_within(2 * plain, [tmp_path / "light.fits"], 8) == 2
    assert workers_within(2 * plain, [raw], 8) == 1
    failure = measure_file(raw, Rig(), memory_bytes=plain)
    assert isinstance(failure, FrameFailure)
    assert "of memory to be measured" in failure.fault
