"""What must hold whatever the night: order, workers, storage and company change nothing; a turned camera turns all."""

import gzip
import hashlib
import io
import json
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from small_night import HEIGHT, WIDTH, draw_light, framecheck

from framecheck.document import json_text
from framecheck.field import FrameResult
from framecheck.pipeline import judge_night, measure_frame, measure_night
from framecheck.report.night_json import night_document
from framecheck.workers import worker_pool

N_FRAMES = 6
ALONE = (
    "n_stars", "n_measured_stars", "n_saturated_stars", "fwhm_px", "fwhm_px_error", "fwhm_arcsec", "elongation",
    "elongation_error", "elongation_pa_deg", "moffat_beta", "half_flux_radius_px", "sky_adu", "sky_noise_adu",
    "sky_gradient_percent", "trail_length_px", "start_utc", "exposure_s",
)  # fmt: skip
"""Fields of a frame that no other frame of the night has a say in."""


@pytest.fixture(scope="module")
def lights(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("laws of a night") / "lights"
    for index in range(N_FRAMES):
        draw_light(folder / f"{index}.fits", index)
    return folder


@pytest.fixture(scope="module")
def paths(lights: Path) -> list[Path]:
    return sorted(lights.glob("*.fits"))


def judged(folder: Path, paths: list[Path], executor: Any = None) -> dict[str, Any]:
    """night.json as it would be written."""
    with ThreadPoolExecutor(1) as thread:
        measured = measure_night(paths, executor=executor or thread)
    return json.loads(json_text(night_document(judge_night(folder, measured))))


@pytest.fixture(scope="module")
def upright(lights: Path, paths: list[Path]) -> dict[str, Any]:
    document = judged(lights, paths)
    assert [frame["grade"] for frame in document["frames"]] == ["keep"] * N_FRAMES
    return document


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_order_of_the_files_changes_nothing(seed: int, lights: Path, paths: list[Path], upright: dict) -> None:
    shuffled = [paths[k] for k in np.random.default_rng(seed).permutation(len(paths))]
    assert shuffled != paths
    assert judged(lights, shuffled) == upright


@pytest.mark.parametrize("workers", [1, 3])
def test_the_number_of_workers_changes_nothing(workers: int, lights: Path, paths: list[Path], upright: dict) -> None:
    with worker_pool(workers) as pool:
        assert judged(lights, paths, pool) == upright


def test_the_same_night_gives_the_same_bytes_whatever_python_hashes(lights: Path, tmp_path: Path) -> None:
    # Python randomises the order of sets of strings from one process to the next unless told otherwise
    written = set()
    for seed in ("1", "2"):
        out = tmp_path / seed
        ended = framecheck("night", lights, "--out", out, "--workers", "1", "--quiet", PYTHONHASHSEED=seed)
        assert ended.code == 0, ended.err
        written.add(tuple(hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(out.iterdir())))
    assert len(written) == 1


def test_a_frame_is_the_same_in_the_company_of_others(lights: Path, paths: list[Path], upright: dict) -> None:
    halves = [judged(lights, paths[: N_FRAMES // 2]), judged(lights, paths[N_FRAMES // 2 :])]
    alone = [{name: frame[name] for name in ("file", *ALONE)} for half in halves for frame in half["frames"]]
    assert alone == [{name: frame[name] for name in ("file", *ALONE)} for frame in upright["frames"]]
    totals = [group["total_exposure_s"] for half in halves for group in half["groups"]]
    assert sum(totals) == upright["groups"][0]["total_exposure_s"]


def test_another_folder_changes_only_its_name(lights: Path, paths: list[Path], upright: dict, tmp_path: Path) -> None:
    moved = tmp_path / "elsewhere"
    moved.mkdir()
    for path in paths:
        (moved / path.name).write_bytes(path.read_bytes())
    document = judged(moved, sorted(moved.iterdir()))
    document["source"]["folder"] = upright["source"]["folder"]
    assert document == upright


# --- how the pixels are stored ----------------------------------------------------------------------------------

STORED: dict[str, Callable[[np.ndarray, fits.Header], bytes]] = {
    "32 bits": lambda pixels, header: _bytes(fits.PrimaryHDU(pixels.astype(np.int32), header)),
    "32 bits, lifted": lambda pixels, header: _lifted(pixels, header),
    "extension": lambda pixels, header: _bytes(fits.PrimaryHDU(), fits.ImageHDU(pixels, header)),
    "Rice": lambda pixels, header: _bytes(fits.PrimaryHDU(), fits.CompImageHDU(pixels, header)),
    "Rice, squares": lambda pixels, header: _bytes(
        fits.PrimaryHDU(), fits.CompImageHDU(pixels, header, tile_shape=(64, 100))
    ),
    "gzip tiles": lambda pixels, header: _bytes(
        fits.PrimaryHDU(), fits.CompImageHDU(pixels, header, compression_type="GZIP_2")
    ),
    "gzipped": lambda pixels, header: gzip.compress(_bytes(fits.PrimaryHDU(pixels, header))),
    "green of three planes": lambda pixels, header: _bytes(
        fits.PrimaryHDU(np.stack([pixels // 2, pixels, pixels // 3]), header)
    ),
}


def _bytes(*units: Any) -> bytes:
    file = io.BytesIO()
    fits.HDUList(list(units)).writeto(file)
    return file.getvalue()


def _lifted(pixels: np.ndarray, header: fits.Header) -> bytes:
    unit = fits.PrimaryHDU(pixels.astype(np.int32) - 1000, header)
    unit.header["BZERO"] = 1000.0
    return _bytes(unit)


@pytest.mark.parametrize("name", STORED)
def test_how_lossless_pixels_are_stored_changes_nothing(name: str, paths: list[Path], tmp_path: Path) -> None:
    with fits.open(paths[0]) as units:
        pixels, header = units[0].data.astype(np.uint16), units[0].header.copy()
    for keyword in ("BZERO", "BSCALE"):
        header.remove(keyword, ignore_missing=True)
    path = tmp_path / "frame.fits"
    path.write_bytes(STORED[name](pixels, header))
    same_in_every_bit(measure_frame(path), measure_frame(paths[0]))


def same_in_every_bit(one: FrameResult, other: FrameResult) -> None:
    assert one.shape == other.shape
    assert (one.sky.level_adu, one.sky.noise_adu) == (other.sky.level_adu, other.sky.noise_adu)
    np.testing.assert_array_equal(one.stars.table, other.stars.table)


@pytest.mark.parametrize("power", [-3, 1, 6])
def test_counts_times_a_power_of_two_change_nothing_but_counts(power: int, paths: list[Path], tmp_path: Path) -> None:
    # binary floating-point numbers (IEEE 754) times a power of two lose nothing
    with fits.open(paths[0]) as units:
        pixels, header = units[0].data.astype(np.float32), units[0].header.copy()
    results = []
    for factor in (1.0, 2.0**power):
        path = tmp_path / f"{factor}.fits"
        fits.PrimaryHDU(pixels * np.float32(factor), header).writeto(path)
        results.append(measure_frame(path))
    before, after = results
    assert after.shape is not None
    assert before.shape is not None
    assert after.stars.n_found == before.stars.n_found
    assert after.sky.level_adu == before.sky.level_adu * 2.0**power
    assert after.sky.noise_adu == before.sky.noise_adu * 2.0**power
    assert after.shape.fwhm_px == pytest.approx(before.shape.fwhm_px, rel=1e-6)
    assert after.shape.elongation == pytest.approx(before.shape.elongation, rel=1e-6)
    np.testing.assert_allclose(
        after.stars.table["flux_adu"], before.stars.table["flux_adu"] * 2.0**power, rtol=1e-5, equal_nan=True
    )


# --- a camera turned in its place -------------------------------------------------------------------------------

TURNED = {
    # what becomes of the image (numpy's rows run along +y), of a shift, and of an angle counted counter-clockwise
    "quarter turn": (lambda p: np.rot90(p, -1), lambda dx, dy: (-dy, dx), 1.0),
    "half turn": (lambda p: p[::-1, ::-1], lambda dx, dy: (-dx, -dy), 1.0),
    "mirrored": (lambda p: p[:, ::-1], lambda dx, dy: (-dx, dy), -1.0),
}


@pytest.mark.parametrize("name", TURNED)
def test_a_turned_camera_turns_shifts_and_changes_no_grade(
    name: str, paths: list[Path], upright: dict, tmp_path: Path
) -> None:
    turn, shift, sense = TURNED[name]
    for path in paths:
        with fits.open(path) as units:
            pixels, header = units[0].data.astype(np.uint16), units[0].header.copy()
        for keyword in ("BZERO", "BSCALE"):
            header.remove(keyword, ignore_missing=True)
        fits.PrimaryHDU(np.ascontiguousarray(turn(pixels)), header).writeto(tmp_path / path.name)
    document = judged(tmp_path, sorted(tmp_path.iterdir()))
    assert {frame["shift_x_px"] for frame in upright["frames"]} != {0.0}
    for before, after in zip(upright["frames"], document["frames"], strict=True):
        assert after["grade"] == before["grade"]
        assert after["fwhm_px"] == pytest.approx(before["fwhm_px"], abs=0.5 * before["fwhm_px_error"])
        assert after["elongation"] == pytest.approx(before["elongation"], abs=0.5 * before["elongation_error"])
        assert after["sky_adu"] == pytest.approx(before["sky_adu"], abs=0.05 * before["sky_noise_adu"])
        assert after["transparency"] == pytest.approx(before["transparency"], abs=0.01)
        expected = shift(before["shift_x_px"], before["shift_y_px"])
        assert (after["shift_x_px"], after["shift_y_px"]) == pytest.approx(expected, abs=0.03)
        assert after["rotation_deg"] == pytest.approx(sense * before["rotation_deg"], abs=0.02)
    width_height = (HEIGHT, WIDTH) if name == "quarter turn" else (WIDTH, HEIGHT)
    with fits.open(tmp_path / "0.fits") as units:
        assert units[0].data.shape == width_height[::-1]
